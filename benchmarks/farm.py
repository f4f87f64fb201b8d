"""An invented large farm, written as fast as arrays can be drawn: what the benchmarks and the scale tests read.

Baths (agent, amount, volume, minutes) are drawn from the demo farm's; pieces, checks, pests and labour are drawn here,
with a frailty per session, re-dips of what was dipped a fortnight before, and counts made at the usual moments. Every
figure of it is invented.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv, parquet

DEMO = Path(__file__).parents[1] / "data" / "demo" / "log"
TRAYS_PER_SESSION = np.array([0.25, 0.35, 0.25, 0.15])  # 1 to 4 trays
REDIPPED, REDIP_DAYS, LAST_CHECK_BEFORE = 0.12, 14, 2
CHECK_DAYS = np.array([1, 3, 7, 14, 21, 30])
DEATHS = np.array([0.002, 0.006, 0.010, 0.012, 0.012, 0.012])  # by each check, times the session's frailty
DETACHED, REMOVED = 0.004, np.array([0.0, 0.0, 0.0, 0.03, 0.05, 0.20])
GROUPS, GROUP_SHARES = ["sps", "lps", "soft", "zoanthid", "mushroom"], [0.6, 0.16, 0.1, 0.08, 0.06]
CORALS = ["Acropora", "Favites", "Capnella", "Zoanthus", "Discosoma"]
PESTS = ["acropora-flatworm", "zoanthid-nudibranch"]
TASKS = {"mix": (1.0, 0.0), "dip": (3.0, 0.05), "watch": (2.5, 0.02), "rinse": (2.0, 0.1), "inspect": (1.0, 0.3),
         "record": (1.5, 0.05)}  # fmt: skip
FOUND, COUNTED_TRAYS = 2.0, 0.6  # mean pests on a tray, share of trays looked at for pests
KILL, FALL, SHAM_FALL = 0.9, 0.85, 0.15


def write_farm(
    folder: Path, *, sessions: int, days: int, seed: int = 1, kind: str = "csv", end: str = "2026-11-20"
) -> dict[str, int]:
    """Write a log of so many sessions over so many days up to `end`; `kind`: csv or parquet. Returns rows by table."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("agents.csv", "farm.toml"):
        if kind == "csv" or name.endswith(".toml"):
            shutil.copy(DEMO / name, folder / name)
    tables = draw_farm(sessions=sessions, days=days, seed=seed, end=end)
    if kind == "parquet":
        tables["agents"] = pa.Table.from_pandas(
            pd.read_csv(DEMO / "agents.csv", dtype={"agent": str}), preserve_index=False
        )
    for name, table in tables.items():
        if kind == "csv":
            csv.write_csv(table, folder / f"{name}.csv", csv.WriteOptions(quoting_style="none", quoting_header="none"))
        else:
            parquet.write_table(table, folder / f"{name}.parquet")
    return {name: len(table) for name, table in tables.items()}


def draw_farm(*, sessions: int, days: int, seed: int, end: str) -> dict[str, pa.Table]:
    """Return the tables of the log, all but the agents."""
    rng = np.random.default_rng(seed)
    last = int(np.datetime64(end, "D").astype(int))  # days since 1970-01-01, as all dates here
    baths = _baths(rng, sessions, days, last)
    trays = _trays(rng, baths)
    checks, alive = _checks(rng, trays, last)
    trays, checks = _redip(rng, baths, trays, checks, alive, last)
    return {
        "sessions": _sessions(baths),
        "trays": _tray_table(baths, trays),
        "checks": _check_table(trays, checks),
        "pests": _pests(rng, baths, trays, last),
        "labour": _labour(rng, baths, trays),
    }


def _keys(prefix: str, numbers: np.ndarray) -> pa.Array:
    return pc.binary_join_element_wise(prefix, pc.utf8_lpad(pa.array(numbers).cast(pa.string()), 7, "0"), "")


def _days(values: np.ndarray) -> pa.Array:
    return pa.array(values.astype("datetime64[D]")).cast(pa.string())


def _choose(words: list[str], codes: np.ndarray) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(codes, pa.int32()), words).cast(pa.string())


def _baths(rng: np.random.Generator, n: int, days: int, last: int) -> pd.DataFrame:
    names = ["agent", "amount", "amount_unit", "bath_volume", "bath_volume_unit", "minutes", "temperature",
             "temperature_unit", "agitation", "rinses", "ppe", "crew"]  # fmt: skip
    recipes = pd.read_csv(DEMO / "sessions.csv", dtype=str)[names]
    order = rng.integers(len(recipes), size=n)
    baths = recipes.iloc[order].reset_index(drop=True)
    when = np.sort(rng.integers(days * 600, size=n))  # ten working hours a day, by the minute
    baths["date"] = last - days + when // 600
    baths["minute"] = when % 600
    baths["frailty"] = rng.gamma(4.0, 0.25, size=n)
    baths["harm"] = baths["agent"].map({"sham": 0.6, "peroxide-short": 1.6, "permanganate-soak": 1.4}).fillna(1.0)
    baths["is_sham"] = baths["agent"] == "sham"
    return baths


def _trays(rng: np.random.Generator, baths: pd.DataFrame) -> pd.DataFrame:
    count = rng.choice(np.arange(1, 5), p=TRAYS_PER_SESSION, size=len(baths))
    bath = np.repeat(np.arange(len(baths)), count)
    n = len(bath)
    group = rng.choice(5, p=GROUP_SHARES, size=n)
    barred = (baths["agent"] == "peroxide-short").to_numpy()[bath] & (group == 0)  # not for the first group
    return pd.DataFrame({
        "bath": bath, "pieces": rng.integers(4, 14, size=n), "group": np.where(barred, 1, group),
        "coral": rng.integers(6, size=n), "condition": rng.choice(3, p=[0.67, 0.23, 0.1], size=n),
        "own": rng.random(n) < 0.45, "source": rng.integers(65, size=n), "parent": np.full(n, -1),
        "date": baths["date"].to_numpy()[bath], "risk": (baths["frailty"] * baths["harm"]).to_numpy()[bath],
    })  # fmt: skip


def _checks(rng: np.random.Generator, trays: pd.DataFrame, last: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the checks in order of tray and day, and the pieces alive after each, shape (n_trays, n_checks)."""
    alive, parts, seen = trays["pieces"].to_numpy().copy(), [], np.zeros((len(trays), len(CHECK_DAYS)), dtype=np.int64)
    for k, day in enumerate(CHECK_DAYS):
        dead = rng.binomial(alive, np.minimum(DEATHS[k] * trays["risk"], 0.9))
        detached = rng.binomial(alive - dead, DETACHED)
        removed = rng.binomial(alive - dead - detached, REMOVED[k])
        due = alive > 0
        alive = alive - dead - detached - removed
        seen[:, k] = alive
        rows = {"tray": np.flatnonzero(due), "k": k, "date": (trays["date"].to_numpy() + day)[due], "alive": alive[due]}
        ends = {"dead": dead[due], "detached": detached[due], "removed": removed[due]}
        parts.append(pd.DataFrame(rows | ends))
    checks = pd.concat(parts, ignore_index=True)
    checks = checks[checks["date"] <= last]
    return checks.sort_values(["tray", "k"], kind="stable", ignore_index=True), seen


def _redip(rng, baths, trays, checks, alive, last) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Dip some trays again a fortnight later: what was alive is removed from the first tray on that day."""
    again = (rng.random(len(trays)) < REDIPPED) & (alive[:, LAST_CHECK_BEFORE] > 0)
    place = np.searchsorted(baths["date"].to_numpy(), trays["date"].to_numpy() + REDIP_DAYS, side="right")
    again &= place < len(baths)
    place = np.where(again, place, 0)
    when = baths["date"].to_numpy()[place]
    again &= when <= last
    parent = np.flatnonzero(again)
    pieces = alive[parent, LAST_CHECK_BEFORE]
    kept = checks[~(again[checks["tray"].to_numpy()] & (checks["k"].to_numpy() > LAST_CHECK_BEFORE))]
    moved = pd.DataFrame({"tray": parent, "k": 9, "date": when[parent], "alive": 0, "dead": 0, "detached": 0,
                          "removed": pieces})  # fmt: skip
    risk = (baths["frailty"] * baths["harm"]).to_numpy()[place[parent]]
    more = trays.iloc[parent].assign(bath=place[parent], pieces=pieces, parent=parent, date=when[parent], risk=risk)
    later, _ = _checks(rng, more.reset_index(drop=True), last)
    later["tray"] += len(trays)
    whole = pd.concat([kept, moved, later]).sort_values(["tray", "k"], kind="stable", ignore_index=True)
    return pd.concat([trays, more], ignore_index=True), whole


def _sessions(baths: pd.DataFrame) -> pa.Table:
    minute = (baths["minute"] + 480).to_numpy()
    started = baths["date"].to_numpy().astype("datetime64[D]").astype("datetime64[m]") + minute
    columns = {"session": _keys("s", np.arange(len(baths))), "started": pa.array(np.datetime_as_string(started))}
    for name in ("agent", "amount", "amount_unit", "bath_volume", "bath_volume_unit", "minutes", "temperature",
                 "temperature_unit", "agitation", "rinses", "ppe", "crew"):  # fmt: skip
        columns[name] = pa.array(baths[name], pa.string(), from_pandas=True)
    return pa.table(columns)


def _tray_table(baths: pd.DataFrame, trays: pd.DataFrame) -> pa.Table:
    n = len(trays)
    group, coral = trays["group"].to_numpy(), trays["coral"].to_numpy()
    redip, own = trays["parent"].to_numpy() >= 0, trays["own"].to_numpy()
    corals = [f"{name} {i}" for name in CORALS for i in range(6)]
    sources = [f"supplier-{i}" for i in range(65)] + [f"mother-{i:03}" for i in range(65)]
    first = np.where(redip, trays["date"].to_numpy()[trays["parent"].to_numpy()], trays["date"].to_numpy())
    day, nothing = _days(first - 1), pa.nulls(n, pa.string())
    return pa.table({
        "tray": _keys("t", np.arange(n)), "session": _keys("s", trays["bath"].to_numpy()),
        "coral": _choose(corals, group * 6 + coral), "coral_group": _choose(GROUPS, group),
        "pieces": pa.array(trays["pieces"]),
        "origin": _choose(["arrival", "own cut", "re-dip"], np.where(redip, 2, own.astype(int))),
        "source": _choose(sources, trays["source"].to_numpy() + 65 * own),
        "arrived": pc.if_else(pa.array(own), nothing, day), "cut": pc.if_else(pa.array(own), day, nothing),
        "condition": _choose(["good", "fair", "poor"], trays["condition"].to_numpy()),
        "earlier_tray": pc.if_else(pa.array(redip), _keys("t", np.maximum(trays["parent"].to_numpy(), 0)), nothing),
        "system": _choose([f"quarantine-{i}" for i in range(3)], np.arange(n) % 3),
    })  # fmt: skip


def _check_table(trays: pd.DataFrame, checks: pd.DataFrame) -> pa.Table:
    n = len(checks)
    columns = {"tray": _keys("t", checks["tray"].to_numpy()), "checked": _days(checks["date"].to_numpy())}
    columns |= {name: pa.array(checks[name]) for name in ("alive", "dead", "detached", "removed")}
    columns |= {"receding": pa.array(np.zeros(n, np.int64), mask=np.arange(n) % 5 == 0)}
    return pa.table(columns | {"checker": _choose(list("ABC"), np.arange(n) % 3)})


def _pests(rng: np.random.Generator, baths: pd.DataFrame, trays: pd.DataFrame, last: int) -> pa.Table:
    """Counts of one pest a tray: adults before, in bath and rinse, still on and later; eggs on the pieces."""
    look = np.flatnonzero(rng.random(len(trays)) < COUNTED_TRAYS)
    n, date, pieces = len(look), trays["date"].to_numpy()[look], trays["pieces"].to_numpy()[look]
    sham = baths["is_sham"].to_numpy()[trays["bath"].to_numpy()[look]]
    before = rng.negative_binomial(0.5, 0.5 / (0.5 + FOUND), size=n)
    fell = rng.binomial(before, np.where(sham, SHAM_FALL, FALL))
    dead = rng.binomial(fell, np.where(sham, 0.02, KILL))
    rinsed = rng.binomial(fell, 0.2)
    zero, eggs = np.zeros(n, np.int64), rng.poisson(1.0, size=n)
    left, hatched = before - fell, rng.binomial(eggs, 0.3)
    rinsed_dead = np.minimum(rinsed, dead)
    bath_dead = dead - rinsed_dead
    counts = [  # stage, moment, days after, alive, dead, infested is told
        ("adult", "before", 0, before, zero, True), ("adult", "bath", 0, fell - rinsed - bath_dead, bath_dead, False),
        ("adult", "rinse", 0, rinsed - rinsed_dead, rinsed_dead, False), ("adult", "on piece", 0, left, zero, True),
        ("egg", "before", 0, eggs, zero, True), ("egg", "on piece", 0, eggs, zero, True),
        ("adult", "later", 7, left, zero, True), ("adult", "later", 14, left + hatched, zero, True),
    ]  # fmt: skip
    parts, kind = [], trays["group"].to_numpy()[look] % 2
    for stage, moment, days, alive, killed, told in counts:
        use = date + days <= last
        m = int(use.sum())
        infested = np.minimum(np.minimum(alive, pieces), 3)[use]
        parts.append(pa.table({
            "tray": _keys("t", look[use]), "pest": _choose(PESTS, kind[use]),
            "stage": _choose([stage], np.zeros(m, int)), "moment": _choose([moment], np.zeros(m, int)),
            "counted": _days((date + days)[use]), "examined": pa.array(pieces[use]), "alive": pa.array(alive[use]),
            "dead": pa.array(killed[use]), "infested": pa.array(infested, mask=np.full(m, not told)),
        }))  # fmt: skip
    whole = pa.concat_tables(parts)
    return whole.take(pa.array(np.argsort(whole["counted"].to_numpy(zero_copy_only=False), kind="stable")))


def _labour(rng: np.random.Generator, baths: pd.DataFrame, trays: pd.DataFrame) -> pa.Table:
    pieces = np.bincount(trays["bath"], trays["pieces"], len(baths)).astype(np.int64)
    sessions, crew = np.arange(len(baths)), baths["crew"].fillna("1").to_numpy()
    parts = []
    for task, (fixed, each) in TASKS.items():
        minutes = np.maximum(((fixed + each * pieces) * rng.lognormal(0.0, 0.3, size=len(baths))).round(1), 0.1)
        parts.append(pa.table({
            "done": _days(baths["date"].to_numpy()), "task": _choose([task], np.zeros(len(baths), int)),
            "people": pa.array(crew, pa.string()), "minutes": pa.array(minutes).cast(pa.string()),
            "session": _keys("s", sessions), "pieces": pa.array(pieces),
        }))  # fmt: skip
    days = np.unique(baths["date"].to_numpy())
    parts.append(pa.table({
        "done": _days(days), "task": _choose(["clean"], np.zeros(len(days), int)),
        "people": pa.array(["2"] * len(days)),
        "minutes": pa.array(rng.integers(20, 60, size=len(days))).cast(pa.string()),
        "session": pa.nulls(len(days), pa.string()), "pieces": pa.nulls(len(days), pa.int64()),
    }))  # fmt: skip
    return pa.concat_tables(parts)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sessions", type=int, default=100_000)
    parser.add_argument("--days", type=int, default=3650)
    parser.add_argument("--kind", choices=("csv", "parquet"), default="csv")
    args = parser.parse_args()
    print(write_farm(args.folder, sessions=args.sessions, days=args.days, kind=args.kind))
