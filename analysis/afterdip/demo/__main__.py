"""`python -m afterdip.demo FOLDER` writes FOLDER/log and FOLDER/truth.json: how data/demo is remade."""

from __future__ import annotations

import sys
from pathlib import Path

from . import write_demo_with_truth

if __name__ == "__main__":
    write_demo_with_truth(Path(sys.argv[1]))
