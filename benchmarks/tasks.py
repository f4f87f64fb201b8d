"""One piece of work in a process of its own: `python tasks.py NAME SIZE TIMES [FOLDER]` prints what it cost, as JSON.

A task is a function of a size (and a folder) that prepares its data and returns the work to be timed. The work is done
once to warm up where `TIMES` is more than one, and the median of `TIMES` is told, with the most memory it held beyond
what the process held before, and a figure to compare: both sides of a comparison must tell the same.
"""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import samples

HORIZON, REPLICATES, AS_OF = 30.0, 1000, "2026-11-20"
YEAR = ("2025-11-01", "2026-11-01")  # of dips: from, before
SHOWN_REPLICATES = 10  # of lifelines' refits: the rest are taken to cost the same
DATES = {"agents": [], "sessions": ["started"], "trays": ["arrived", "cut"], "checks": ["checked"]}


def km_ours(size: int) -> Callable:
    """Kaplan-Meier with session-robust limits."""
    from afterdip.survival.kaplan_meier import kaplan_meier, survival_on

    p = samples.pieces(size)
    return lambda: survival_on(
        kaplan_meier(p["day"], p["died"], 1 - p["died"], session=p["session"]), [HORIZON]
    ).tolist()


def km_lifelines(size: int) -> Callable:
    """Kaplan-Meier without a thought for sessions."""
    from lifelines import KaplanMeierFitter

    p = samples.pieces(size)
    return lambda: [float(KaplanMeierFitter().fit(p["day"], p["died"]).predict(HORIZON))]


def bootstrap_ours(size: int) -> Callable:
    """Session-bootstrap replicates of the whole curve: how often each session is drawn, times its tallies."""
    from afterdip.removal.bootstrap import session_bootstrap
    from afterdip.survival.rows import session_counts

    p = samples.pieces(size)

    def curve(totals: np.ndarray) -> np.ndarray:
        deaths, at_risk = np.split(totals, 2, axis=-1)
        return np.cumprod(1 - deaths / at_risk, axis=-1)

    def work() -> list[float]:
        counts = session_counts(p["day"], [p["died"]], 1 - p["died"], session=p["session"])
        last = int(np.searchsorted(counts.days, HORIZON))
        tallies = np.hstack([counts.ends[0], counts.at_risk])
        rng = np.random.default_rng(1)
        limits = session_bootstrap(lambda totals: curve(totals)[..., last], tallies, rng=rng, draws=REPLICATES)
        return [round((limits.high - limits.low) / 2 / 1.96, 4)]

    return work


def bootstrap_lifelines(size: int) -> Callable:
    """The same replicates by drawing sessions' rows and fitting lifelines to each; arrays, not frames."""
    from lifelines import KaplanMeierFitter

    p = samples.pieces(size)
    order = np.argsort(p["session"], kind="stable")
    day, died = p["day"][order], p["died"][order]
    parts = np.split(np.arange(size), np.searchsorted(p["session"][order], np.arange(1, p["session"].max() + 1)))

    def work() -> list[float]:
        rng, found = np.random.default_rng(1), []
        for _ in range(SHOWN_REPLICATES):
            rows = np.concatenate([parts[i] for i in rng.integers(len(parts), size=len(parts))])
            found.append(float(KaplanMeierFitter().fit(day[rows], died[rows]).predict(HORIZON)))
        return [round(float(np.std(found)), 4)]

    return work


def cox_ours(size: int) -> Callable:
    """Cox with session-robust errors and limits."""
    from afterdip.survival.cox import cox

    p = samples.pieces(size)
    x = np.column_stack([p["arm"], p["x"]])

    def work() -> list[float]:
        fit = cox(p["day"], p["died"], 1 - p["died"], covariates=x, session=p["session"])
        return [*fit.coefficients.tolist(), *fit.standard_error.tolist()]

    return work


def cox_lifelines(size: int) -> Callable:
    """Lifelines with cluster_col. Its errors are another quantity: README.md."""
    import pandas as pd
    from lifelines import CoxPHFitter

    frame = pd.DataFrame(samples.pieces(size))

    def work() -> list[float]:
        fit = CoxPHFitter().fit(frame, "day", "died", cluster_col="session", formula="arm + x")
        return [*fit.params_.tolist(), *fit.standard_errors_.tolist()]

    return work


def cox_sandwich(size: int) -> Callable:
    """The sandwich formula written out piece by piece (Lin & Wei 1989), at the fitted coefficients: the yardstick."""
    from afterdip.survival.cox import cox

    p = samples.pieces(size)
    x = np.column_stack([p["arm"], p["x"]])
    beta = cox(p["day"], p["died"], 1 - p["died"], covariates=x, session=p["session"], ties="breslow").coefficients
    return lambda: _sandwich(p, x, beta)


def _sandwich(p: dict[str, np.ndarray], x: np.ndarray, beta: np.ndarray) -> list[float]:
    """Breslow ties: score residuals of every piece, added up by session, through the inverse information."""
    risk, residual, information = np.exp(x @ beta), np.zeros_like(x), np.zeros((2, 2))
    for day in np.unique(p["day"][p["died"] > 0]):
        at_risk, dies = p["day"] >= day, (p["day"] == day) & (p["died"] > 0)
        weight = np.where(at_risk, risk, 0.0)
        mean = weight @ x / weight.sum()
        spread = (x * weight[:, None]).T @ x / weight.sum() - np.outer(mean, mean)
        information += dies.sum() * spread
        residual += (x - mean) * (dies - weight * dies.sum() / weight.sum())[:, None]
    sums = np.column_stack([np.bincount(p["session"], residual[:, j]) for j in range(2)])
    inverse = np.linalg.inv(information)
    return [*beta.tolist(), *np.sqrt(np.diag(inverse @ (sums.T @ sums) @ inverse)).tolist()]


def cox_breslow(size: int) -> Callable:
    """Our Cox with Breslow ties, to hold against the sandwich formula."""
    from afterdip.survival.cox import cox

    p = samples.pieces(size)
    x = np.column_stack([p["arm"], p["x"]])

    def work() -> list[float]:
        fit = cox(p["day"], p["died"], 1 - p["died"], covariates=x, session=p["session"], ties="breslow")
        return [*fit.coefficients.tolist(), *fit.standard_error.tolist()]

    return work


def cells_ours(size: int) -> Callable:
    """Concentration-response curves of all cells in one call, with session-robust covariances and tests of fit."""
    from afterdip.dose_response.curve import fit_cells

    c = samples.cells(size)

    def work() -> list[float]:
        fits = fit_cells(c["cell"], c["strength"], c["total"], c["responded"]).fits
        errors = np.sqrt(np.diagonal(fits.covariance, axis1=1, axis2=2))[:, :2]
        return [*fits.parameters[:, :2].ravel().tolist(), *errors.ravel().tolist()]

    return work


def cells_statsmodels(size: int) -> Callable:
    """A loop of statsmodels GLM fits over the cells."""
    import statsmodels.api as sm

    c = samples.cells(size)
    design = sm.add_constant(np.log10(samples.STRENGTHS))
    counts = np.column_stack([c["responded"], c["total"] - c["responded"]]).reshape(size, len(samples.STRENGTHS), 2)

    def work() -> list[float]:
        fits = [sm.GLM(rows, design, family=sm.families.Binomial()).fit(tol=1e-12) for rows in counts]
        return [*np.array([f.params for f in fits]).ravel().tolist(), *np.array([f.bse for f in fits]).ravel().tolist()]

    return work


def read_ours(size: int, folder: str) -> Callable:
    """Read and validate a log: types, keys, dates, conservation of pieces, warnings."""
    import pyarrow.csv  # noqa: F401 - both sides import before the clock starts

    from afterdip.log import read_log

    return lambda: [float(read_log(folder, as_of=AS_OF).checks["dead"].sum())]


def read_pandas(size: int, folder: str) -> Callable:
    """Read the same files by pandas' C engine with dates parsed, and check nothing."""
    import warnings

    import pandas as pd

    warnings.simplefilter("ignore", pd.errors.DtypeWarning)  # optional columns that are empty for a stretch
    read = {}  # what was read is kept, as ours is

    def work() -> list[float]:
        read.update({name: pd.read_csv(f"{folder}/{name}.csv", parse_dates=dates) for name, dates in DATES.items()})
        return [float(read["checks"]["dead"].sum())]

    return work


def tally_ours(size: int, folder: str) -> Callable:
    """A curve and a year's pests of a Parquet log with both on disk, two million checks held at a time."""
    from afterdip.log.large import open_large
    from afterdip.tally.survival import tally_survival_large

    def work() -> list[float]:
        log = open_large(folder, as_of=AS_OF)
        curve = _curve(tally_survival_large(log, rows_at_once=2_000_000))
        return curve + _pests(log.with_pests(since=YEAR[0], until=YEAR[1]))

    return work


def tally_whole(size: int, folder: str) -> Callable:
    """The same with the log read whole."""
    from afterdip.log import read_log
    from afterdip.tally.survival import tally_survival

    def work() -> list[float]:
        log = read_log(folder, as_of=AS_OF)
        return _curve(tally_survival(log)) + _pests(log)

    return work


def _pests(log) -> list[float]:
    import pandas as pd

    from afterdip.tally.removal import tally_pests

    dips = tally_pests(log, since=pd.Timestamp(YEAR[0]), until=pd.Timestamp(YEAR[1])).dips
    return dips[["found", "removed", "killed", "before", "after"]].sum().tolist()


def _curve(tally) -> list[float]:
    from afterdip.survival.kaplan_meier import kaplan_meier

    curve = kaplan_meier(tally.day, tally.dead, tally.left, session=tally.of_trays("session"))
    return [*curve.survival.tolist(), *curve.low.tolist(), *curve.high.tolist()]


SIDES = ("ours", "lifelines", "sandwich", "breslow", "statsmodels", "pandas", "whole")
TASKS = {name: task for name, task in list(globals().items()) if name.endswith(SIDES) and not name.startswith("_")}


def _memory(name: str) -> float:
    """A line of this process's status in MB, 0 where the system does not tell."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith(name)), 0.0)


def cost(work: Callable, times: int) -> dict:
    """Return median wall and processor seconds, the peak of memory and what the work told."""
    told = work() if times > 1 else None
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")  # forget the peak of preparing the data
    before, walls, spent = _memory("VmRSS"), [], []
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        told = work()
        walls.append(time.perf_counter() - wall)
        spent.append(time.process_time() - cpu)
    peak = _memory("VmHWM") - before
    return {"wall": float(np.median(walls)), "cpu": float(np.median(spent)), "peak_mb": peak,
            "held_mb": _memory("VmRSS") - before, "told": told}  # fmt: skip


if __name__ == "__main__":
    name, size, times, *folder = sys.argv[1:]
    print(json.dumps(cost(TASKS[name](int(size), *folder), int(times))))
