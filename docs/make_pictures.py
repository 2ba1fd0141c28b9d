"""Take the pictures of the documentation from the sample's own results, as a browser shows them.

Needs `make sample` before, the tools of the tests and a Chromium on PATH.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from tapeline.report.paper import NoBrowserError, found_browser

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"


def main() -> int:
    """Write docs/pictures/sheet.png and compare.png; status 1 where something is missing."""
    results = ROOT / "results"
    try:
        path = found_browser()
    except NoBrowserError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    if not (results / "sheet.html").is_file():
        sys.stderr.write("results/sheet.html is not there: run `make sample` first\n")
        return 1
    PICTURES.mkdir(exist_ok=True)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=path, args=["--no-sandbox"] if os.getuid() == 0 else [])
        page = browser.new_page(viewport={"width": 760, "height": 1100})
        page.goto((results / "sheet.html").as_uri())
        page.locator("main").screenshot(path=PICTURES / "sheet.png")
        page.set_viewport_size({"width": 1200, "height": 1000})
        page.goto((results / "report.html").as_uri())
        page.locator(".stage").screenshot(path=PICTURES / "compare.png")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
