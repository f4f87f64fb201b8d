"""The four figures of the first page, from results.json.

Those of survival and removal are read from these pages' answers. Another page writes its own under `first_screen`: a
list of {"tile": the page's name, "title", "figure": Estimate, "unit", "places", "behind": what it rests on, "trend":
[{"month", "figure"}], "also": {"title", "figure", "unit", "places"} or none}.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from afterdip.answers.words import counted
from afterdip.estimate import Estimate
from afterdip.report.site import span_in_words
from afterdip.report.trend import Trend, trend
from afterdip.report.words import short, uncounted
from afterdip.tables.base import count, digits, per_cent

NO_TREND = Trend("", "")


@dataclass(frozen=True, slots=True)
class Tile:
    """One of the four figures: `lines` of (what is printed large, its limits), none if it is not in the report.

    `page`: the page that tells more, "" if it is not in the report.
    """

    title: str
    lines: tuple[tuple[str, str], ...] = ()
    behind: tuple[str, ...] = ()
    trend: Trend = NO_TREND
    page: str = ""


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
        yield from (Tile("Pieces alive after the dip"), Tile("Pieces lost to the dip itself"))
        return
    answer, month = results["survival"], results["survival"]["month"]
    day, sham = count(answer["horizon_days"]), answer["month_sham"]["sessions"]
    behind = f"{counted(month['pieces'], 'piece')}, {counted(month['sessions'], 'session')}"
    alive, loss, came_off = (estimate(month[name]) for name in ("alive", "loss_over_sham", "detached"))
    off = (f"another {per_cent(came_off)} came off",) if came_off.known else ()
    yield Tile(
        f"Pieces alive {day} days after the dip",
        (_line(alive, _share(alive), 100.0),),
        (behind, *off, *_found_late(month, day)),
        _trend(results, "alive", name="alive", say=_hundredfold, unit="\u00a0%"),
        "survival.html",
    )
    yield Tile(
        f"Pieces lost to the dip itself by day {day} (loss over sham)",
        (_beside(_line(loss, in_hundred(loss), 100.0, signed=True), sham), *_loss_over_the_window(results)),
        (),
        _trend(results, "loss_over_sham", name="lost over sham", say=lambda x: signed(100 * x), unit=" in 100"),
        "survival.html",
    )


def _beside(line: tuple[str, str], sham: int) -> tuple[str, str]:
    """Add the month's shams to the month's own line: below the window's figure they would seem to be the window's.

    Where there is no figure its reason has told of them.
    """
    return (line[0], f"{line[1]}; beside {counted(sham, 'sham session')}") if line[1] else line


def _loss_over_the_window(results: dict) -> Iterator[tuple[str, str]]:
    """Yield the loss over sham of all months of the window: one month alone can seldom tell it from none."""
    window, month = (results["survival"][name] for name in ("window", "month"))
    loss = estimate(window["loss_over_sham"])
    if loss.known and window["pieces"] > month["pieces"]:
        value, limits = _line(loss, in_hundred(loss), 100.0, signed=True)
        yield value, f"over the {span_in_words(results, 'survival')}; {limits}"


def _found_late(month: dict, day: str) -> tuple[str, ...]:
    """Say what deaths found only at a look after the horizon would make of it, where that changes what one reads."""
    alive, spread = (estimate(month[name]) for name in ("alive", "alive_spread"))
    if not (spread.known and month["straddling"]) or (alive.known and alive.estimate - spread.estimate < 0.005):
        return ()
    late = counted(month["straddling"], "death")
    return (f"{per_cent(spread)} if {late} found only after day {day} are spread over the days since the look before",)


def _trend(results: dict, figure: str, *, page: str = "survival", **options) -> Trend:
    months = [(m["month"], estimate(m[figure])) for m in results[page]["months"]]
    return trend(months, month=results["month"], **options)


def _hundredfold(share: float) -> str:
    return digits(100 * share, 1)


def _removal_tile(results: dict) -> Tile:
    title = "Pests off the pieces, and killed"
    if "removal" not in results:
        return Tile(title)
    month, sham = results["removal"]["month"], estimate(results["removal"]["month"]["sham_removed"])
    removed, killed = estimate(month["removed"]), estimate(month["killed"])
    if not month["pests"]:
        looked = counted(month["sessions"], "session") if month["sessions"] else ""
        none = "only sham dips have a pest count" if results["removal"]["counted"] else "no pest was looked for"
        words = f"no pest was found in {looked}, so nothing can be said" if looked else none
        return Tile(title, ((words, ""),), page="removal.html")
    behind = f"{counted(month['pests'], 'pest')} found, {counted(month['sessions'], 'session')}"
    if lacking := uncounted(results):
        return Tile(title, ((f"{lacking}, so no share can be said", ""),), (behind,), page="removal.html")
    lines = [
        (f"{at_least(figure)} {word}", f"{per_cent(figure)} of those found") if figure.known
        else (f"{word}: {short(figure.reason)}", "")
        for figure, word in ((removed, "off the pieces"), (killed, "killed"))
    ]  # fmt: skip
    return Tile(
        title,
        tuple(lines),
        (
            behind,
            f"shaking alone took off {per_cent(sham)}" if sham.known else f"shaking alone: {short(sham.reason)}",
        ),
        _trend(results, "removed", name="off the pieces, at least", say=_hundredfold, unit="\u00a0%", page="removal",
               bound=True),
        "removal.html",
    )  # fmt: skip


def _own_tile(results: dict, name: str, title: str) -> Tile:
    """Return the tile a page wrote under `first_screen`, one entry or more with a line each; empty without."""
    entries = [e for e in results.get(name, {}).get("first_screen", []) if e["tile"] == name]
    if not entries:
        return Tile(title)
    first = entries[0]
    lines = tuple(_own_line(part) for entry in entries for part in (entry, *filter(None, [entry.get("also")])))
    months = [(m["month"], estimate(m["figure"])) for m in first["trend"]]
    if results["month"] not in dict(months):
        months.append((results["month"], estimate(first["figure"])))
    unit, places = f" {first['unit']}".rstrip(), first.get("places", 1)
    found = trend(months, month=results["month"], say=lambda x: digits(x, places), unit=unit, name=title)
    return Tile(first.get("title", title), lines, (first["behind"],), found, f"{name}.html")


def _own_line(part: dict) -> tuple[str, str]:
    figure, places = estimate(part["figure"]), part.get("places", 1)
    name = "" if part.get("tile") else part.get("title", "")
    if not figure.known:
        return f"{f'{name}: ' if name else ''}{short(figure.reason)}", ""
    value = digits(figure.estimate, places) + (f" {part['unit']}" if part["unit"] else "")
    limits = _line(figure, value, 1.0, places)[1]
    return value, f"{name}; {limits}" if name else limits


def signed(value: float, places: int = 1) -> str:
    """Return "+2.3", "0.0" or "−0.4"."""
    return ("+" if round(value, places) > 0 else "") + digits(value, places)


def in_hundred(figure: Estimate) -> str:
    """Return "+2.3 in 100" without limits."""
    return f"{signed(100 * figure.estimate)} in 100" if figure.known else short(figure.reason)


def at_least(figure: Estimate) -> str:
    """Return the lower limit in words."""
    if not figure.known or figure.low is None:
        return short(figure.reason) or "no lower limit"
    return f"at least {digits(100 * figure.low, 1)}\u00a0%"


def _share(figure: Estimate) -> str:
    return f"{digits(100 * figure.estimate, 1)}\u00a0%" if figure.known else short(figure.reason)


def _line(figure: Estimate, value: str, scale: float, places: int = 1, *, signed: bool = False) -> tuple[str, str]:
    """Return what is printed large, and the limits in words."""
    if not figure.known:
        return value, ""
    write = _signed if signed else digits
    low, high = (None if x is None else write(scale * x, places) for x in (figure.low, figure.high))
    level = f"{digits(100 * figure.confidence_level)}\u00a0% limits "
    if low is not None and high is not None:
        return value, f"{level}{low} to {high}"
    return value, f"{level}{low} or more" if low is not None else (f"{level}up to {high}" if high is not None else "")


_signed = signed
