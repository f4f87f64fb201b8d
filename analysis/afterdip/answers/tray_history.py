"""What is known of each tray in hand and each pest: its dips, living finds on its pieces, and looks without gaps."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from afterdip.follow_up import LifeCycle, Series, days_until_hatched, read_series
from afterdip.tally.follow_up import ON_PIECES, LotTally

GROWN = ("adult", "any")


class Find(NamedTuple):
    """Living pests seen on the pieces: place of the dip before (-1: none), day, stage and moment."""

    after: int
    day: int
    stage: str
    moment: str


@dataclass(frozen=True, slots=True)
class TrayHistory:
    """Look-ups by tray, or by (tray, pest).

    `dips`: (day, agent) in order, sham dips left out; `alive`: living finds on the pieces; `whole`: (day, share of the
    pieces there) of looks for every moving stage; `counted`: pairs with any count.
    """

    dips: dict[str, list[tuple[int, str]]]
    alive: dict[tuple[str, str], list[Find]]
    whole: dict[tuple[str, str], list[tuple[int, float]]]
    counted: set[tuple[str, str]]

    def series(self, tray: str, pest: str, life: LifeCycle) -> Series:
        """Read a tray's dips against a pest.

        Able to lay: adults, or stage not told, alive on the pieces after a dip; juveniles alive on them right after
        it, which outlived it and grow up; living eggs seen when all those laid before the dip had hatched.
        """
        days = [day for day, _ in self.dips[tray]]
        layers, living = [False] * len(days), [False] * len(days)
        until = days_until_hatched(life)
        for find in self.alive[tray, pest]:
            if find.after >= 0:
                living[find.after] = True
                fresh_egg = find.stage == "egg" and until is not None and find.day >= days[find.after] + until
                survivor = find.stage == "juvenile" and find.moment == "on piece"
                layers[find.after] |= find.stage in GROWN or survivor or fresh_egg
        return read_series(days, layers, living, life=life)


def read_history(tally: LotTally) -> TrayHistory:
    """Sort a tally's dips and looks by tray and pest."""
    dips, alive, whole = defaultdict(list), defaultdict(list), defaultdict(list)
    for row in tally.dips.sort_values(["tray", "place"]).itertuples(index=False):
        dips[row.tray].append((int(row.day), str(row.agent)))
    on_pieces = tally.looks[tally.looks["moment"].isin(ON_PIECES)]
    for row in on_pieces[on_pieces["alive"] > 0].itertuples(index=False):
        alive[row.tray, row.pest].append(Find(int(row.after), int(row.day), row.stage, row.moment))
    for row in whole_looks(on_pieces).itertuples(index=False):
        whole[row.tray, row.pest].append((int(row.day), float(row.share)))
    counted = set(zip(tally.looks["tray"], tally.looks["pest"], strict=True))
    return TrayHistory(dips, alive, whole, counted)


def whole_looks(looks: pd.DataFrame) -> pd.DataFrame:
    """Looks for every stage that moves, adults and juveniles or stage not told: one row a tray, pest and day, in order.

    `share`: of the pieces there, looked at for the least looked-for of these stages; of several looks on a day the
    largest. A look for adults alone is none: it may have passed over hatchlings.
    """
    keys = ["tray", "pest", "of_tray", "day", "moment"]
    share = (looks["examined"] / looks["there"].clip(lower=1)).clip(upper=1.0)
    stages = looks.assign(share=share).groupby([*keys, "stage"])["share"].max().unstack("stage")
    stages = stages.reindex(columns=["adult", "juvenile", "any"])
    told = np.minimum(stages["adult"], stages["juvenile"])  # missing where either is
    best = np.fmax(told, stages["any"]).dropna()
    return best.rename("share").reset_index().groupby(["tray", "pest", "day"], as_index=False)["share"].max()
