"""The report's first page, drawn from results.json alone.

It reads, where they are there (a part that is not says "not in this report"):

- `survival`: `month`, `months` and `groups` with `alive` and `loss_over_sham`, `month_sham`, `unknown`, `horizon_days`
- any page's `first_screen`, a list of {"tile", "figure", "unit", "scale", "trend": [{"month", "figure"}], "behind"}:
  `tile` names one of TILES, `figure` is an Estimate, `unit` is "per cent", "points" or a word printed behind the number
- any page's `grid_cells`, a list of {"coral_group", "agent", "kill": Estimate}
- any page's `trust`, a list of sentences on what its figures rest on, and `failed`, a list of sentences on what failed
- `actions`, a list of {"due": "YYYY-MM-DD" or "", "what": words, "why": words}; five at most are shown, in their order
"""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.estimate import Estimate
from afterdip.report.selfcontained import check_selfcontained
from afterdip.report.site import page_frame
from afterdip.tables.base import count, digits, number, out_of, per_cent, points

TILES = {
    "alive": "Alive at the horizon",
    "loss_over_sham": "Loss over sham",
    "removal": "Pests removed or killed",
    "labour": "Hours and cost per 1,000 clean surviving pieces",
}
ACTIONS_AT_MOST = 5
_EARLIER = 3  # months of trend in words
_OWN = ("month", "as_of", "version", "parameters", "log", "settings", "warnings", "pages", "actions")


@dataclass(frozen=True, slots=True)
class Tile:
    """One of the four figures in print; `value` is empty when it is not in the report, `known` False for a reason."""

    title: str
    value: str = ""
    known: bool = False
    limits: str = ""
    behind: str = ""
    earlier: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """One figure of the grid: the words, and the class of its colour, decided by a limit and never by the mean."""

    text: str
    word: str
    kind: str  # good, bad, open or few


def render_index(results: dict) -> str:
    """Return index.html. A part whose results are not in the report says so."""
    html = page_frame(results, page="index").render(
        "index.html.j2",
        title="This month",
        sentence=sentence(results),
        actions=results["actions"][:ACTIONS_AT_MOST] if "actions" in results else None,
        tiles=[tile(results, name) for name in TILES],
        grid=grid(results),
        trust=list(trust(results)),
    )
    check_selfcontained(html, page="index.html")
    return html


def estimate(values: dict) -> Estimate:
    """Return the Estimate that `to_json` wrote."""
    return Estimate(**values)


def sentence(results: dict) -> str:
    """Say the month in one plain sentence."""
    if "survival" not in results:
        return "This report does not hold the page on survival."
    answer = results["survival"]
    month, day = answer["month"], f"{count(answer['horizon_days'])} days"
    if not month["pieces"]:
        return "No piece had its first dip in this month."
    alive, loss = estimate(month["alive"]), estimate(month["loss_over_sham"])
    said = f"{count(month['pieces'])} pieces had their first dip in {count(month['sessions'])} sessions; "
    said += f"{day} later {per_cent(alive)} were alive" if alive.known else f"alive {day} later: {alive.reason}"
    over = points(loss) if loss.known else f"cannot say, {loss.reason}"
    return f"{said}; lost over the sham: {over}. {' '.join(_listed(results, 'failed'))}".strip()


def tile(results: dict, name: str) -> Tile:
    """Return one of the four figures."""
    found = next((t for t in _tiles(results) if t["tile"] == name), None)
    if found is None:
        return Tile(TILES[name])
    figure = estimate(found["figure"])
    earlier = [f"{_short(t['month'])} {_alone(estimate(t['figure']), found)}" for t in found["trend"] if t["figure"]]
    value = _alone(figure, found)
    return Tile(
        title=found.get("title", TILES[name]),
        value=value,
        known=figure.known,
        limits=_limits(figure, found),
        behind=found["behind"],
        earlier="; ".join(earlier[-_EARLIER:]),
    )


def _tiles(results: dict) -> Iterator[dict]:
    """Yield the tiles of the report: survival's from its own results, the others' as their pages name them."""
    if "survival" in results:
        answer = results["survival"]
        month, earlier = answer["month"], [m for m in answer["months"] if m["month"] < results["month"]]
        behind = f"{count(month['pieces'])} pieces, {count(month['sessions'])} sessions"
        for name, unit in (("alive", "per cent"), ("loss_over_sham", "points")):
            trend = [{"month": m["month"], "figure": m[name]} for m in earlier]
            title = f"{TILES[name]}, day {answer['horizon_days']}" if name == "loss_over_sham" else ""
            title = title or f"Alive {answer['horizon_days']} days after the dip"
            yield {"tile": name, "title": title, "figure": month[name], "unit": unit, "trend": trend, "behind": behind}
    for _, answer in _answers(results):
        yield from answer.get("first_screen", [])


def _short(month: str) -> str:
    return calendar.month_abbr[int(month[5:])]


def _alone(figure: Estimate, tile: dict) -> str:
    """Return the number without its limits, or the reason there is none."""
    if not figure.known:
        return figure.reason
    bare = Estimate(estimate=figure.estimate, confidence_level=figure.confidence_level)
    if tile["unit"] == "per cent":
        return per_cent(bare)
    if tile["unit"] == "points":
        return points(bare).split(" points")[0] + " points"
    return number(bare, tile.get("places", 1), unit=" " + tile["unit"], scale=tile.get("scale", 1.0))


def _limits(figure: Estimate, tile: dict) -> str:
    """Return the limits in words."""
    if not figure.known:
        return ""
    scale = 100.0 if tile["unit"] in ("per cent", "points") else tile.get("scale", 1.0)
    low, high = (None if x is None else digits(scale * x, tile.get("places", 1)) for x in (figure.low, figure.high))
    if low is None and high is None:
        return ""
    between = f"{low} to {high}" if low and high else (f"{low} or more" if low else f"up to {high}")
    return f"{figure.confidence_level:.0%} limits {between}"


def grid(results: dict) -> dict | None:
    """Return rows of coral group x agent with their marks, or None without survival."""
    if "survival" not in results:
        return None
    settings = results["settings"]
    cells = [cell for cell in results["survival"]["groups"] if not cell["is_control"]]
    kills = {(k["coral_group"], k["agent"]): k["kill"] for _, a in _answers(results) for k in a.get("grid_cells", [])}
    agents = sorted({cell["agent"] for cell in cells})
    groups = sorted({cell["coral_group"] for cell in cells})
    marks = {
        (cell["coral_group"], cell["agent"]): {
            "kill": _kill_mark(kills.get((cell["coral_group"], cell["agent"])), settings["target_kill"]),
            "loss": _loss_mark(cell["loss_over_sham"], settings["target_loss"]),
        }
        for cell in cells
    }
    targets = {name: digits(100 * settings[f"target_{name}"]) for name in ("kill", "loss")}
    return {"agents": agents, "groups": groups, "marks": marks, "kill": bool(kills), "targets": targets}


def _loss_mark(values: dict, target: float) -> Mark:
    loss = estimate(values)
    if not loss.known:
        return Mark(loss.reason, "too few" if loss.sessions else "cannot say", "few")
    if loss.high is not None and loss.high <= target:
        return Mark(points(loss), "within the limit", "good")
    if loss.low is not None and loss.low > target:
        return Mark(points(loss), "over the limit", "bad")
    return Mark(points(loss), "open", "open")


def _kill_mark(values: dict | None, target: float) -> Mark | None:
    if values is None:
        return None
    kill = estimate(values)
    if not kill.known or kill.low is None:
        return Mark(kill.reason or "no lower limit", "too few", "few")
    text = f"at least {digits(math.floor(1000 * kill.low) / 10, 1)}\u00a0%"  # down: a bound must not gain in print
    if kill.low >= target:
        return Mark(text, "reaches the target", "good")
    if kill.high is not None and kill.high < target:
        return Mark(text, "below the target", "bad")
    return Mark(text, "open", "open")


def trust(results: dict) -> Iterator[str]:
    """Yield sentences on what the month's figures rest on and what is missing."""
    if "survival" in results:
        u, sham = results["survival"]["unknown"], results["survival"]["month_sham"]
        yield (
            f"{out_of(u['trays_never_checked'], u['trays'])} trays were never checked after their dip "
            f"({count(u['pieces_never_checked'])} pieces: unknown, not alive)."
        )
        followed = out_of(u["sessions_followed_to_horizon"], u["sessions"])
        yield f"{followed} sessions were followed to day {results['survival']['horizon_days']}."
        yield (
            f"{count(sham['sessions'])} sham sessions to compare with."
            if sham["sessions"]
            else "No sham dip in the month: what handling alone does to pieces and pests is not known."
        )
    yield from _listed(results, "trust")
    left_out = sum(n for file in results["log"]["files"] for n in file["rows_left_out"].values())
    rows = sum(file["rows_read"] for file in results["log"]["files"])
    yield f"{count(rows)} rows of the log were read, {count(left_out)} left out."
    by_code: dict[str, int] = {}
    for warning in results["warnings"]:
        words = (warning["code"] or warning["message"]).replace("_", " ").replace("-", " ")
        by_code[words] = by_code.get(words, 0) + 1
    if by_code:
        most = sorted(by_code.items(), key=lambda item: (-item[1], item[0]))
        listed = ", ".join(f"{words} ({count(n)})" for words, n in most)
        n = len(results["warnings"])
        yield f"The log has {count(n)} {'warning' if n == 1 else 'warnings'}: {listed}."
    else:
        yield "The log has no warnings."


def _answers(results: dict) -> list[tuple[str, dict]]:
    return [(name, a) for name, a in sorted(results.items()) if name not in _OWN and isinstance(a, dict)]


def _listed(results: dict, name: str) -> list[str]:
    return [text for _, answer in _answers(results) for text in answer.get(name, [])]
