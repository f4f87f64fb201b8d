"""An invented farm of steady habits as text tables, and damage that adds up: no rule is broken, and a habit is."""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd

AGENTS = pd.DataFrame({
    "agent": ["iodine", "powder", "water"], "active": ["povidone-iodine", "levamisole", "none"],
    "is_control": ["no", "no", "yes"], "active_strength": ["10", "50", ""], "strength_unit": ["% w/v", "% w/w", ""],
    "drops_per_ml": ["20", "", ""], "max_per_l": ["40", "4000", ""], "max_per_l_unit": ["mL/L", "mg/L", ""],
})  # fmt: skip
RECIPES = {"iodine": ("mL", (10, 20, 40), 10), "powder": ("g", (2, 4, 8), 30), "water": ("", ("",), 10)}
CORALS = {"Acropora tenuis": "sps", "Euphyllia ancora": "lps", "Zoanthus sociatus": "zoanthid"}
FIRST, LOOKS = datetime.date(2026, 5, 4), (2, 7, 14, 26)
HOURS = ("08:30", "09:15", "11:00")


def steady_farm(seed: int, *, sessions: int = 48) -> dict[str, pd.DataFrame]:
    """Return the tables of so many sessions, three on every third day; each with two trays, pests and labour."""
    rng = np.random.default_rng(seed)
    doses = {agent: rng.choice(amounts, size=rng.integers(1, 3)) for agent, (_, amounts, _) in RECIPES.items()}
    rows: dict[str, list[tuple]] = {name: [] for name in ("sessions", "trays", "checks", "pests", "labour")}
    for k in range(sessions):
        key, agent = f"{k + 1:03}", list(RECIPES)[k % 3]
        unit, _, minutes = RECIPES[agent]
        day = FIRST + datetime.timedelta(days=3 * (k // 3))
        amount = str(rng.choice(doses[agent]))
        rows["sessions"].append((key, f"{day}T{HOURS[k % 3]}", agent, amount, unit, 10, "L", minutes, 25.5, "C", 2, 2))
        total = sum(_tray(rng, rows, f"{key}-{letter}", key, day) for letter in "ab")
        for task, usual in (("mix", 4), ("dip", 12), ("rinse", 6)):
            rows["labour"].append((day, task, 2, round(usual * rng.uniform(0.7, 1.4), 1), key, total, ""))
    columns = {
        "sessions": "session started agent amount amount_unit bath_volume bath_volume_unit minutes temperature "
                    "temperature_unit rinses crew",
        "trays": "tray session coral coral_group pieces origin source arrived cut system",
        "checks": "tray checked alive dead detached removed checker",
        "pests": "tray pest stage moment counted examined alive dead infested",
        "labour": "done task people minutes session pieces person",
    }  # fmt: skip
    frames = {name: pd.DataFrame(rows[name], columns=columns[name].split()).astype(str) for name in rows}
    return {"agents": AGENTS.copy(), **frames}


def _tray(rng: np.random.Generator, rows: dict[str, list[tuple]], tray: str, session: str, day: datetime.date) -> int:
    """Add a tray with its looks and counts; return its pieces."""
    coral, pieces = rng.choice(list(CORALS)), int(rng.integers(6, 15))
    arrived, source = day - datetime.timedelta(days=int(rng.integers(1, 4))), f"supplier {rng.integers(1, 4)}"
    tank = f"tank {rng.integers(1, 4)}"
    rows["trays"].append((tray, session, coral, CORALS[coral], pieces, "arrival", source, arrived, "", tank))
    alive = pieces
    for since in LOOKS:
        dead, detached = rng.binomial(alive, 0.02), rng.binomial(alive - 1, 0.01)
        dead = min(dead, alive - 1 - detached)
        taken = alive - dead - detached if since == LOOKS[-1] else 0
        alive -= dead + detached + taken
        looked = day + datetime.timedelta(days=since)
        rows["checks"].append((tray, looked, alive, dead, detached, taken, "A"))
    for moment in ("before", "bath", "on piece"):
        found = int(rng.poisson(5 if moment == "before" else 2))
        dead = found if moment == "bath" else 0
        infested = min(found, pieces) if moment != "bath" else ""
        rows["pests"].append((tray, "flatworm", "adult", moment, day, pieces, found - dead, dead, infested))
    return pieces


def swapped(date: str) -> str:
    """Return a date with day and month in each other's place."""
    return f"{date[:5]}{date[8:10]}-{date[5:7]}{date[10:]}"


def times(factor: float):
    """Return a change of a cell by a factor."""
    return lambda cell: f"{float(cell) * factor:.10g}"


def cell(table: str, column: str, change, *, where=lambda frame: frame.index >= 0):
    """Return damage to one cell, not empty, of the rows where a condition holds."""

    def damage(tables: dict[str, pd.DataFrame], row: int) -> None:
        frame = tables[table]
        rows = frame.index[where(frame) & (frame[column] != "")]
        i = rows[row % len(rows)]
        frame.loc[i, column] = change(frame.loc[i, column])

    return damage


def trade(table: str, one: str, other: str, *, where=lambda frame: frame.index >= 0):
    """Return damage that swaps two cells of a row."""

    def damage(tables: dict[str, pd.DataFrame], row: int) -> None:
        frame = tables[table]
        rows = frame.index[where(frame)]
        i = rows[row % len(rows)]
        frame.loc[i, [one, other]] = frame.loc[i, [other, one]].to_numpy()

    return damage


def headers(table: str, one: str, other: str):
    """Return damage that swaps two headers of a table."""

    def damage(tables: dict[str, pd.DataFrame], row: int) -> None:
        tables[table] = tables[table].rename(columns={one: other, other: one})

    return damage


def without(table: str, rows):
    """Return damage that loses the rows of a table that `rows(frame, row)` marks."""

    def damage(tables: dict[str, pd.DataFrame], row: int) -> None:
        frame = tables[table]
        tables[table] = frame[~rows(frame, row)].reset_index(drop=True)

    return damage


def forgotten(tables: dict[str, pd.DataFrame], row: int) -> None:
    """Lose the trays of one session, with their looks and counts."""
    session = tables["sessions"]["session"].iloc[row % len(tables["sessions"])]
    for name in ("trays", "checks", "pests"):
        tables[name] = tables[name][~tables[name]["tray"].str.startswith(session)].reset_index(drop=True)


def twice(tables: dict[str, pd.DataFrame], row: int) -> None:
    """Write one session and its trays, looks and counts a second time, under other names."""
    session = tables["sessions"]["session"].iloc[row % len(tables["sessions"])]
    for name in ("sessions", "trays", "checks", "pests"):
        frame = tables[name]
        mine = frame["session"] == session if "session" in frame else frame["tray"].str.startswith(session)
        again = frame[mine].copy()
        for key in {"session", "tray"} & set(frame.columns):
            again[key] = "x" + again[key]
        tables[name] = pd.concat([frame, again], ignore_index=True)


def sold_whole(frame: pd.DataFrame) -> pd.Series:
    """Looks at which all pieces of a tray are taken out, none having been lost before."""
    counts = frame[["alive", "dead", "detached", "removed"]].astype(int)
    return counts["removed"] == counts.sum(axis=1).groupby(frame["tray"]).transform("first")


LITRES = 3.785411784
DAMAGE = {  # what was done: (damage, the code of the warning)
    "amount ten times": (cell("sessions", "amount", times(10)), "odd_figure"),
    "amount a tenth": (cell("sessions", "amount", times(0.1)), "odd_figure"),
    "amount in gallons": (cell("sessions", "amount", times(LITRES)), "odd_figure"),
    "volume ten times": (cell("sessions", "bath_volume", times(10)), "odd_figure"),
    "litres for gallons": (cell("sessions", "bath_volume", times(LITRES)), "odd_figure"),
    "gallons for litres": (cell("sessions", "bath_volume_unit", lambda unit: "US gal"), "odd_figure"),
    "volume of a thousandth": (cell("sessions", "bath_volume", times(0.001)), "odd_figure"),
    "minutes ten times": (cell("sessions", "minutes", times(10)), "odd_figure"),
    "people ten times": (cell("labour", "people", times(10)), "odd_figure"),
    "rinses ten times": (cell("sessions", "rinses", times(10)), "odd_figure"),
    "work of hours for minutes": (cell("labour", "minutes", times(60)), "odd_figure"),
    "water in another unit": (cell("sessions", "temperature", lambda t: "2.55"), "odd_figure"),
    "pests with a thousand too many": (
        cell("pests", "alive", lambda n: f"1{n:>03}", where=lambda frame: frame["moment"] == "before"), "odd_figure"),
    "drops of a tenth": (cell("agents", "drops_per_ml", times(0.1)), "odd_figure"),
    "evening for morning": (
        cell("sessions", "started", lambda t: f"{t[:11]}{int(t[11:13]) + 12:02}{t[13:]}"), "odd_date"),
    "no time": (cell("sessions", "started", lambda t: t[:10]), "odd_date"),
    "an arrival of last year": (cell("trays", "arrived", lambda d: f"2025{d[4:]}"), "odd_date"),
    "labour of last year": (cell("labour", "done", lambda d: f"2025{d[4:]}"), "far_date"),
    "a count of last year": (
        cell("pests", "counted", lambda d: f"2025{d[4:]}", where=lambda f: f["moment"] == "before"), "far_date"),
    "a count on the wrong side of the dip": (
        cell("pests", "moment", lambda m: "later", where=lambda frame: frame["moment"] == "on piece"), "odd_date"),
    "coral in another group": (cell("trays", "coral_group", lambda g: {"sps": "lps"}.get(g, "sps")), "odd_group"),
    "coral and source": (trade("trays", "coral", "source"), "swapped_cells"),
    "coral and water": (trade("trays", "coral", "system"), "swapped_cells"),
    "source and water": (trade("trays", "source", "system"), "swapped_cells"),
    "arrived and cut, one tray": (trade("trays", "arrived", "cut"), "swapped_cells"),
    "arrived and cut, headers": (headers("trays", "arrived", "cut"), "swapped_cells"),
    "pests alive and dead, headers": (headers("pests", "alive", "dead"), "swapped_cells"),
    "group and water, headers": (headers("trays", "coral_group", "system"), "group_for_coral"),
    "session and person, headers": (headers("labour", "session", "person"), "swapped_cells"),
    "dead and removed, headers": (headers("checks", "dead", "removed"), "dead_or_removed"),
    "dead and removed of a tray": (trade("checks", "dead", "removed", where=sold_whole), "dead_or_removed"),
    "pieces of work": (cell("labour", "pieces", times(10)), "labour_link"),
    "work without its session": (cell("labour", "session", lambda key: ""), "labour_link"),
    "pests of none looked at": (
        cell("pests", "examined", lambda n: "0", where=lambda frame: frame["infested"].isin(["", "0"])
             & (frame["moment"] == "on piece")), "pests_nowhere"),
    "trays lost": (forgotten, "bare_session"),
    "labour cut": (without("labour", lambda f, row: f.index >= len(f) - 1 - row % 60), "table_gap"),
    "labour lost within": (
        without("labour", lambda f, row: (f.index >= 40 + row % 20) & (f.index < 46 + row % 40)), "table_gap"),
    "pests cut": (without("pests", lambda f, row: f.index >= len(f) - 1 - row % 100), "table_gap"),
    "a session twice": (twice, "repeated_session"),
    "a limit of another kind": (cell("agents", "max_per_l_unit", lambda unit: "tablet"), "idle_limit"),
    "a unit alone": (cell("agents", "active_strength", lambda n: ""), "unit_alone"),
}  # fmt: skip
