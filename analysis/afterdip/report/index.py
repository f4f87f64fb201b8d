"""The report's first page, drawn from results.json alone.

It reads the answers of `survival` and `removal`; of any page `first_screen` (see first_screen.py) and `trust`,
a list of sentences on what its figures rest on; and `actions`, a list of {"due": "YYYY-MM-DD" or "", "what": words,
"why": words} in order of urgency. What is not recorded is said to be "not in this report".
"""

from __future__ import annotations

from collections.abc import Iterator

from afterdip.report.first_screen import estimate, grid, span_in_words, tiles
from afterdip.report.selfcontained import check_selfcontained
from afterdip.report.site import page_frame
from afterdip.tables.base import count, digits, out_of, per_cent, points

ACTIONS_AT_MOST = 5


def render_index(results: dict) -> str:
    """Return index.html. A part whose results are not in the report says so."""
    html = page_frame(results, page="index").render(
        "index.html.j2",
        title="This month",
        sentence=sentence(results),
        failed=list(failed(results)),
        actions=results["actions"][:ACTIONS_AT_MOST] if "actions" in results else None,
        tiles=list(tiles(results)),
        grid=grid(results),
        trust=list(trust(results)),
    )
    check_selfcontained(html, page="index.html")
    return html


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
    return f"{said}; lost over the sham: {points(loss) if loss.known else f'cannot say, {loss.reason}'}."


def failed(results: dict) -> Iterator[str]:
    """Yield what failed over the window of months: only where the whole interval lies on the wrong side."""
    settings = results["settings"]
    if "survival" in results:
        over = [a for a in results["survival"]["agents"] if not a["is_control"]]
        over = [a["agent"] for a in over if (a["loss_over_sham"]["low"] or 0.0) > settings["target_loss"]]
        limit = f"the limit of {digits(100 * settings['target_loss'])} points lost over the sham"
        span = span_in_words(results, "survival")
        yield f"Over {limit}, {span}: {', '.join(over)}." if over else f"No agent is shown to be over {limit}, {span}."
    if "removal" in results:
        under = [a for a in results["removal"]["agents"] if not a["is_control"] and a["killed"]["high"] is not None]
        under = [a["agent"] for a in under if a["killed"]["high"] < settings["target_kill"]]
        target = f"the target of {digits(100 * settings['target_kill'])}\u00a0% of pests killed"
        span, short = span_in_words(results, "removal"), "No agent is shown to fall short of"
        yield f"Short of {target}, {span}: {', '.join(under)}." if under else f"{short} {target}, {span}."


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
    if "removal" in results and "trust" not in results["removal"]:
        dips, counted = results["removal"]["dips"], results["removal"]["counted"]
        yield f"{out_of(dips - counted, dips)} sessions have no pest count."
    for page in results["pages"]:
        yield from results.get(page["name"], {}).get("trust", [])
    yield from _log(results)


def _log(results: dict) -> Iterator[str]:
    left_out = sum(n for file in results["log"]["files"] for n in file["rows_left_out"].values())
    rows = sum(file["rows_read"] for file in results["log"]["files"])
    yield f"{count(rows)} rows of the log were read, {count(left_out)} left out."
    by_code: dict[str, int] = {}
    for warning in results["warnings"]:
        words = (warning["code"] or warning["message"]).replace("_", " ").replace("-", " ")
        by_code[words] = by_code.get(words, 0) + 1
    if by_code:
        most = sorted(by_code.items(), key=lambda item: (-item[1], item[0]))
        n, listed = len(results["warnings"]), ", ".join(f"{words} ({count(n)})" for words, n in most)
        yield f"The log has {count(n)} {'warning' if n == 1 else 'warnings'}: {listed}."
    else:
        yield "The log has no warnings."
