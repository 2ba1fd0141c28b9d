"""Screenshots of the sample's report as readers meet it, for looking through what a change did to the page.

Writes build/screenshots/: the first screen and the whole page at each width, the page with a choice in force, and
pages as they are printed. Needs `make sample` before, the tools of the tests and a Chromium on PATH.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from tapeline.report.paper import NoBrowserError, found_browser

ROOT = Path(__file__).resolve().parents[1]
WIDTHS_PX = (1440, 390)
HEIGHT_PX = 1000
LONGEST_PX = 16_000
"""Chromium draws no taller picture; what is longer is cut into parts."""
PRINTED_PX = 695
"""A4 less its margins at 96 pixels an inch."""


def main() -> int:
    """Write the pictures; status 1 where something is missing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--report", type=Path, default=ROOT / "results" / "report.html")
    parser.add_argument("--to", type=Path, default=ROOT / "build" / "screenshots")
    options = parser.parse_args()
    try:
        path = found_browser()
    except NoBrowserError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    if not options.report.is_file():
        sys.stderr.write(f"{options.report} is not there: run `make sample` first\n")
        return 1
    options.to.mkdir(parents=True, exist_ok=True)
    for old in options.to.glob("*.png"):
        old.unlink()
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=path, args=["--no-sandbox"] if os.getuid() == 0 else [])
        for width in WIDTHS_PX:
            take(browser, options.report, options.to, width)
        take(browser, options.report, options.to, PRINTED_PX, printed=True)
        browser.close()
    sys.stdout.write(f"{len(list(options.to.glob('*.png')))} pictures in {options.to}\n")
    return 0


def take(browser: Browser, report: Path, folder: Path, width: int, *, printed: bool = False) -> None:
    """All pictures of one width."""
    page = browser.new_page(viewport={"width": width, "height": HEIGHT_PX})
    if printed:
        page.emulate_media(media="print")
    page.goto(report.resolve().as_uri())
    name = "printed" if printed else f"{width}px"
    page.screenshot(path=folder / f"{name}-first-screen.png")
    height = int(page.evaluate("document.documentElement.scrollHeight"))
    for part, top in enumerate(range(0, height, LONGEST_PX), start=1):
        clip = {"x": 0, "y": top, "width": width, "height": min(LONGEST_PX, height - top)}
        page.screenshot(path=folder / f"{name}-part-{part}.png", full_page=True, clip=clip)  # type: ignore[arg-type]
    choice = page.locator(".chooser:visible select").first
    if choice.count():
        choice.select_option(index=1)
        page.locator("#comparisons").scroll_into_view_if_needed()
        page.screenshot(path=folder / f"{name}-one-comparison.png")
    page.close()


if __name__ == "__main__":
    sys.exit(main())
