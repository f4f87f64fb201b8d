"""Takes the two pictures of the readme from the committed month: `make pictures` (needs Chromium)."""

from __future__ import annotations

import tempfile
from pathlib import Path

from browser import Browser

REPORTS = Path(__file__).parents[1] / "reports"
PICTURES = {  # file -> page, where the picture begins, its width and height in CSS pixels
    "first-screen.png": ("index.html", "body", 1280, 1000),
    "survival.png": ("survival.html", "#what-does-each-agent-cost-in-pieces", 900, 1010),
}


def main() -> None:
    """Take both."""
    with tempfile.TemporaryDirectory() as profile, Browser(Path(profile)) as browser:
        for name, (page, begin, width, height) in PICTURES.items():
            browser.open(REPORTS / "2026-10" / page, width=width)
            top = browser.ask(f"document.querySelector('{begin}').getBoundingClientRect().top + scrollY")
            area = {"x": 0, "y": max(0, top - 16), "width": width, "height": height, "scale": 1}
            (REPORTS / "pictures" / name).write_bytes(browser.picture(clip=area))


if __name__ == "__main__":
    main()
