"""The demo farm's files: the same bytes from the seed, and a log that keeps every rule, checked with plain pandas."""

import ast
import json
import tomllib
from pathlib import Path

import pandas as pd
import pytest

import afterdip.demo
from afterdip.demo import write_demo, write_demo_with_truth
from afterdip.demo.chance import Chance, Urn
from afterdip.log import read_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
LOG = DEMO / "log"
TABLES = ("agents", "sessions", "trays", "checks", "pests", "labour")
AS_OF = "2026-11-20"


@pytest.fixture(scope="module")
def tables():
    return {name: pd.read_csv(LOG / f"{name}.csv", dtype=str, keep_default_na=False) for name in TABLES}


@pytest.fixture(scope="module")
def truth():
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def followed(tables):
    """Checks with their tray's dip day, numbers as numbers, in order of date within a tray."""
    day_of = tables["trays"].merge(tables["sessions"], on="session")[["tray", "started", "pieces"]]
    checks = tables["checks"].merge(day_of, on="tray", validate="many_to_one")
    numbers = ["alive", "dead", "detached", "removed", "pieces"]
    checks[numbers] = checks[numbers].astype(int)
    return checks.sort_values(["tray", "checked"], kind="stable")


def test_the_seed_gives_the_committed_bytes(tmp_path):
    write_demo_with_truth(tmp_path)
    written = {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file()}
    assert written == {p.relative_to(DEMO) for p in DEMO.rglob("*") if p.is_file()} - {Path("README.md")}
    for name in written:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_write_demo_writes_the_log_only(tmp_path):
    write_demo(tmp_path / "new" / "log")
    assert {p.name for p in (tmp_path / "new" / "log").iterdir()} == {p.name for p in LOG.iterdir()}
    assert b"\r" not in (tmp_path / "new" / "log" / "checks.csv").read_bytes()


def test_only_uniform_draws_are_made():
    for path in Path(afterdip.demo.__file__).parent.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
        imported |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and not n.level}
        assert not imported & {"numpy", "scipy", "pandas", "time", "secrets"}, path.name
        assert "random" not in imported or path.name == "chance.py"
        calls = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute) and isinstance(n.value, ast.Name)
                 and n.value.id == "random"}
        assert calls <= {"Random"}, path.name


@pytest.mark.parametrize("probability", [0.03, 0.5, 0.97])
def test_urn_gives_beta_binomial_counts(probability):
    # Blackwell & MacQueen 1973: mean n p, variance n p (1-p) (1 + (n-1) rho); bounds are 5 standard errors.
    chance, rho, n, sessions = Chance(1), 0.1, 20, 4000
    urns = [Urn(chance, rho) for _ in range(sessions)]
    counts = pd.Series([sum(urn.draw() < probability for _ in range(n)) for urn in urns])
    variance = n * probability * (1 - probability) * (1 + (n - 1) * rho)
    assert abs(counts.mean() - n * probability) < 5 * (variance / sessions) ** 0.5
    assert counts.var() == pytest.approx(variance, rel=0.2)


def test_size(tables):
    pieces = tables["trays"]["pieces"].astype(int)
    assert 850 <= len(tables["sessions"]) <= 1000
    assert 18_000 <= pieces.sum() <= 21_000
    assert pieces.min() == 1
    assert 1e6 < sum(p.stat().st_size for p in LOG.iterdir()) < 4e6


@pytest.mark.parametrize("table, key", [
    ("agents", ["agent"]), ("sessions", ["session"]), ("trays", ["tray"]), ("checks", ["tray", "checked"]),
    ("pests", ["tray", "pest", "stage", "moment", "counted"]),
])
def test_keys_are_unique(tables, table, key):
    assert not tables[table].duplicated(key).any()
    assert tables["sessions"]["session"].iloc[0] == "0001"


def test_references_hold(tables):
    sessions, trays = tables["sessions"], tables["trays"]
    assert set(sessions["agent"]) == set(tables["agents"]["agent"])
    assert set(trays["session"]) == set(sessions["session"])
    assert set(tables["checks"]["tray"]) | set(tables["pests"]["tray"]) <= set(trays["tray"])
    assert set(tables["labour"]["session"]) - {""} <= set(sessions["session"])


def test_dates(tables):
    started = tables["sessions"]["started"]
    assert started.is_monotonic_increasing
    assert started.min()[:10] == "2025-08-01"
    assert started.max()[:10] == "2026-11-18"
    for table, column in (("checks", "checked"), ("pests", "counted"), ("labour", "done")):
        assert tables[table][column].max() <= AS_OF
    assert tables["labour"]["done"].max() == AS_OF
    trays = tables["trays"].merge(tables["sessions"], on="session")
    for column in ("arrived", "cut"):
        assert (trays[column] <= trays["started"].str[:10]).all()
    mixed = tables["sessions"].query("mixed != ''")
    assert (mixed["mixed"] < mixed["started"]).all()


def test_every_piece_is_accounted_for(followed):
    assert (followed["checked"] > followed["started"].str[:10]).all()
    before = followed.groupby("tray")["alive"].shift().fillna(followed["pieces"])
    assert (before == followed[["alive", "dead", "detached", "removed"]].sum(axis=1)).all()
    assert (followed[["alive", "dead", "detached", "removed"]] >= 0).all(axis=None)


def test_pest_counts_fit_the_pieces(tables):
    pests = tables["pests"].merge(tables["trays"][["tray", "pieces"]], on="tray")
    counts = pests[["examined", "alive", "dead", "pieces"]].astype(int)
    infested = pd.to_numeric(pests["infested"])
    assert (counts["examined"].between(1, counts["pieces"])).all()
    assert not (infested > counts["examined"]).any()
    assert not (infested > counts["alive"] + counts["dead"]).any()
    assert set(pests["stage"]) == {"adult", "juvenile", "egg", "any"}
    assert set(pests["moment"]) == {"before", "bath", "rinse", "on piece", "later"}


def test_redipped_pieces_leave_their_tray(tables, followed):
    trays = tables["trays"].merge(tables["sessions"][["session", "started", "agent"]], on="session")
    again = trays[trays["earlier_tray"] != ""].assign(checked=lambda t: t["started"].str[:10])
    taken = again.assign(taken=again["pieces"].astype(int)).groupby(["earlier_tray", "checked"])["taken"].sum()
    removed = followed.set_index(["tray", "checked"])["removed"]
    left = removed.reindex(taken.index.set_names(["tray", "checked"])).to_numpy()
    assert (left >= taken.to_numpy()).all()  # pieces sold since the check before are in `removed` too
    assert (left == taken.to_numpy()).mean() > 0.8
    assert set(again["origin"]) == {"re-dip"}
    assert 50 < again["session"].nunique() < 250
    assert again["earlier_tray"].isin(again["tray"]).sum() > 20  # third dips


def test_what_is_alive_at_the_last_round_leaves(followed):
    day = (pd.to_datetime(followed["checked"]) - pd.to_datetime(followed["started"].str[:10])).dt.days
    last = followed[day >= 43]
    assert len(last) > 1000
    assert (last["alive"] == 0).all()
    assert (last["removed"] > 0).mean() > 0.9
    assert day.max() == 48


def test_every_month_has_a_sham_and_the_trial_is_in_blocks(tables):
    sessions = tables["sessions"].assign(month=lambda t: t["started"].str[:7])
    sham = sessions[sessions["agent"] == "sham"]
    assert set(sham["month"]) == set(sessions["month"])
    assert len(set(sessions["month"])) == 16
    blocks = sessions[sessions["randomised"] == "yes"].groupby("note")["agent"].agg(sorted)
    assert set(blocks.map(tuple)) == {("salt-step", "sham", "worm-bath")}


def test_it_says_that_it_is_invented():
    settings = tomllib.loads((LOG / "farm.toml").read_text(encoding="utf-8"))
    assert "invented" in settings["farm"]["name"]
    assert "invented" in settings["pests"]["montipora-nudibranch"]["source"]
    assert "acropora-flatworm" not in settings["pests"]
    assert "Everything here is invented" in (DEMO / "README.md").read_text(encoding="utf-8")


CODES = {
    "separates without agitation": "no_agitation", "signal word danger, no protection": "no_ppe",
    "fewer rinses than needed": "too_few_rinses", "exposure over the farm's limit": "over_max_minutes",
    "amount written 12 times what went in": "strength_jump", "coral name misspelt": "coral_spelling",
    "coral group the agent is not for": "not_for",
}


def test_read_log_loads_it_and_warns_of_every_flaw(truth):
    log = read_log(LOG, as_of=AS_OF)
    found = {(w.code, w.session) for w in log.warnings}
    planted = {(CODES[flaw["flaw"]], flaw["session"]) for flaw in truth["flaws"]}
    assert len(planted) == len(truth["flaws"])
    assert planted - found <= {p for p in planted if p[0] == "coral_spelling" and (p[0], None) in found}
    jump = next(session for code, session in planted if code == "strength_jump")
    extra = {(code, session) for code, session in found - planted
             if code not in ("late_check", "never_checked", "coral_spelling")}
    assert extra == {("off_label", None), ("over_max_strength", jump)}
    assert {"late_check", "never_checked"} <= {code for code, _ in found}
