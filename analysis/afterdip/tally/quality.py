"""What was written down, week by week; what in the handling can hurt; and whether the pieces add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from afterdip.log.model import Log
from afterdip.tally.survival import SurvivalTally

ORDERED = ("off label", "vet order")  # bases of use that ask for a note of who ordered it
HAZARDS = ("no_ppe", "not_for", "over_max_strength", "over_max_minutes", "no_agitation", "too_few_rinses")
FATES = ("dead", "detached", "removed", "alive")
ITEMS = ("pests counted", "trays checked when due", "bottle number", "protection", "bath temperature", "labour")


def tally_records(log: Log) -> pd.DataFrame:
    """Return one row a session: session, date, agent, is_control, trays, and per item of ITEMS done and due counts.

    Columns `<item>, done` and `<item>, due`; bottle and protection are not due of a sham. A tray counts as checked when
    due unless the log warns of it; one not seen yet whose first look is still to come is not due.
    """
    s = log.sessions[["session", "date", "agent", "is_control"]].copy()
    trays = s["session"].map(log.trays.groupby("session").size()).fillna(0).astype(np.int64)
    tray_session = log.trays.set_index("tray")["session"]
    counted = s["session"].isin(log.pests["tray"].map(tray_session))
    warned = {code: _by_session(log, code) for code in ("never_checked", "late_check")}
    late, unseen = warned["never_checked"].add(warned["late_check"], fill_value=0), warned["never_checked"]
    missed = s["session"].map(late).fillna(0).astype(np.int64)
    seen = log.trays[log.trays["tray"].isin(log.checks["tray"])].groupby("session").size()
    asked = s["session"].map(seen.add(unseen, fill_value=0)).fillna(0).astype(np.int64)
    dip = (~s["is_control"]).astype(np.int64)
    done = {
        "pests counted": (counted, 1),
        "trays checked when due": (asked - missed, asked),
        "bottle number": (log.sessions["lot"].notna() & ~s["is_control"], dip),
        "protection": (log.sessions["ppe"].notna() & ~s["is_control"], dip),
        "bath temperature": (log.sessions["temperature_c"].notna(), 1),
        "labour": (s["session"].isin(log.labour["session"].dropna()), 1),
    }
    columns = {}
    for item in ITEMS:
        columns[f"{item}, done"], columns[f"{item}, due"] = done[item]
    return s.assign(trays=trays, **columns).astype(dict.fromkeys(columns, np.int64))


def _by_session(log: Log, code: str) -> pd.Series:
    """Warnings of a code by session."""
    return pd.Series([w.session for w in log.warnings if w.code == code], dtype=object).value_counts()


def tally_hazards(log: Log) -> pd.DataFrame:
    """Return one row a session and hazard: session, date, agent, kind, detail, in order of time.

    Kinds are the codes of the log's warnings (HAZARDS), `partial_ppe` (protection worn in part with signal word danger)
    and `no_order` (a product used off label or on a veterinarian's order, nothing in the session's note).
    """
    about = log.sessions[["session", "started", "date", "agent", "ppe", "note"]].merge(
        log.agents[["agent", "signal_word", "basis"]], on="agent", how="left"
    )
    found = [(w.session, w.code, w.message) for w in log.warnings if w.code in HAZARDS]
    partial = about[(about["signal_word"] == "danger") & (about["ppe"] == "partial")]
    found += [(name, "partial_ppe", "protection worn in part") for name in partial["session"]]
    silent = about[about["basis"].isin(ORDERED) & about["note"].isna()]
    found += [(name, "no_order", f"{basis}, no note") for name, basis in zip(silent["session"], silent["basis"],
                                                                          strict=True)]  # fmt: skip
    frame = pd.DataFrame(found, columns=["session", "kind", "detail"], dtype=object)
    frame = frame.merge(about[["session", "started", "date", "agent"]], on="session", how="left")
    return frame.sort_values(["started", "session", "kind"], kind="stable", ignore_index=True).drop(columns="started")


@dataclass(frozen=True, slots=True)
class Conservation:
    """Pieces at their first dip and what became of them: died, came off, taken out alive, alive at the last look, or
    never looked at. `redipped`: pieces that went on into another dip, counted once; `longest`: dips of the longest
    series. `balance`: pieces in less all ends, 0 where nothing is lost or made up.
    """  # fmt: skip

    pieces: int
    dead: int
    detached: int
    removed: int
    alive: int
    never_checked: int
    redipped: int
    longest: int

    @property
    def balance(self) -> int:
        """Pieces in, less every end."""
        return self.pieces - self.dead - self.detached - self.removed - self.alive - self.never_checked

    def to_json(self) -> dict[str, int]:
        """Return the counts by name."""
        return {name: getattr(self, name) for name in self.__slots__} | {"balance": self.balance}


def conservation(log: Log, tally: SurvivalTally, keep: np.ndarray) -> Conservation:
    """Follow the pieces of the first-dip trays kept, bool (n_trays,), through their chains; `tally`: tally_survival's.

    Pieces in are those of the trays table; the ends come from the checks: two sources that must agree.
    """
    part = tally.select(keep)
    seen = part.trays["checked"].to_numpy(bool)[part.tray]
    ends = {name: int(getattr(part, name)[seen].sum()) for name in FATES}
    series = part.trays.loc[part.trays["dips"] > 1, "tray"]
    return Conservation(
        pieces=int(part.trays["pieces"].sum()), **ends, never_checked=int(part.alive[~seen].sum()),
        redipped=_redipped(log, series), longest=int(part.trays["dips"].max()) if len(part.trays) else 0,
    )  # fmt: skip


def _redipped(log: Log, first: pd.Series) -> int:
    """Pieces of these trays that came to a second dip."""
    return int(log.trays.loc[log.trays["earlier_tray"].isin(first), "pieces"].sum())


def moves_not_written(log: Log) -> pd.DataFrame:
    """Return re-dips whose earlier tray shows fewer pieces removed by that day than came: tray, date, came, removed.

    `tray` is the earlier one, `date` the day of the re-dip.
    """
    moved = log.trays[log.trays["earlier_tray"].notna()].merge(log.sessions[["session", "date"]], on="session")
    moved = moved.groupby(["earlier_tray", "date"], as_index=False)["pieces"].sum()
    moved = moved.rename(columns={"earlier_tray": "tray", "pieces": "came"}).sort_values(["date", "tray"])
    moved["came_so_far"] = moved.groupby("tray")["came"].cumsum()
    checks = log.checks.loc[log.checks["tray"].isin(moved["tray"]), ["tray", "checked", "removed"]]
    checks = checks.merge(moved[["tray", "date"]], on="tray")
    removed = checks[checks["checked"] <= checks["date"]].groupby(["tray", "date"])["removed"].sum()
    moved["removed"] = removed.reindex(pd.MultiIndex.from_frame(moved[["tray", "date"]])).fillna(0).to_numpy(np.int64)
    return moved[moved["removed"] < moved["came_so_far"]].drop(columns="came_so_far").reset_index(drop=True)
