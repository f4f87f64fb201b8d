"""What was planted in the demo farm can be seen in its files, by plain sums and a library's regressions.

The log is one draw, and was chosen so that its effects show; the bounds here are two to three standard errors wide.
"""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

DEMO = Path(__file__).parents[1] / "data" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
ML_PER_DROP, LITRES_PER_GALLON = 1 / 20, 3.785411784


def read(name):
    return pd.read_csv(DEMO / "log" / f"{name}.csv", dtype=str, keep_default_na=False)


@pytest.fixture(scope="module")
def sessions():
    table = read("sessions").set_index("session")
    table["litres"] = table["bath_volume"].astype(float) * np.where(
        table["bath_volume_unit"] == "US gal", LITRES_PER_GALLON, 1.0)
    table["minutes"] = table["minutes"].astype(float)
    table["date"] = pd.to_datetime(table["started"].str[:10])
    return table


@pytest.fixture(scope="module")
def trays(sessions):
    table = read("trays").merge(sessions, left_on="session", right_index=True)
    table["pieces"] = table["pieces"].astype(int)
    return table


@pytest.fixture(scope="module")
def checks(trays):
    table = read("checks").merge(trays, on="tray")
    counts = ["alive", "dead", "detached", "removed"]
    table[counts] = table[counts].astype(int)
    table["day"] = (pd.to_datetime(table["checked"]) - table["date"]).dt.days
    last = ~table.sort_values("day").duplicated("tray", keep="last").reindex(table.index)
    table["left"] = table["detached"] + table["removed"] + np.where(last, table["alive"], 0)
    return table


@pytest.fixture(scope="module")
def found(trays):
    """Mobile pests of each session, pest and stage at the dip: all found, dead, off the piece."""
    table = read("pests").query("moment in ['bath', 'rinse', 'on piece'] and stage != 'egg'")
    table = table.assign(dead=table["dead"].astype(int), n=table["alive"].astype(int) + table["dead"].astype(int))
    table["off"] = table["n"].where(table["moment"] != "on piece", 0)
    table = table.merge(trays[["tray", "session"]], on="tray")
    table = table.groupby(["session", "pest", "stage"], as_index=False)[["n", "dead", "off"]].sum()
    return table[table["n"] > 0]


def loss(checks, horizon=33):
    """Loss by the check of day 29-33, product-limit, and its session-robust standard error."""
    days, at = np.unique(checks["day"], return_inverse=True)
    labels, row = np.unique(checks["session"], return_inverse=True)
    dead, left = np.zeros((2, len(labels), len(days)))
    np.add.at(dead, (row, at), checks["dead"])
    np.add.at(left, (row, at), checks["left"])
    risk = (dead + left)[:, ::-1].cumsum(axis=1)[:, ::-1]
    seen = days <= horizon
    hazard = dead.sum(axis=0) / risk.sum(axis=0)
    alive = np.prod(1.0 - hazard[seen])
    pull = alive * ((dead - risk * hazard) / (risk - dead).sum(axis=0))[:, seen].sum(axis=1)
    return 1.0 - alive, math.sqrt((pull**2).sum() * len(labels) / (len(labels) - 1))


def of(table, sessions, agent):
    return table[table["session"].map(sessions["agent"]) == agent]


def fit(rows, *columns):
    """Logistic regression of deaths with session-robust errors."""
    model = sm.GLM(rows[["dead"]].assign(alive=rows["n"] - rows["dead"]).to_numpy(),
                   sm.add_constant(np.column_stack(columns)), family=sm.families.Binomial())
    return model.fit(cov_type="cluster", cov_kwds={"groups": pd.factorize(rows["session"])[0]})


@pytest.mark.parametrize("name", TRUTH["expected"])
def test_losses_are_those_expected(name, checks):
    rows = checks[checks["agent"] == name.removesuffix(" (trial)")]
    rows = rows[rows["randomised"] == "yes"] if "trial" in name else rows
    estimate, error = loss(rows)
    assert abs(estimate - TRUTH["expected"][name]["loss"]) < 2 * error


@pytest.mark.parametrize("agent", ["worm-bath", "tablet-soak", "salt-step", "sham"])
def test_kill_and_removal_at_the_one_strength_used(agent, found, sessions):
    rows = of(found, sessions, agent)
    truth, fall = TRUTH["agents"][agent]["kill"], TRUTH["removal"]
    stage = rows["stage"].replace("any", "adult")
    kill = np.array([truth[pest][s] for pest, s in zip(rows["pest"], stage, strict=True)])
    off = kill * fall["dead_fall"] + (1 - kill) * fall["alive_fall"]
    if agent == "sham":
        off = np.full(len(rows), TRUTH["handling"]["sham_removal"])
    for count, chance in (("dead", kill), ("off", off)):
        excess = (rows[count] - rows["n"] * chance).groupby(rows["session"]).sum()
        assert abs(excess.sum()) < 2.5 * math.sqrt((excess**2).sum())


def test_pests_of_a_session_share_its_fate(found, sessions):
    rows = of(found, sessions, "worm-bath").groupby("session")[["n", "dead"]].sum()
    n, rate = rows["n"], rows["dead"] / rows["n"]
    overall = rows["dead"].sum() / n.sum()
    between = (n * (rate - overall) ** 2).sum() / (len(n) - 1)
    within = (n * rate * (1 - rate)).sum() / (n.sum() - len(n))
    size = (n.sum() - (n**2).sum() / n.sum()) / (len(n) - 1)
    correlation = (between - within) / (between + (size - 1) * within)  # analysis of variance estimator
    assert 0.04 < correlation < 0.25


def test_the_crude_comparison_misleads_and_the_stratified_one_does_not(checks, trays):
    pair = TRUTH["pairs"]["confounded"]
    first, second = (checks[checks["agent"] == pair[side]] for side in ("first", "second"))
    crude = loss(second)[0] - loss(first)[0]
    assert crude > 0.035  # the gentler agent looks worse
    parts = []
    for cell in trays[["coral_group", "condition"]].drop_duplicates().itertuples(index=False):
        one, other = (side[(side["coral_group"] == cell.coral_group) & (side["condition"] == cell.condition)]
                      for side in (first, second))
        if min(one["session"].nunique(), other["session"].nunique()) >= 3:
            (a, error_a), (b, error_b) = loss(one), loss(other)
            sizes = [side.drop_duplicates("tray")["pieces"].sum() for side in (one, other)]
            parts.append((sizes[0] * sizes[1] / sum(sizes), b - a, math.hypot(error_a, error_b)))
    weight, difference, error = np.array(parts).T
    weight = weight / weight.sum()
    assert len(parts) >= 5
    assert abs(weight @ difference) < 0.015
    assert abs(weight @ difference) < 2 * math.sqrt((weight**2) @ (error**2)) < crude


def test_the_trial_shows_the_better_agent(found, sessions, checks):
    pair = TRUTH["pairs"]["better_on_kill"]
    trial = sessions["randomised"] == "yes"
    rows = [of(found, sessions[trial], pair[side]).query("pest == 'acropora-flatworm'") for side in ("first", "second")]
    kill = [r["dead"].sum() / r["n"].sum() for r in rows]
    assert kill[0] - kill[1] == pytest.approx(pair["kill_difference"]["acropora-flatworm"], abs=0.06)
    (first, e1), (second, e2) = (loss(checks[(checks["agent"] == pair[side]) & (checks["randomised"] == "yes")])
                                 for side in ("first", "second"))
    assert abs(first - second) < 2 * math.hypot(e1, e2)


def strength(sessions, per_ml):
    """Strength from what was written down: drops, mL in all, or mL/L."""
    amount, unit = sessions["amount"].astype(float), sessions["amount_unit"]
    millilitres = amount * unit.map({"drops": ML_PER_DROP, "mL": 1.0}).fillna(1.0)
    return millilitres * per_ml / np.where(unit == "mL/L", 1.0, sessions["litres"])


@pytest.mark.parametrize("agent, per_ml, pest", [
    ("oil-drip", 1.0, "acropora-flatworm"), ("oil-drip", 1.0, "montipora-nudibranch"),
    ("iodine-soak", 100.0, "red-acoel"), ("iodine-soak", 100.0, "acropora-flatworm"),
])
def test_kill_curves_come_back(agent, per_ml, pest, found, sessions):
    rows = of(found, sessions, agent)
    rows = rows[(rows["pest"] == pest) & ~rows["session"].isin(TRUTH["weak_lot"]["sessions"])]
    used = sessions[sessions["agent"] == agent]
    assert strength(used, per_ml).round(1 if per_ml == 1 else -2).nunique() >= 5
    curve = TRUTH["agents"][agent]["kill_curve"][pest]
    x = np.log(rows["session"].map(strength(used, per_ml)) / curve["ec50"])
    result = fit(rows, x)
    slope, centre = result.params[1], -result.params[0] / result.params[1]  # log of ec50 over its truth
    assert abs(slope - curve["slope"]) < 3 * result.bse[1]
    assert abs(centre) < 3 * result.bse[0] / slope


def test_strength_and_minutes_both_count(found, sessions):
    rows = of(found, sessions, "peroxide-short")
    used = sessions[sessions["agent"] == "peroxide-short"]
    log_c, log_t = np.log(rows["session"].map(strength(used, 120.0))), np.log(rows["session"].map(used["minutes"]))
    assert abs(np.corrcoef(np.log(strength(used, 120.0)), np.log(used["minutes"]))[0, 1]) < 0.2
    result = fit(rows, log_c, log_t, (rows["pest"] == "red-acoel").astype(float))
    truth = TRUTH["agents"]["peroxide-short"]["kill_curve"]["red-acoel"]["exponent"]
    assert result.params[1] / result.params[2] == pytest.approx(truth, abs=0.5)


@pytest.mark.parametrize("agent", TRUTH["windows"])
def test_windows_follow_from_the_curves(agent):
    curve, windows = TRUTH["agents"][agent]["loss_curve"], TRUTH["windows"][agent]["pests"]
    for pest, window in windows.items():
        kill = TRUTH["agents"][agent]["kill_curve"][pest]
        assert 1 / (1 + (kill["ec50"] / window["low"]) ** kill["slope"]) == pytest.approx(0.95, abs=1e-5)
        assert 1 / (1 + (curve["ec50"] / window["high"]) ** curve["slope"]) == pytest.approx(0.05, abs=1e-5)
        assert window["empty"] == (window["low"] > window["high"])
    assert {w["empty"] for w in windows.values()} == {agent == "iodine-soak"}


def test_the_weak_bottle_kills_less(found, sessions):
    rows = of(found, sessions, "iodine-soak")
    usual = strength(sessions[sessions["agent"] == "iodine-soak"], 100.0).between(900, 1100)
    rows = rows[rows["session"].map(usual)]
    by_lot = rows.groupby(rows["session"].map(sessions["lot"]))[["n", "dead"]].sum()
    kill = by_lot["dead"] / by_lot["n"]
    assert kill.idxmin() == TRUTH["weak_lot"]["lot"]
    assert kill.drop(TRUTH["weak_lot"]["lot"]).mean() - kill.min() > 0.2
    dates = sessions.loc[TRUTH["weak_lot"]["sessions"], "started"].str[:10]
    assert TRUTH["weak_lot"]["from"] <= dates.min()
    assert dates.max() <= TRUTH["weak_lot"]["to"]


def test_a_shared_bath_tires(found, sessions, trays):
    used = sessions[sessions["agent"] == "permanganate-soak"].assign(pieces=trays.groupby("session")["pieces"].sum())
    bath = used["mix"].where(used["mix"] != "", used.index.to_series())
    served = (used.groupby(bath)["pieces"].cumsum() - used["pieces"]) / used["litres"]
    rows = of(found, sessions, "permanganate-soak")
    result = fit(rows, rows["session"].map(served))
    assert abs(result.params[1] - TRUTH["tired_bath"]["log_odds_per_piece_per_l"]) < 2 * result.bse[1]
    assert served.max() > 3


def test_one_agent_is_hard_on_one_group(checks):
    hard = TRUTH["hard_on"][0]
    rows = checks[checks["agent"] == hard["agent"]]
    on = rows["coral_group"] == hard["coral_group"]
    (there, error), (elsewhere, other_error) = loss(rows[on]), loss(rows[~on])
    assert there - elsewhere > 3 * math.hypot(error, other_error)


def test_eggs_outlive_dips_and_hatch():
    pests = read("pests")
    pests[["alive", "dead"]] = pests[["alive", "dead"]].astype(int)
    eggs = pests.query("stage == 'egg' and moment == 'on piece'")[["alive", "dead"]].sum()
    assert eggs["dead"] / eggs.sum() < 0.05
    mobile = pests.query("stage in ['adult', 'juvenile']")
    left = mobile.query("moment == 'on piece'").groupby("tray")["alive"].sum()
    later = mobile.query("moment == 'later'").groupby("tray")["alive"].max()
    clean = left.index[left == 0].intersection(later.index)
    assert (later[clean] > 0).sum() > 20  # none on the piece after the dip, some at a later check


@pytest.mark.parametrize("task", ["dip", "rinse", "inspect", "record"])
def test_planted_minutes_come_back(task, trays):
    truth, sessions = TRUTH["labour"], read("sessions").set_index("session")
    rows = read("labour").query("task == @task").copy()
    months = (pd.to_datetime(rows["done"]).dt.year - 2025) * 12 + pd.to_datetime(rows["done"]).dt.month - 7
    pace = truth["learning_per_doubling_of_months"] ** np.log2(months) * rows["people"].map(truth["crew_factor"])
    times = rows["session"].map(sessions["rinses"]).astype(float) if task == "rinse" else 1.0
    minutes = rows["minutes"].astype(float) * rows["people"].astype(int) / pace / times
    pieces = rows["pieces"].astype(float)
    assert (pieces == rows["session"].map(trays.groupby("session")["pieces"].sum())).all()
    planted = truth["person_min"][task]["sham"]  # these tasks take every agent the same minutes
    spread = planted["fixed"] + planted["per_piece"] * pieces  # noise is a factor: its size grows with the minutes
    result = sm.WLS(minutes, sm.add_constant(pieces), weights=spread**-2.0).fit(cov_type="HC1")
    for value, name, error in zip(result.params, ("fixed", "per_piece"), result.bse, strict=True):
        assert abs(value - planted[name]) < 2.5 * error


def test_some_sessions_have_no_labour_rows():
    missing = set(read("sessions")["session"]) - set(read("labour")["session"])
    assert 0.05 < len(missing) / len(read("sessions")) < 0.12
