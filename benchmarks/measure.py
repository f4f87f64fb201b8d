"""Times and memory of a command or a function, each in processes of its own, and the machine they were measured on."""

from __future__ import annotations

import contextlib
import math
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

QUIET = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONHASHSEED": "0"}
EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Cost:
    """What a run took: wall and processor seconds, and the most memory all its processes held at once, MB.

    Memory that processes share is counted once (proportional set size), looked at every `EVERY_S` seconds.
    """

    wall_s: float
    cpu_s: float
    peak_mb: float


def run(
    command: Sequence[str], *, cwd: Path | None = None, env: dict[str, str] | None = None, memory: bool = True
) -> Cost:
    """Run a command and its children to their end; raises RuntimeError with its last words if it fails.

    Looking at memory halts the processes looked at and takes a tenth of a core: without `memory` the run is left alone
    and its `peak_mb` is NaN.
    """
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with tempfile.TemporaryFile() as words:
        settings = os.environ | QUIET | (env or {})
        process = subprocess.Popen(command, cwd=cwd, env=settings, stdout=words, stderr=subprocess.STDOUT)
        peak = 0.0
        while process.poll() is None:
            peak = max(peak, _held(process.pid)) if memory else math.nan
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(EVERY_S)
        wall = time.perf_counter() - start
        if process.returncode:
            words.seek(0)
            raise RuntimeError(f"{' '.join(command)} failed:\n{words.read().decode()[-2000:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, cpu, peak)


def _held(pid: int) -> float:
    """Memory of a process and all below it, MB; 0 where the system does not tell."""
    total = 0.0
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                total += int(line.split()[1]) / 1024
        for task in Path(f"/proc/{pid}/task").iterdir():
            total += sum(_held(int(child)) for child in (task / "children").read_text().split())
    return total


def machine() -> str:
    """Return the machine in a line: processor, cores, memory, system, Python; nothing that names a place or a day."""
    model = platform.processor() or platform.machine()
    with contextlib.suppress(OSError):
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        model = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model)
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    kernel = f"{platform.system()} {'.'.join(platform.release().split('.')[:2])}"
    return f"{model}, {cores} cores, {memory:.0f} GB, {kernel}, Python {platform.python_version()}"


def versions(*names: str) -> str:
    """Return the versions of these packages in a line."""
    from importlib.metadata import version

    return ", ".join(f"{name} {version(name)}" for name in names)


PYTHON = sys.executable
