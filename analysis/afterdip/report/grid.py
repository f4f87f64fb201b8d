"""The first page's grid of coral group by agent: what a limit shows, never what a mean suggests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.answers.words import strength_words
from afterdip.report.failing import above_limit, within_limit
from afterdip.report.first_screen import at_least, estimate, signed
from afterdip.report.site import span_in_words
from afterdip.report.words import short, too_few
from afterdip.tables.base import digits


@dataclass(frozen=True, slots=True)
class Mark:
    """One figure of the grid: a word for what it shows, the class of its colour, and the figure in lines."""

    word: str
    kind: str  # good, bad, open or few; decided by a limit, never by the mean
    lines: tuple[str, ...]


def grid(results: dict) -> dict | None:
    """Return the rows of coral group x agent with their marks, or None without survival."""
    if "survival" not in results:
        return None
    settings, removal = results["settings"], results.get("removal", {"groups": []})
    cells = [cell for cell in results["survival"]["groups"] if not cell["is_control"]]
    kills = {_key(cell): cell["killed"] for cell in removal["groups"] if not cell.get("is_control")}
    parts = results["survival"].get("group_strengths", [])
    marks = {
        key: {
            "kill": _kill_mark(kills[key], settings["target_kill"]) if key in kills else None,
            "loss": _loss_mark(cell["loss_over_sham"], settings["target_loss"]),
            "at": [*_strengths(cell, [p for p in parts if _key(p) == key], settings["target_loss"])],
        }
        for key, cell in ((_key(cell), cell) for cell in cells)
    }
    return {
        "groups": sorted({group for group, _ in marks}),
        "agents": sorted({agent for _, agent in marks}),
        "marks": marks,
        "kill": bool(kills),
        "span": span_in_words(results, "survival"),
        "targets": {name: digits(100 * settings[f"target_{name}"]) for name in ("kill", "loss")},
    }


def _key(cell: dict) -> tuple[str, str]:
    return cell["coral_group"], cell["agent"]


def _strengths(cell: dict, parts: list[dict], limit: float) -> Iterator[tuple[str, Mark]]:
    """Yield (loss at which strength, its mark) of those the cell's own mark would hide: the other side of the limit."""
    hidden = within_limit if above_limit(cell, limit) else above_limit
    for part in parts:
        if hidden(part, limit):
            at = part["strength"]
            where = f"at {strength_words((at['median'], at['unit']))}" if at else "at its other strengths"
            yield f"loss {where}", _loss_mark(part["loss_over_sham"], limit)


def _loss_mark(values: dict, limit: float) -> Mark:
    loss = estimate(values)
    if not loss.known:
        return _silent(loss.reason)
    low, high = (None if x is None else signed(100 * x) for x in (loss.low, loss.high))
    lines = (f"{signed(100 * loss.estimate)} in 100", f"({low or 'open'} to {high or 'open'})")
    if loss.high is not None and loss.high <= limit:
        return Mark("within the limit", "good", lines)
    if loss.low is not None and loss.low > limit:
        return Mark("over the limit", "bad", lines)
    return Mark("open", "open", lines)


def _kill_mark(values: dict, target: float) -> Mark:
    kill = estimate(values)
    if not kill.known or kill.low is None:
        return _silent(kill.reason or "no lower limit")
    if kill.low >= target:
        return Mark("reaches the target", "good", (at_least(kill),))
    if kill.high is not None and kill.high < target:
        return Mark("below the target", "bad", (at_least(kill),))
    return Mark("open", "open", (at_least(kill),))


def _silent(reason: str) -> Mark:
    """Return a mark that says only why nothing can be said; "too few: 1 of ..." is not said twice."""
    word = "too few" if too_few(reason) else "cannot say"
    rest = short(reason).removeprefix("too few: ")
    return Mark(word, "few", (rest,))
