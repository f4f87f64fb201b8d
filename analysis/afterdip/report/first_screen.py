"""The four figures and the grid of the first page, from results.json.

Those of survival and removal are read from these pages' answers. Another page writes its own under `first_screen`: a
list of {"tile": the page's name, "title", "figure": Estimate, "unit", "places", "behind": what it rests on, "trend":
[{"month", "figure"}], "also": {"title", "figure", "unit", "places"} or none}.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.estimate import Estimate
from afterdip.report.site import month_in_words
from afterdip.tables.base import count, digits, per_cent, points

_EARLIER = 3  # months before this one, in words


@dataclass(frozen=True, slots=True)
class Tile:
    """One of the four figures: `lines` of (what is printed large, its limits), none if it is not in the report."""

    title: str
    lines: tuple[tuple[str, str], ...] = ()
    behind: str = ""
    earlier: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """One figure of the grid: a word for what it shows, the class of its colour, and the figure itself."""

    word: str
    kind: str  # good, bad, open or few; decided by a limit, never by the mean
    text: str


def estimate(values: dict) -> Estimate:
    """Return the Estimate that `to_json` wrote."""
    return Estimate(**values)


def tiles(results: dict) -> Iterator[Tile]:
    """Yield the four figures in order."""
    yield from _survival_tiles(results)
    yield _removal_tile(results)
    yield _own_tile(results, "labour", "Hours and cost per 1\u202f000 clean surviving pieces")


def _survival_tiles(results: dict) -> Iterator[Tile]:
    if "survival" not in results:
        yield from (Tile("Alive after the dip"), Tile("Loss over sham"))
        return
    answer = results["survival"]
    month, days = answer["month"], count(answer["horizon_days"])
    behind = f"{count(month['pieces'])} pieces, {count(month['sessions'])} sessions"
    alive, loss = estimate(month["alive"]), estimate(month["loss_over_sham"])
    before = _earlier(results, answer["months"], lambda m: per_cent(_bare(estimate(m["alive"]))))
    yield Tile(f"Alive {days} days after the dip", (_line(alive, per_cent(_bare(alive)), 100.0),), behind, before)
    before = _earlier(results, answer["months"], lambda m: _points(estimate(m["loss_over_sham"])))
    yield Tile(f"Loss over sham, day {days}", (_line(loss, _points(loss), 100.0),), behind, before)


def _removal_tile(results: dict) -> Tile:
    if "removal" not in results:
        return Tile("Pests off the pieces")
    answer = results["removal"]
    month, sham = answer["month"], estimate(answer["month"]["sham_removed"])
    removed, killed = estimate(month["removed"]), estimate(month["killed"])
    lines = tuple(
        (f"{_at_least(figure)}{word if figure.known else ''}", f"{name}: {per_cent(figure)}" if figure.known else name)
        for figure, word, name in ((removed, " off the pieces", "removed"), (killed, " killed", "killed"))
    )
    behind = f"{count(month['pests'])} pests found, {count(month['sessions'])} sessions; "
    behind += f"shaking alone removed {per_cent(sham)}" if sham.known else f"shaking alone: {sham.reason}"
    before = _earlier(results, answer["months"], lambda m: _at_least(estimate(m["removed"])))
    return Tile("Pests off the pieces, lower limit", lines, behind, before)


def _own_tile(results: dict, name: str, title: str) -> Tile:
    """Return the tile a page wrote under `first_screen`, one entry or more with a line each; empty without."""
    entries = [e for e in results.get(name, {}).get("first_screen", []) if e["tile"] == name]
    if not entries:
        return Tile(title)
    first = entries[0]
    lines = tuple(_own_line(part) for entry in entries for part in (entry, *filter(None, [entry.get("also")])))
    before = _earlier(results, first["trend"], lambda m: _own_line(first | {"figure": m["figure"]})[0])
    return Tile(first.get("title", title), lines, first["behind"], before)


def _own_line(part: dict) -> tuple[str, str]:
    figure, places = estimate(part["figure"]), part.get("places", 1)
    name = part.get("title", "")
    if not figure.known:
        return figure.reason, name
    value = digits(figure.estimate, places) + (f" {part['unit']}" if part["unit"] else "")
    limits = _line(figure, value, 1.0, places)[1]
    return value, f"{name}; {limits}" if name and not part.get("tile") else limits


def _earlier(results: dict, months: list[dict], words) -> str:
    """Return the last months before this one in words."""
    before = sorted((m for m in months if m["month"] < results["month"]), key=lambda m: m["month"])[-_EARLIER:]
    return "; ".join(f"{calendar.month_abbr[int(m['month'][5:])]} {words(m)}" for m in before)


def _bare(figure: Estimate) -> Estimate:
    """Return the figure without its limits; the reason stays."""
    return Estimate(estimate=figure.estimate, reason=figure.reason)


def _points(figure: Estimate) -> str:
    """Return "+2.3 points" without limits."""
    return points(figure).split(" points")[0] + " points" if figure.known else figure.reason


def _at_least(figure: Estimate) -> str:
    """Return the lower limit in words."""
    if not figure.known or figure.low is None:
        return figure.reason or "no lower limit"
    return f"at least {digits(100 * figure.low, 1)}\u00a0%"


def _line(figure: Estimate, value: str, scale: float, places: int = 1) -> tuple[str, str]:
    """Return what is printed large, and the limits in words."""
    if not figure.known:
        return value, ""
    low, high = (None if x is None else digits(scale * x, places) for x in (figure.low, figure.high))
    level = f"{digits(100 * figure.confidence_level)}\u00a0% limits "
    if low is not None and high is not None:
        return value, f"{level}{low} to {high}"
    return value, f"{level}{low} or more" if low is not None else (f"{level}up to {high}" if high is not None else "")


def span_in_words(results: dict, page: str) -> str:
    """Return the stretch of time behind a page's figures by agent."""
    return f"{count(results['parameters'][page]['window_months'])} months to {month_in_words(results['month'])}"


def grid(results: dict) -> dict | None:
    """Return the rows of coral group x agent with their marks, or None without survival."""
    if "survival" not in results:
        return None
    settings, removal = results["settings"], results.get("removal", {"groups": []})
    cells = [cell for cell in results["survival"]["groups"] if not cell["is_control"]]
    kills = {_key(cell): cell["killed"] for cell in removal["groups"] if not cell.get("is_control")}
    marks = {
        key: {
            "kill": _kill_mark(kills[key], settings["target_kill"]) if key in kills else None,
            "loss": _loss_mark(cell["loss_over_sham"], settings["target_loss"]),
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


def _loss_mark(values: dict, limit: float) -> Mark:
    loss = estimate(values)
    if not loss.known:
        return Mark("too few" if "few" in loss.reason else "cannot say", "few", loss.reason)
    if loss.high is not None and loss.high <= limit:
        return Mark("within the limit", "good", points(loss))
    if loss.low is not None and loss.low > limit:
        return Mark("over the limit", "bad", points(loss))
    return Mark("open", "open", points(loss))


def _kill_mark(values: dict, target: float) -> Mark:
    kill = estimate(values)
    if not kill.known or kill.low is None:
        return Mark("too few" if "few" in kill.reason else "cannot say", "few", _at_least(kill))
    if kill.low >= target:
        return Mark("reaches the target", "good", _at_least(kill))
    if kill.high is not None and kill.high < target:
        return Mark("below the target", "bad", _at_least(kill))
    return Mark("open", "open", _at_least(kill))
