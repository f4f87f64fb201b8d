"""Kills `afterdip report` at random moments, again and again, and looks at what is left.

    .venv/bin/python benchmarks/faults.py [LOG] [--kills 100] [--kernels 5] [--seed 20261003] [--write FILE]

Each kill is a SIGKILL, half of them of the run alone and half of the run and its children at once, at a moment drawn
evenly over the time a whole run takes. Two reports take turns (one counts follow-up a day longer), so that every run
would change the report before it. After each kill: the report is one of the two, whole and byte for byte; no child
lives on; the next run succeeds, gives its own report, and leaves no other file behind, neither beside the report nor
among the temporary files. `--kernels`: how many kills beyond those are of runs with a Jupyter kernel per page. The
moments are the same for the same seed; what a machine is doing at them is not.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tqdm import tqdm

DEMO = Path(__file__).parents[1] / "data" / "demo" / "log"
MONTH, DAYS = "2026-10", ("2026-11-20", "2026-11-21")
PATIENCE = 600  # seconds; a run that takes longer hangs
Tree = dict[str, str]


@dataclass(slots=True)
class Bench:
    """A place of its own for reports and temporary files, and what a whole report of each day is."""

    log: Path
    place: Path
    whole: list[Tree] = field(default_factory=list)
    seconds: dict[bool, float] = field(default_factory=dict)  # of a run, by whether it uses kernels

    @property
    def out(self) -> Path:
        return self.place / "reports" / MONTH

    def start(self, which: int, *, kernels: bool) -> subprocess.Popen:
        """Start a run for one of the two days, in a process group of its own."""
        asked = ("report", self.log, "--month", MONTH, "--as-of", DAYS[which], "--out", self.out)
        command = [sys.executable, "-m", "afterdip", *map(str, asked), *(["--jobs", "0"] if kernels else [])]
        environment = os.environ | {"TMPDIR": str(self.place / "temporary"), "OPENBLAS_NUM_THREADS": "1"}
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "start_new_session": True}
        return subprocess.Popen(command, env=environment, **quiet)

    def finish(self, which: int, *, kernels: bool) -> float:
        """Make a whole report; returns the seconds it took. Raises AssertionError unless it succeeds."""
        begun = time.monotonic()
        status = self.start(which, kernels=kernels).wait(timeout=PATIENCE)
        assert status == 0, f"a run ended with status {status}"
        return time.monotonic() - begun

    def strays(self) -> list[str]:
        """What lies about besides the report."""
        beside = [p.name for p in self.out.parent.iterdir() if p != self.out]
        return beside + [p.name for p in (self.place / "temporary").iterdir()]


def tree(folder: Path) -> Tree:
    """The SHA-256 of every file."""
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*"))}


def prepare(log: Path, place: Path, kernels: bool) -> Bench:
    bench = Bench(log, place)
    (place / "temporary").mkdir()
    for which in (0, 1):
        bench.seconds[False] = bench.finish(which, kernels=False)
        bench.whole.append(tree(bench.out))
    if kernels:
        bench.seconds[True] = bench.finish(1, kernels=True)
        assert tree(bench.out) == bench.whole[1], "a kernel per page gives another report"
    assert bench.whole[0] != bench.whole[1]
    assert not bench.strays()
    return bench


def any_lives(bench: Bench) -> bool:
    """Whether any process of a run is still there: told by its environment, for kernels leave their run's group."""
    mark = f"TMPDIR={bench.place / 'temporary'}".encode()
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if mark in (process / "environ").read_bytes().split(b"\0"):  # a zombie's is empty
                return True
        except OSError:  # it has just ended, or is another user's
            continue
    return False


def kill_once(bench: Bench, which: int, moment: float, *, alone: bool, kernels: bool) -> Counter:
    """Kill one run for day `which` over the other day's report, look, and make the next one; returns what was seen."""
    before, after = bench.whole[1 - which], bench.whole[which]
    assert tree(bench.out) == before
    process = bench.start(which, kernels=kernels)
    try:
        process.wait(timeout=moment)
    except subprocess.TimeoutExpired:
        process.kill() if alone else os.killpg(process.pid, signal.SIGKILL)
    status = process.wait()
    until = time.monotonic() + 30
    while any_lives(bench) and time.monotonic() < until:
        time.sleep(0.05)
    found = tree(bench.out)
    left = bench.strays()
    seen = Counter(
        kills=1, ended_before=status == 0, torn=found not in (before, after), new_already=found == after,
        left_strays=bool(left), children_alive=any_lives(bench),
    )  # fmt: skip
    bench.finish(which, kernels=kernels)
    return seen + Counter(next_wrong=tree(bench.out) != after, strays_after=bool(bench.strays()))


def run(bench: Bench, kills: int, chance: random.Random, *, kernels: bool) -> Counter:
    seen, which = Counter(), 0
    for i in tqdm(range(kills), desc="kernels" if kernels else "kills", unit="kill"):
        moment = chance.uniform(0, 1.05) * bench.seconds[kernels]
        seen += kill_once(bench, which, moment, alone=i % 2 == 0, kernels=kernels)
        which = 1 - which
    return seen


WORDS = {
    "kills": "runs killed",
    "ended_before": "of them ended before the kill came",
    "new_already": "the new report was in place already",
    "left_strays": "an unfinished folder or temporary file lay about after the kill",
    "torn": "**report neither the old nor the new, whole**",
    "children_alive": "**a child still running 30 s later**",
    "next_wrong": "**next run failed or gave another report**",
    "strays_after": "**stray files after the next run**",
}

HARM = ("torn", "children_alive", "next_wrong", "strays_after")


def table(columns: dict[str, Counter]) -> str:
    head = ["| | " + " | ".join(columns) + " |", "|---" * (len(columns) + 1) + "|"]
    rows = [[words, *(str(seen[key]) for seen in columns.values())] for key, words in WORDS.items()]
    return "\n".join([*head, *(f"| {' | '.join(row)} |" for row in rows)])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("log", nargs="?", type=Path, default=DEMO)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--kernels", type=int, default=5)
    parser.add_argument("--seed", type=int, default=20261003)
    parser.add_argument("--write", type=Path, metavar="FILE", help="also write the table to this file")
    args = parser.parse_args()
    chance = random.Random(args.seed)
    with tempfile.TemporaryDirectory(prefix="afterdip-faults-") as place:
        bench = prepare(args.log, Path(place), bool(args.kernels))
        columns = {"fork per page": run(bench, args.kills, chance, kernels=False)}
        if args.kernels:
            columns["kernel per page"] = run(bench, args.kernels, chance, kernels=True)
    machine = f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    took = ", ".join(f"{s:.0f} s with a {'kernel' if k else 'fork'} per page" for k, s in bench.seconds.items())
    text = f"{table(columns)}\n\nA whole run took {took} ({machine}). Seed {args.seed}.\n"
    print(text)
    if args.write:
        head = "# Reports killed at random moments\n\nWritten by `benchmarks/faults.py`.\n\n"
        args.write.write_text(head + text, encoding="utf-8")
    return int(any(seen[key] for seen in columns.values() for key in HARM))


if __name__ == "__main__":
    sys.exit(main())
