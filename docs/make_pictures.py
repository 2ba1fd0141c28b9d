"""Take the pictures of the documentation from the sample's own results: a browser shows the report, figures are copied.

Needs `make sample` before and a Chromium (`chromium` or `google-chrome` on PATH).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"
QUIET = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")


def main() -> int:
    """Write docs/pictures/report.png."""
    browser = next((found for name in ("chromium", "google-chrome") if (found := shutil.which(name))), None)
    report = ROOT / "results" / "report.html"
    if browser is None or not report.is_file():
        sys.stderr.write("a Chromium on PATH and `make sample` before are needed\n")
        return 1
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as profile:
        size = ("--window-size=1200,1500", "--hide-scrollbars", f"--screenshot={PICTURES / 'report.png'}")
        subprocess.run([browser, *QUIET, *size, f"--user-data-dir={profile}", report.as_uri()], check=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
