"""Run the calibrations: all of them, or those named on the command line."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

CALIBRATIONS = {
    "survival": "afterdip.calibrate.survival:calibrate_survival",
    "removal": "afterdip.calibrate.removal:calibrate_removal",
    "dose_response": "afterdip.calibrate.dose_response:calibrate_dose_response",
    "comparison": "afterdip.calibrate.comparison:calibrate_comparison",
    "comparison_odds": "afterdip.calibrate.odds:calibrate_odds",
    "comparison_strengths": "afterdip.calibrate.strengths:calibrate_strengths",
    "follow_up": "afterdip.calibrate.follow_up:calibrate_follow_up",
    "labour": "afterdip.calibrate.labour:calibrate_labour",
    "labour_cost": "afterdip.calibrate.piece_cost:calibrate_piece_cost",
    "labour_jump": "afterdip.calibrate.labour_jump:calibrate_labour_jump",
    "monitoring": "afterdip.calibrate.monitoring:calibrate_monitoring",
    "session_tests": "afterdip.calibrate.session_tests:calibrate_session_tests",
    "survival_limits": "afterdip.calibrate.survival_limits:calibrate_survival_limits",
    "survival_strengths": "afterdip.calibrate.survival_strengths:calibrate_survival_strengths",
}
"""Name -> module:function; the function takes the folder its table goes to, and `replicates=` where that is open."""


def main(arguments: list[str] | None = None) -> int:
    """Run the named calibrations, one after the other; each prints its table and rewrites its file."""
    parser = argparse.ArgumentParser(prog="python -m afterdip.calibrate", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(CALIBRATIONS)}; all when left out")
    parser.add_argument("--out", type=Path, default=Path("tests/reference/calibration"), help="folder of the tables")
    options = parser.parse_args(arguments)
    unknown = [name for name in options.names if name not in CALIBRATIONS]
    if unknown:
        parser.error(f"unknown calibration {', '.join(unknown)}; known: {', '.join(CALIBRATIONS)}")
    options.out.mkdir(parents=True, exist_ok=True)
    for name in options.names or CALIBRATIONS:
        print(f"== {name}", flush=True)
        _function(CALIBRATIONS[name])(options.out)
    return 0


def _function(place: str) -> Callable[[Path], None]:
    """Import `module:function` only when it is to run."""
    module, function = place.split(":")
    return getattr(import_module(module), function)


if __name__ == "__main__":
    sys.exit(main())
