"""How often limits of concentrations and working windows hold the truth when pieces share a bath, and which limits do.

`dose_response_limits.csv`: coverage of Fieller's limits of the LC50 and of the strength at the far end, by basis.
`dose_response_windows.csv`: how often a printed window reaches over an edge of the true one, how often there is one.
`dose_response_steps_coverage.csv`: how often limits without a curve hold the loss over sham at a single strength.
"""

from __future__ import annotations

import csv
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from ..dose_response import ConcentrationCurve, DesignFit, fit_cells, fit_curve, response_bands, working_window
from .farms import session_risks

SEED = 20262
CORRELATIONS = (0.0, 0.1, 0.2, 0.3)
DESIGNS = ((6, 3), (6, 4), (8, 4), (12, 4), (12, 6), (20, 5), (40, 5), (60, 6))  # sessions, strengths
CURVES = {"kill": (0.10, 0.95, 0.05, 15.0), "loss": (0.01, 0.30, 0.02, 40.0)}
"""Share responding at the weakest and strongest bath, share in the sham, mean count a session."""

BASES = ("binomial", "heterogeneity", "session")
POINTS = ("lc50", "far")
SPREADS = ("beta", "logit-normal")
KILL_TARGET, LOSS_LIMIT = 0.95, 0.05
WINDOW_DESIGNS = ((12, 4), (24, 6), (60, 6), (120, 6))
TRUE_KILL, TRUE_LOSS = (0.25, 3.0), (16.0, 2.0)  # ec50 and slope of log-logistic curves
STRENGTHS = (0.1, 12.8)
STEP_DESIGNS = ((6, 4), (6, 6), (12, 6), (12, 12), (30, 12))  # sessions, sham sessions
STEP_LOSSES = ((0.02, 0.02), (0.05, 0.02), (0.10, 0.02), (0.30, 0.02), (0.05, 0.05))  # of the agent, of the sham
NEAR = 0.935
STEP_SPREADS = ((0.0, "beta"), (0.1, "beta"), (0.3, "beta"), (0.3, "logit-normal"))


def responses(
    share: NDArray[np.float64], n: NDArray[np.int64], correlation: float, rng: np.random.Generator,
    spread: str = "beta",
) -> NDArray[np.int64]:  # fmt: skip
    """Draw responses of sessions whose pieces are correlated; `share` (sessions,), `n` (..., sessions)."""
    risk = np.empty(n.shape)
    for j, p in enumerate(share):
        column = risk[..., j]
        column[...] = session_risks(
            column.size, loss=float(p), correlation=correlation, rng=rng, spread=spread
        ).reshape(column.shape)
    return rng.binomial(n, risk)


def counts(shape: tuple[int, ...], mean: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Draw how many were counted in each session: log-normal about the mean, cv 0.65, 3 or more."""
    return np.maximum(3, np.round(mean * np.exp(0.6 * rng.standard_normal(shape) - 0.18))).astype(np.int64)


def covered(fit: DesignFit, log_strength: float, predictor: float, basis: str) -> bool:
    """Whether Fieller's limits of the strength at `predictor` hold the true one: the predictor there is not refuted."""
    contrast = np.array([1.0, log_strength, 0.0])
    off = abs(float(contrast[:2] @ fit.coefficients) - predictor)
    spread = max(float(contrast @ v @ contrast) for v in fit.spread(basis))
    return off <= fit.quantile(basis, 0.95) * spread**0.5


def calibrate_limits(folder: Path, *, replicates: int = 6000) -> None:
    """Write dose_response_limits.csv."""
    rng = np.random.default_rng(SEED)
    rows = []
    for (name, curve), (m, k), correlation in product(CURVES.items(), DESIGNS, CORRELATIONS):
        low, high, natural, mean = curve
        sham = max(2, m // 3)
        x = np.append(np.zeros(sham), np.linspace(0.0, 1.0, k)[np.arange(m) % k])
        slope = logit(high) - logit(low)
        share = np.append(np.full(sham, natural), natural + (1 - natural) * expit(logit(low) + slope * x[sham:]))
        strength = np.where(np.arange(m + sham) < sham, 0.0, 10.0**x)
        middle = 0.5 if name == "kill" else (low * high) ** 0.5
        points = [((logit(p) - logit(low)) / slope, logit(p)) for p in (middle, high)]
        said = [_fitted(strength, share, mean, correlation, spread, replicates, rng) for spread in SPREADS]
        asked = [(said[0], basis, point) for basis in BASES for point in points]
        asked += [(said[1], "session", point) for point in points]
        held = [[covered(fit, *point, basis) for fit in fits] for fits, basis, point in asked]
        rates = [float(np.mean(row)) if row else "" for row in held]
        rows.append([name, m, k, sham, correlation, replicates, len(said[0]) / replicates, *rates])
    marks = [f"{basis}_{what}" for basis in BASES for what in POINTS]
    marks += [f"session_{what}_logit_normal" for what in POINTS]
    head = ["curve", "sessions", "strengths", "sham_sessions", "correlation", "replicates", "fitted", *marks]
    _write(folder / "dose_response_limits.csv", head, rows)


def _fitted(
    strength: NDArray[np.float64], share: NDArray[np.float64], mean: float, correlation: float, spread: str,
    replicates: int, rng: np.random.Generator,
) -> list[DesignFit]:  # fmt: skip
    """Simulate farms of one design and return the curves that could be fitted."""
    n = counts((replicates, share.size), mean, rng)
    hits = responses(share, n, correlation, rng, spread)
    farm = np.repeat(np.arange(replicates), share.size)
    cells = fit_cells(farm, np.tile(strength, replicates), n.ravel(), hits.ravel())
    return [fit for fit in map(cells.fits.cell, range(replicates)) if not fit.refusal]


def calibrate_windows(folder: Path, *, replicates: int = 200) -> None:
    """Write dose_response_windows.csv."""
    rng = np.random.default_rng(SEED + 1)
    edges = [_strength(TRUE_KILL, KILL_TARGET), _strength(TRUE_LOSS, LOSS_LIMIT)]
    rows = []
    for (m, k), correlation in product(WINDOW_DESIGNS, CORRELATIONS):
        found, over_low, over_high, widths = 0, 0, 0, []
        farms = [_curves(m, k, correlation, rng) for _ in range(replicates)]
        bands = response_bands([asked for kill, loss in farms for asked in ((kill, False), (loss, True))])
        for kill, loss in zip(bands[::2], bands[1::2], strict=True):
            window = working_window(kill, loss, kill_target=KILL_TARGET, loss_limit=LOSS_LIMIT)
            if window.low is None:
                continue
            found += 1
            over_low += window.low < edges[0]
            over_high += window.high > edges[1]
            widths.append(np.log(window.high / window.low) / np.log(edges[1] / edges[0]))
        width = float(np.median(widths)) if widths else ""
        shares = (float(times / replicates) for times in (found, over_low, over_high))
        rows.append([m, k, correlation, replicates, *shares, width])
    head = ["sessions", "strengths", "correlation", "replicates", "window_found", "reaches_below", "reaches_above",
            "median_share_of_true_width"]  # fmt: skip
    _write(folder / "dose_response_windows.csv", head, rows)


def calibrate_steps(folder: Path, *, replicates: int = 800) -> None:
    """Write dose_response_steps_coverage.csv: one strength, so that no stronger or weaker bath widens its limits.

    Of four times the farms where the coverage came near its bound.
    """
    rows = []
    for number, (design, losses, spread) in enumerate(product(STEP_DESIGNS, STEP_LOSSES, STEP_SPREADS)):
        for farms in (replicates, 4 * replicates):
            low, high = _one_strength(design, losses, spread, farms, np.random.default_rng([SEED, 2, number]))
            above, below = (float(np.mean(miss)) for miss in (np.subtract(*losses) > high, np.subtract(*losses) < low))
            if 1 - above - below > NEAR:
                break
        rows.append([*design, *losses, *spread, farms, 1 - above - below, above, below, float(np.median(high - low))])
    head = ["sessions", "sham_sessions", "loss", "sham_loss", "correlation", "spread", "replicates", "coverage",
            "truth_above", "truth_below", "median_width"]  # fmt: skip
    _write(folder / "dose_response_steps_coverage.csv", head, rows)


def _one_strength(
    design: tuple[int, int], losses: tuple[float, float], spread: tuple[float, str], farms: int,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Return the limits of the loss over sham of so many farms with one strength, shape (farms,) each."""
    is_sham = np.repeat([False, True], design)
    n = counts((farms, is_sham.size), 40.0, rng)
    hits = responses(np.where(is_sham, losses[1], losses[0]), n, spread[0], rng, spread[1])
    curves = [fit_curve(np.where(is_sham, 0.0, 1.0), *farm) for farm in zip(n, hits, strict=True)]
    bands = response_bands([(curve, True) for curve in curves])
    return tuple(np.array([getattr(band, end)[0] for band in bands]) for end in ("low", "high"))


def _strength(curve: tuple[float, float], share: float) -> float:
    return curve[0] * (share / (1 - share)) ** (1 / curve[1])


def _curves(m: int, k: int, correlation: float, rng: np.random.Generator) -> list[ConcentrationCurve]:
    """Simulate one farm's sessions with one agent and their shams, and return its curves of kill and of loss."""
    x = np.geomspace(*STRENGTHS, k)[np.arange(m) % k]
    sham = max(4, m // 3)
    strength = np.append(np.zeros(sham), x)
    made: list[ConcentrationCurve] = []
    kinds = ((TRUE_KILL, 0.01, 15.0, "pests"), (TRUE_LOSS, 0.03, 40.0, "pieces"))
    for (ec50, slope), natural, mean, counted in kinds:
        share = natural + (1 - natural) / (1 + (ec50 / np.maximum(strength, 1e-12)) ** slope)
        n = counts(strength.shape, mean, rng)
        made.append(fit_curve(strength, n, responses(share, n, correlation, rng), counted=counted))
    return made


def _write(path: Path, head: list[str], rows: list[list]) -> None:
    """Write a table and print it."""
    exact = ("correlation",)
    text = [
        [str(v) if name in exact or not isinstance(v, float) else f"{v:.4f}" for name, v in zip(head, row, strict=True)]
        for row in rows
    ]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([head, *text])
    for row in [head, *text]:
        print(" ".join(row))


def calibrate_dose_response(folder: Path, *, replicates: int | None = None) -> None:
    """Write the three tables."""
    for calibrate in (calibrate_limits, calibrate_windows, calibrate_steps):
        calibrate(folder, **({"replicates": replicates} if replicates else {}))
