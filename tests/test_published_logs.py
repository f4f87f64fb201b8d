"""Published cases as a farm would have logged them: what is printed there is what the pages say, digit for digit.

Limits differ where the pages count by session; each test says which agree.
"""

import datetime
import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from afterdip.answers.dose_response import answer_dose_response
from afterdip.answers.follow_up import answer_follow_up
from afterdip.answers.removal import answer_removal
from afterdip.answers.survival import answer_survival
from afterdip.log import read_log
from builders import write_log
from textbook import printed

DAY = datetime.date(2026, 9, 1)
AS_OF = "2026-10-31"
MONTH = {"month": "2026-09", "as_of": AS_OF}
AGENTS = pd.DataFrame(
    {"agent": ["POW", "SHAM"], "active": ["levamisole", "none"], "is_control": ["no", "yes"],
     "active_strength": ["100", ""], "strength_unit": ["% w/w", ""]}
)  # fmt: skip


def reference(name, case):
    path = Path(__file__).parent / "reference" / f"{name}.json"
    return json.loads(path.read_text(encoding="utf-8"))[case]["data"]


def later(days):
    return (DAY + datetime.timedelta(days=int(days))).isoformat()


class Farm:
    """A log that grows by one session of one tray at a time."""

    def __init__(self, farm=""):
        self.sessions, self.trays, self.checks, self.pests, self.farm = [], [], [], [], farm

    def dip(self, pieces, *, strength=100.0, day=0, coral="Acropora sp."):
        """Dip one tray in a bath of its own, in tank water where `strength` is 0."""
        key, at = f"B{len(self.sessions):02}", len(self.sessions)
        amount = (f"{strength:.10f}", "mg/L") if strength else ("", "")
        agent = "POW" if strength else "SHAM"
        self.sessions.append((key, f"{later(day)}T{8 + at // 6:02}:{at % 6}0", agent, *amount, 10, "L", 10))
        self.trays.append((key, key, coral, "sps", pieces, "arrival", f"lot {key}", later(day - 2), "Q"))
        return key

    def look(self, tray, day, alive, dead=0):
        self.checks.append((tray, later(day), alive, dead, 0, 0))

    def count(self, tray, moment, day, examined, alive, dead=0, infested="", stage="adult"):
        self.pests.append((tray, "flatworm", stage, moment, later(day), examined, alive, dead, infested))

    def log(self, folder):
        tables = {
            "sessions": "session started agent amount amount_unit bath_volume bath_volume_unit minutes",
            "trays": "tray session coral coral_group pieces origin source arrived system",
            "checks": "tray checked alive dead detached removed",
            "pests": "tray pest stage moment counted examined alive dead infested",
        }
        frames = {name: pd.DataFrame(getattr(self, name), columns=names.split()) for name, names in tables.items()}
        return read_log(write_log({"agents": AGENTS, **frames, "farm": self.farm}, folder), as_of=AS_OF)


def test_survival_of_leukaemia_and_the_ratio_to_the_control(tmp_path):
    """Freireich et al. 1963: .538 alive at 22 weeks against 1 of 21; Efron's hazard ratio exp(-1.572) (MASS).

    A week is a day here and a patient a tray of one, looked at the day before the end and on it.
    """
    data = reference("survival", "A1")
    farm = Farm("[targets]\nhorizon_days = 22\n")
    for day, dead, arm in zip(data["time"], data["cens"], data["treat"], strict=True):
        tray = farm.dip(1, strength=100.0 if arm == "6-MP" else 0.0)
        if day > 1:
            farm.look(tray, day - 1, 1)
        farm.look(tray, day, 1 - dead, dead)
    found = answer_survival(farm.log(tmp_path), **MONTH).to_json()
    treated, control = found["agents"]
    assert treated["alive"]["estimate"] == printed(0.538, 3)
    assert control["alive"]["estimate"] == pytest.approx(1 / 21)
    assert math.log(found["adjusted"]["agents"][0]["hazard_ratio"]["estimate"]) == printed(-1.572, 3)


def test_lethal_concentration_of_beetles(tmp_path):
    """Bliss 1935 (B1): slope 34.27 and LC50 10^1.7717 by the logit, 10^1.7788 by the complementary log-log.

    Limits are wider here, by the scatter of eight baths. Strengths are written to ten decimals of mg/L, for the doses
    are printed as logarithms.
    """
    data = reference("dose_response", "B1")
    farm = Farm()
    for dose, beetles, killed in zip(data["log10dose"], data["n"], data["killed"], strict=True):
        tray = farm.dip(beetles, strength=10.0**dose)
        farm.look(tray, 31, beetles)
        farm.count(tray, "bath", 0, beetles, beetles - killed, killed)
        farm.count(tray, "on piece", 0, beetles, 0)
    (curve,) = answer_dose_response(farm.log(tmp_path), **MONTH).to_json()["kill"]
    assert curve["slope"]["estimate"] == printed(34.27, 2)
    assert math.log10(curve["lc50"]["estimate"]) == printed(1.7717, 4)
    assert math.log10(curve["links"]["cloglog"]["estimate"]) == printed(1.7788, 4)


def test_reduction_against_a_sham_before_and_after(tmp_path):
    """Henderson & Tilton 1955: 200 before and 10 after, 100 and 80 of the sham: 15/16; five baths of each."""
    farm = Farm()
    for strength, before, after in ((100.0, [40] * 5, [2, 1, 4, 0, 3]), (0.0, [20] * 5, [16, 15, 18, 14, 17])):
        for had, has in zip(before, after, strict=True):
            tray = farm.dip(20, strength=strength)
            farm.look(tray, 31, 20)
            farm.count(tray, "before", 0, 20, had)
            farm.count(tray, "bath", 0, 20, 0, had - has)
            farm.count(tray, "on piece", 0, 20, has)
    cell = answer_removal(farm.log(tmp_path), **MONTH).to_json()["cells"][0]
    found = {reduction["name"]: reduction["reduction"]["estimate"] for reduction in cell["reductions"]}
    expected = {"before/after": 190 / 200, "Abbott": 1 - 10 / 80, "Henderson-Tilton": 15 / 16}
    expected["Schneider-Orelli"] = (190 / 200 - 20 / 100) / (1 - 20 / 100)
    assert found == pytest.approx(expected)


def test_prevalence_before_after_and_when_it_came_back(tmp_path):
    """Open counts of 192 pieces in 8 tanks: 6.06-15.02 %, 0-1.90 % and 0.32-4.50 %, exact as if pieces were alone.

    The limits printed for the farm hold these; the baths differ so little that the first ones are these.
    """
    farm = Farm()
    worms, infested = [9, 7, 5, 4, 4, 4, 4, 4], [4, 3, 2, 2, 2, 2, 2, 2]
    back, infested_again = [2, 1, 1, 0, 0, 0, 0, 0], [1, 1, 1, 0, 0, 0, 0, 0]
    for i in range(8):
        tray = farm.dip(24)
        farm.look(tray, 31, 24)
        farm.count(tray, "before", 0, 24, worms[i], 0, infested[i], stage="any")
        farm.count(tray, "on piece", 0, 24, 0, 0, 0, stage="any")
        farm.count(tray, "later", 5, 24, back[i], 0, infested_again[i], stage="any")
    cell = answer_removal(farm.log(tmp_path), **MONTH).to_json()["cells"][0]
    alone = [look["prevalence_if_independent"] for look in cell["looks"]]
    limits = [[100 * look["low"], 100 * look["high"]] for look in alone]
    assert np.concatenate(limits).tolist() == printed([6.06, 15.02, 0, 1.90, 0.32, 4.50], 2)
    for farms, pieces in zip([look["prevalence"] for look in cell["looks"]], alone, strict=True):
        assert farms["low"] <= pieces["low"] <= pieces["high"] <= farms["high"]
    assert (cell["follow_up"]["looked_clean"], cell["follow_up"]["came_back"]) == (8, 3)
    assert cell["follow_up"]["verdict"].startswith("not clean")


def test_a_lot_of_a_hundred_needs_seventy_eight(tmp_path):
    """Cannon & Roe 1982: 78 of 100 without a find rule out 2 % at 95 %; 77 do not."""
    farm = Farm(
        "[farm]\nwater_temperature_c = 26\n[release]\ndesign_prevalence = 0.02\ninspection_sensitivity = 1.0\n"
        "[pests.flatworm]\nhatch_days_latest = 22\nfirst_laying_days_earliest = 16\nat_temperature_c = 26\n"
        'source = "the farm"\n'
    )
    for examined in (78, 77):
        tray = farm.dip(100, day=-31)
        farm.look(tray, 30, 100)
        farm.count(tray, "on piece", -31, 100, 0, 0, 0, stage="any")
        farm.count(tray, "later", 30, examined, 0, 0, 0, stage="any")
    found = {lot["examined"]: lot for lot in answer_follow_up(farm.log(tmp_path), **MONTH).to_json()["releases"]}
    assert found[78]["decision"] == "release"
    assert found[77]["decision"] != "release"
    # The chance to miss both: C(22, 2) / C(100, 2), and C(23, 2) / C(100, 2).
    assert found[78]["confidence"]["estimate"] == pytest.approx(1 - 22 * 21 / (100 * 99))
    assert found[77]["confidence"]["estimate"] == pytest.approx(1 - 23 * 22 / (100 * 99))
