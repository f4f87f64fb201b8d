"""Data shared by the survival tests: published cases, random weighted rows, and a numerical jackknife."""

import csv
import json
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

REFERENCE = Path(__file__).parent / "reference"
CASES = json.loads((REFERENCE / "survival.json").read_text(encoding="utf-8"))


def leukaemia(arm=None):
    """Days, deaths, left and arm of the 6-MP trial (Freireich et al. 1963; as in MASS::gehan)."""
    data = CASES["A1"]["data"]
    time, status, arms = (np.array(data[k]) for k in ("time", "cens", "treat"))
    keep = np.full(len(time), True) if arm is None else arms == arm
    return time[keep], status[keep], 1 - status[keep], arms[keep]


def diabetic():
    """Time, status, treatment, patient and risk of the diabetic retinopathy eyes (Huster et al. 1989)."""
    with (REFERENCE / "diabetic.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    time, status, treated = (np.array([float(r[k]) for r in rows]) for k in ("time", "status", "trt"))
    return time, status, treated, np.array([r["id"] for r in rows])


def cosmesis():
    """Lower, upper and treatment of the breast cosmesis intervals (Finkelstein & Wolfe 1985)."""
    data = CASES["A13"]["data"]
    upper = np.array([np.inf if u is None else u for u in data["right"]], float)
    return np.array(data["left"], float), upper, np.array(data["treatment"])


def expand(values, deaths, left):
    """One entry per piece: the dead of each row, then the others."""
    return np.concatenate([np.repeat(values, deaths), np.repeat(values, left)])


def sessions(n_sessions, *, seed, loss=0.2, correlation=0.2, pieces=(3, 25)):
    """Weighted rows of sessions sharing their fate, by the package's own simulator."""
    from afterdip.calibrate.farms import simulate_sessions

    return simulate_sessions(
        n_sessions, loss=loss, correlation=correlation, rng=np.random.default_rng(seed), pieces=pieces
    )


def numerical_jackknife(statistic, session, step=1e-5):
    """Derivative of `statistic(row weights)` to each session's weight, shape (n_sessions, ...)."""
    moved = []
    for name in dict.fromkeys(np.asarray(session).tolist()):
        up, down = (np.where(session == name, 1 + sign * step, 1.0) for sign in (1, -1))
        moved.append((np.asarray(statistic(up)) - np.asarray(statistic(down))) / (2 * step))
    return np.array(moved)


@st.composite
def weighted_rows(draw, least_sessions=1):
    """Days, deaths, left and sessions of a few weighted rows with at least one piece."""
    n = draw(st.integers(least_sessions, 12))
    whole = st.integers(0, 6)
    days, deaths, left = (np.array(draw(st.lists(whole, min_size=n, max_size=n))) for _ in range(3))
    session = np.array([f"s{i % max(least_sessions, draw(st.integers(1, 6)))}" for i in range(n)])
    left[0] += 1
    if least_sessions > 1:
        left[:least_sessions] += 1
        session[:least_sessions] = [f"s{i}" for i in range(least_sessions)]
    return days, deaths, left, session
