"""Concentration-response curves: one cell or thousands in one call, with the reason where a cell has no curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import DataError
from ..proportion.columns import label_places
from .fit import DesignFit, DesignFits, fit_designs
from .likelihood import Rows
from .links import LINKS, Floats, link_named
from .rows import check_counted, checked_counts, counts_of, merge_sessions, same_strength

FLAT = "the share responding does not rise with strength"
LIKE_SHAM = "no strength tried responds more than the sham"


@dataclass(frozen=True, slots=True)
class ConcentrationCurve:
    """Share responding against log10 of strength, with the session rows it was fitted to.

    share = natural + (1 - natural) F(intercept + slope log10 strength). `strength`, `n`, `responded` have one row per
    session, sorted by strength, sham (strength 0) first. `refusal` is empty for a fitted curve, else the reason in
    words.
    """

    fit: DesignFit
    strength: Floats
    n: Floats
    responded: Floats
    counted: str

    @property
    def refusal(self) -> str:
        """Why there is no curve; empty where there is one."""
        return self.fit.refusal

    @property
    def intercept(self) -> float:
        """Predictor at strength 1 (log10 strength 0)."""
        return float(self.fit.coefficients[0])

    @property
    def slope(self) -> float:
        """Rise of the predictor for a tenfold strength."""
        return float(self.fit.coefficients[1])

    @property
    def natural(self) -> float:
        """Share that responds without the agent, from the sham sessions; 0 where there are none."""
        return self.fit.natural

    @property
    def tried(self) -> tuple[float, float]:
        """Lowest and highest strength tried, the sham apart; (nan, nan) where none was."""
        dosed = self.strength[self.strength > 0]
        return (float(dosed.min()), float(dosed.max())) if dosed.size else (np.nan, np.nan)

    @property
    def strengths(self) -> int:
        """How many different strengths were tried, the sham apart (rows.same_strength)."""
        return int(np.unique(same_strength(self.strength[self.strength > 0])).size)

    @property
    def dosed_sessions(self) -> int:
        """Sessions with the agent."""
        return int((self.strength > 0).sum())

    @property
    def sham_sessions(self) -> int:
        """Sham sessions."""
        return int((self.strength == 0).sum())

    def rows(self) -> Rows:
        """Return the sessions as the one cell they were fitted as."""
        control = self.strength == 0
        return Rows(np.zeros(1, dtype=np.int64), log_design(self.strength), self.n, self.responded, control)

    def counts(self) -> dict[str, int]:
        """Return the counts an Estimate carries."""
        return counts_of(self.n, self.responded, self.counted)


@dataclass(frozen=True, slots=True)
class CellFits:
    """Curves of many cells: `labels` (cells,) sorted; arrays inside `fits` run over cells in the same order."""

    labels: NDArray
    fits: DesignFits
    rows: Rows
    strength: Floats
    counted: str

    def curve(self, label: object) -> ConcentrationCurve:
        """Return one cell's curve by its label (KeyError where there is none)."""
        found = np.flatnonzero(self.labels == label)
        if not found.size:
            raise KeyError(label)
        i = int(found[0])
        here = slice(int(self.rows.start[i]), int(self.rows.start[i] + self.rows.sizes()[i]))
        return ConcentrationCurve(
            self.fits.cell(i), self.strength[here], self.rows.n[here], self.rows.responded[here], self.counted
        )


def fit_curve(
    strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None = None, link: str = "logit",
    counted: str = "pests",
) -> ConcentrationCurve:  # fmt: skip
    """Fit one concentration-response curve by maximum likelihood.

    `strength` (n_rows,) in the agent's own unit, 0 for a sham dip; `n` and `responded` (n_rows,) the pieces or pests
    counted and how many of them died (or whatever is counted), which may be fractions where follow-up was cut short;
    `session` (n_rows,) labels of the baths, rows of one session being added up; without it every row is its own.
    `link` is logit, probit or cloglog. The natural response is estimated along from the sham rows, bounded in [0, 1)
    (Finney 1971, ch. 7), and is 0 without any. No curve is drawn, and `refusal` says why, where one strength was tried,
    none or all responded, responses jump from none to all, do not rise, or do not exceed the sham's.
    Raises DataError for counts that are negative, not finite or larger than `n`, and for a session with two strengths.
    """
    rows = np.zeros(np.size(n), dtype=np.int64)
    cells = fit_cells(rows, strength, n, responded, session=session, link=link, counted=counted)
    return cells.curve(0)


def fit_cells(
    cell: ArrayLike, strength: ArrayLike, n: ArrayLike, responded: ArrayLike, *, session: ArrayLike | None = None,
    link: str = "logit", counted: str = "pests",
) -> CellFits:  # fmt: skip
    """Fit a curve in every cell (agent x pest x coral) in one call; `cell` (n_rows,) labels, the rest as in fit_curve.

    Thousands of cells cost little more than one: rows of all cells go through the same array operations, and a cell
    drops out when it has converged. A sham session serves several cells by repeating its row in each.
    """
    link_named(link)
    check_counted(counted)
    labels, code = label_places(cell)
    x, total, hits = checked_counts(strength, n, responded)
    code, (x,), (total, hits) = merge_sessions(code, (x,), (total, hits), session)
    if not labels.size:
        raise DataError("no session to fit a curve to")
    start = np.searchsorted(code, np.arange(labels.size)).astype(np.int64)
    rows = Rows(start, log_design(x), total, hits, x == 0)
    fits = fit_designs(rows, link=link, refusal=_refusals(rows))
    return CellFits(labels, _judged(fits, rows), rows, x, counted)


def log_design(*settings: Floats) -> Floats:
    """Return the columns of a design, a constant and log10 of each setting (strength first), 0 in sham rows."""
    dosed = settings[0] > 0
    return np.stack([dosed.astype(float), *(np.log10(np.where(dosed, values, 1.0)) for values in settings)])


def _extremes(rows: Rows, x: Floats, chosen: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    low = np.minimum.reduceat(np.where(chosen, x, np.inf), rows.start)
    return low, np.maximum.reduceat(np.where(chosen, x, -np.inf), rows.start)


def _refusals(rows: Rows) -> list[str]:
    """Say of each cell why no curve can be fitted, before trying; empty where it can be tried.

    With no natural response a finite slope exists exactly where the strengths with a response and the strengths with
    a survivor overlap (Silvapulle 1981, JRSS B 43:310). Beside a sham the fit itself has to show it: see _judged.
    """
    x, dosed = rows.design[1], ~rows.control & (rows.n > 0)
    lowest, highest = _extremes(rows, x, dosed)
    first_hit, last_hit = _extremes(rows, x, dosed & (rows.responded > 0))
    first_left, last_left = _extremes(rows, x, dosed & (rows.responded < rows.n))
    sham = rows.total(rows.control.astype(float)) > 0
    tests = (
        (~np.isfinite(lowest), "no session with the agent"),
        (~np.isfinite(first_hit), "none responded at any strength tried"),
        (~np.isfinite(first_left), "all responded at every strength tried"),
        (lowest == highest, "only one strength tried"),
        (first_left >= last_hit, FLAT),
        ((first_hit >= last_left) & ~sham, "responses jump from none to all between two strengths"),
    )
    reasons = np.full(rows.start.size, "", dtype=object)
    for test, reason in tests:
        reasons[test & (reasons == "")] = reason
    return reasons.tolist()


def _judged(fits: DesignFits, rows: Rows) -> DesignFits:
    """Refuse fitted cells that show no rise, no more than the sham, or a jump the fit could only chase."""
    below = LINKS[fits.link].below
    with np.errstate(invalid="ignore"):
        intercept, slope = rows.spread(fits.parameters[:, 0]), rows.spread(fits.parameters[:, 1])
        share = below(intercept + slope * rows.design[1])
    sham = rows.total(rows.control.astype(float)) > 0
    within = ~rows.control & (share > 1e-7) & (share < 1.0 - 1e-7)
    low, high = _extremes(rows, rows.design[1], within)
    largest = np.maximum.reduceat(np.where(rows.control, 0.0, np.nan_to_num(share)), rows.start)
    flat = fits.parameters[:, 1] <= 1e-8
    reasons = list(fits.refusal)
    fitted = ~np.isnan(fits.parameters[:, 0])
    for i in np.flatnonzero(fitted & ((largest < 1e-6) | flat | (low >= high))):
        if sham[i] and largest[i] < 1e-6:
            reasons[i] = LIKE_SHAM
        else:
            reasons[i] = FLAT if flat[i] else "responses jump from natural to all between two strengths"
    return DesignFits(**{name: getattr(fits, name) for name in fits.__slots__} | {"refusal": tuple(reasons)})
