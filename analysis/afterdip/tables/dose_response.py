"""The strength page in words and tables."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log10

from afterdip.answers.dose_response import DoseResponseAnswer
from afterdip.answers.dose_response_cells import CurveCell, WindowCell
from afterdip.answers.words import counted
from afterdip.estimate import Estimate
from afterdip.tables.base import Table, count, digits, number, per_cent


def strength_text(value: float) -> str:
    """Return a strength to three significant digits."""
    return digits(value, max(0, 2 - floor(log10(value)))) if value > 0 else digits(value)


def strength_estimate(value: Estimate) -> str:
    """Return a strength with its limits, or the reason; open limits say so."""
    if value.estimate is None:
        return value.reason
    low, high = (None if end is None else strength_text(end) for end in (value.low, value.high))
    if low is None and high is None:
        limits = f"no limits: {value.reason or 'open'}"
    elif low is None or high is None:
        limits = f"up to {high}" if low is None else f"{low} or more"
    else:
        limits = f"{low} to {high}"
    return f"{strength_text(value.estimate)} ({limits})"


def windows_sentence(answer: DoseResponseAnswer) -> str:
    """Return the page's answer in words: for how many pests and corals a strength surely does both, and where."""
    held = [w for w in answer.windows if w.window.low is not None]
    kill, loss = 100 * answer.kill_target, 100 * answer.loss_limit
    aim = (
        f"kills at least {kill:g} % of the pests and costs at most {loss:g} % of the corals over sham within "
        f"{answer.horizon_days} days"
    )
    if not answer.windows:
        return f"No agent has pests counted and corals followed, so no strength can be said to do both: {aim}."
    if not held:
        pairings = counted(len(answer.windows), "pairing")
        return f"No strength within those tried surely {aim}, in any of {pairings} of agent, pest stage and coral."
    widest = max(held, key=lambda w: w.window.ratio)
    return (
        f"In {len(held)} of {len(answer.windows)} pairings of agent, pest stage and coral there is a strength that "
        f"surely {aim}. Widest: {widest.name}, {_window(widest)}."
    )


def trust_sentence(answer: DoseResponseAnswer) -> str:
    """Return what kind of evidence this is, and what was left out."""
    drawn = [b.agent for b in answer.baths if b.randomised]
    kind = "Not randomised: strength was chosen, not dealt by lot, so sicker corals may have had the gentler baths"
    kind += f" (only {', '.join(drawn)} was randomised throughout)." if drawn else "."
    if answer.baths and len(drawn) == len(answer.baths):
        kind = "Every session used was randomised."
    left = []
    if answer.doubted:
        left.append(f"{count(len(answer.doubted))} of doubtful strength ({', '.join(answer.doubted)})")
    if answer.unknown_strength:
        left.append(f"{count(answer.unknown_strength)} of unknown strength or exposure")
    others = sum(b.other_minutes + b.other_unit for b in answer.baths)
    if others:
        left.append(f"{count(others)} at unusual exposures or in other units")
    return kind + (f" Sessions not in the curves: {'; '.join(left)}." if left else "")


def _window(cell: WindowCell) -> str:
    window = cell.window
    if window.low is None:
        return window.reason
    ends = f"{strength_text(window.low)} to {strength_text(window.high)} {cell.baths.unit} ({window.ratio:.1f}-fold)"
    if window.low == window.high:
        ends = f"{strength_text(window.low)} {cell.baths.unit}"
    open_ends = [words for goes, words in ((window.ends_low, "weaker"), (window.ends_high, "stronger")) if goes]
    return ends + (f"; {' or '.join(open_ends)} was not tried" if open_ends else "")


def window_table(answer: DoseResponseAnswer) -> Table:
    """Return the working windows, one row an agent, pest stage and coral group."""
    rows = tuple(
        (
            cell.baths.agent, f"{cell.pest}, {cell.stage}", cell.coral_group, _window(cell), _hoped(cell),
            cell.baths.exposure, count(cell.kill.curve.dosed_sessions), count(cell.kill.curve.counts()["pests"]),
            count(cell.loss.curve.counts()["pieces"]), "randomised" if cell.baths.randomised else "not randomised",
        )
        for cell in answer.windows
    )  # fmt: skip
    return Table(
        "Working windows",
        ("Agent", "Pest", "Coral", "Surely does both", "By the estimates alone", "Exposure", "Sessions", "Pests",
         "Pieces", "Kind"),
        rows,
        note=f"Surely: the lower {100 * answer.confidence_level:g} % limit of kill is at least "
        f"{100 * answer.kill_target:g} % and the upper limit of loss over sham at most {100 * answer.loss_limit:g} %, "
        "by session, within the strengths tried. Eggs are left out: they survive dips. A record of what was done, not "
        "advice: label and safety data sheet rule.",
    )  # fmt: skip


def _hoped(cell: WindowCell) -> str:
    hoped = cell.window.by_estimates
    if hoped is None:
        return "none"
    if hoped[0] == hoped[1]:
        return strength_text(hoped[0])
    return f"{strength_text(hoped[0])} to {strength_text(hoped[1])}"


def curve_table(answer: DoseResponseAnswer, cells: Sequence[CurveCell], *, caption: str) -> Table:
    """Return the curves' concentrations; for kill also where half come off the piece.

    Agents that were only used at one strength have no row, but are named below.
    """
    removed = {(c.baths.agent, *c.keys.values()): c for c in answer.removed}
    kill = any(cell.outcome == "killed" for cell in cells)
    far = sorted({cell.far_level for cell in cells})
    heads = ["Agent", "Pest" if kill else "Coral", "Sessions, sham", "Strengths tried", "LC50"]
    heads += [f"LC{level:g}" for level in far] + (["EC50, off the piece"] if kill else []) + ["Sham", "Exposure"]
    rows = []
    for cell in cells:
        curve = cell.curve
        if curve.strengths < 2:
            continue
        low, high = curve.tried
        tried = f"{curve.strengths}: {strength_text(low)} to {strength_text(high)} {cell.baths.unit}"
        off = removed.get((cell.baths.agent, *cell.keys.values()))
        rows.append((
            cell.baths.agent, ", ".join(cell.keys.values()),
            f"{count(curve.dosed_sessions)}, {count(curve.sham_sessions)}", tried, strength_estimate(cell.middle),
            "–" if cell.refusal else strength_estimate(cell.far),
            *(["–" if off is None else strength_estimate(off.middle)] if kill else []),
            "–" if cell.refusal else per_cent(cell.natural), cell.baths.exposure,
        ))  # fmt: skip
    single = sorted({c.baths.agent for c in cells} - {row[0] for row in rows})
    alone = f" Used at one strength only: {', '.join(single)}." if single else ""
    what = "the pests are dead" if kill else f"the corals are dead by day {answer.horizon_days}"
    return Table(
        caption, tuple(heads), tuple(rows),
        note=f"LC: strength of the bath at which so many per cent of {what}, beyond what the sham shows, at the "
        f"minutes given; {100 * answer.confidence_level:g} % limits by session (Fieller), never outside the strengths "
        f"tried.{alone}",
    )  # fmt: skip


def links_sentence(answer: DoseResponseAnswer) -> str:
    """Return how much the shape assumed matters: the LC50 under three shapes, at most how far apart."""
    folds = []
    for cell in answer.kill:
        known = [e.estimate for e in cell.links.values() if e.estimate is not None]
        if len(known) == len(cell.links) > 0:
            folds.append((max(known) / min(known), cell.name))
    if not folds:
        return "No kill curve gives an LC50 under all three shapes (logit, probit, complementary log-log)."
    fold, name = max(folds)
    return (
        "With another shape of curve (probit or complementary log-log, not logit) the LC50 of kill moves by at most "
        f"{100 * (fold - 1):.0f} % ({name}), over {counted(len(folds), 'curve')}."
    )


def minutes_table(answer: DoseResponseAnswer) -> Table:
    """Return n of C^n t and the LC50 by minutes, for agents where both varied."""
    rows = tuple(
        (
            cell.agent, f"{cell.pest}, {cell.stage}", count(int(cell.tried["sessions"].sum())),
            _exponent(cell.exponent),
            "; ".join(f"{m} min: {strength_estimate(value)}" for m, value in cell.middle.items()),
            cell.map.reason or ("some, see the map" if cell.map.both.any() else "none surely"),
        )
        for cell in answer.minutes
    )  # fmt: skip
    return Table(
        "Strength against minutes",
        ("Agent", "Pest", "Sessions", "n of strength^n × minutes", "LC50 by exposure", "Baths that surely do both"),
        rows,
        note="n above 1: strength counts more than minutes. Where its limits are open, n cannot be told.",
    )


def _exponent(value: Estimate) -> str:
    if value.known and value.low is None:
        return f"{digits(value.estimate, 2)} ({value.reason})"
    return number(value, 2)


def month_table(answer: DoseResponseAnswer) -> Table:
    """Return what the month alone holds, agent by agent."""
    rows = []
    for item in answer.months:
        fitted = [cell for cell in item.cells if not cell.refusal]
        best = max(item.cells, key=lambda cell: cell.curve.dosed_sessions, default=None)
        says = (
            "; ".join(f"{', '.join(c.keys.values())}: LC50 {strength_estimate(c.middle)}" for c in fitted) if fitted
            else "no pests counted" if best is None else f"too few to say: {best.refusal}"
        )  # fmt: skip
        rows.append((item.agent, count(item.sessions), count(item.strengths), count(item.pests), says))
    heads = ("Agent", "Sessions", "Strengths", "Pests found", "Curves of the month")
    return Table(f"In {answer.month} alone", heads, tuple(rows))


def strength_captions(answer: DoseResponseAnswer) -> dict[str, dict[str, str]]:
    """Return alt text and caption of each figure."""
    level = f"{100 * answer.confidence_level:g} %"
    sessions = sum(len(b.sessions) for b in answer.baths)
    lines = "; ".join(f"{cell.name}: {_window(cell)}" for cell in answer.shown)
    none = "Too few to say: no agent was used at enough strengths for a curve."
    windows = {
        "alt": f"Pests killed and corals lost over sham against concentration. {lines or none}",
        "caption": f"{answer.window_months} months to {answer.month}, {counted(sessions, 'session')} with an agent. "
        f"Bands: {level} limits by session, only over strengths tried; bars where no curve can be drawn. Dots: "
        "sessions, larger with more counted; the sham stands apart on the left. Dashed: the farm's targets. "
        "Shaded: strengths that surely do both.",
    }  # fmt: skip
    shown = next((cell for cell in answer.minutes if not cell.map.reason), None)
    said, legend = "No map: too few baths at several strengths and exposures", ""
    if shown is not None:
        where = "green where both targets are surely met"
        if not shown.map.both.any():
            where = "no bath tried surely meets both targets"
        said = f"{shown.name}: {where}; {count(int(shown.tried['sessions'].sum()))} sessions"
        legend = (
            " Circles: baths tried, larger with more sessions; grey: tried, not surely both; lines: lower "
            f"{level} limit of kill. Nothing is drawn outside what was tried."
        )
    minutes = {
        "alt": f"Concentration against minutes. {said}.",
        "caption": f"{said}.{legend}",
    }  # fmt: skip
    return {"windows": windows, "minutes": minutes}
