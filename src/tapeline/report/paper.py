"""The page on paper: a PDF that a Chromium on this machine prints."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tapeline.limits import PRINTING_S
from tapeline.store.atomic import replacing

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PAPERS = ("A4", "Letter")
QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-extensions",
    "--disable-sync",
    "--disable-breakpad",
    "--disable-background-networking",
    "--disable-component-update",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--no-first-run",
    "--no-default-browser-check",
)
"""Nothing but the page: no network, nothing of the user's own browser."""

MEND = "name one with --browser PATH, or open report.html in any browser and print it from there"


class NoBrowserError(Exception):
    """There is no Chromium where it was looked for."""


class PrintingError(Exception):
    """The browser did not make a PDF."""


def found_browser(named: str | None = None) -> str:
    """The Chromium to print with: the one named, a path or a command, else the first of `BROWSERS` on PATH.

    Raises NoBrowserError.
    """
    path = next((found for name in ((named,) if named else BROWSERS) if (found := shutil.which(name))), None)
    if path is None:
        looked = f"{named} is no program that can be run" if named else f"no Chromium on PATH ({', '.join(BROWSERS)})"
        raise NoBrowserError(f"{looked}; install one (Debian: apt-get install chromium), {MEND}")
    return path


def print_page(page: Path, destination: Path, browser: str, paper: str) -> None:
    """Print the page to a PDF on `paper`, one of `PAPERS`. The PDF holds the time of printing: its bytes differ.

    Raises PrintingError; `destination` is then as it was. FileNotFoundError without the page.
    """
    text = page.read_text(encoding="utf-8")
    with (
        replacing(destination) as temporary,
        _beside(destination, _on(paper, text)) as copy,
        # On a disk of this machine: browsers lock their profile, which shared folders may not do.
        tempfile.TemporaryDirectory(prefix="tapeline-print-", ignore_cleanup_errors=True) as profile,
    ):
        own = [f"--user-data-dir={profile}", "--no-pdf-header-footer", f"--print-to-pdf={temporary.resolve()}"]
        # A sandbox needs a user: Chromium refuses to start as root with one.
        sandbox = ["--no-sandbox"] if os.getuid() == 0 else []
        status, said = _run([browser, *QUIET, *sandbox, *own, copy.resolve().as_uri()])
        if status or not _is_pdf(temporary):
            raise PrintingError(f"{browser} made no PDF (status {status}){said}; {MEND}")


def _on(paper: str, text: str) -> str:
    """The page with the paper's size, which a command line cannot say and a page for all papers must not."""
    return text.replace("</head>", f"<style>@page {{ size: {paper}; }}</style>\n</head>", 1)


@contextmanager
def _beside(destination: Path, text: str) -> Iterator[Path]:
    """A page for the browser beside `destination`: packaged browsers see no other program's temporary folders."""
    for left in destination.parent.glob(".report-on-paper.*.html"):
        left.unlink(missing_ok=True)
    copy = destination.with_name(f".report-on-paper.{os.getpid()}.html")
    try:
        copy.write_text(text, encoding="utf-8", newline="\n")
        yield copy
    finally:
        copy.unlink(missing_ok=True)


def _run(command: list[str]) -> tuple[int, str]:
    """Exit status and the end of what was said. Raises PrintingError where it takes too long or cannot be started."""
    try:
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace",
            start_new_session=True,
        )  # fmt: skip
    except OSError as error:
        raise PrintingError(f"{command[0]} cannot be started ({error.strerror}); {MEND}") from error
    try:
        _, said = process.communicate(timeout=PRINTING_S)
    except subprocess.TimeoutExpired as error:
        raise PrintingError(f"{command[0]} took longer than {PRINTING_S:g} s and was stopped; {MEND}") from error
    finally:
        if process.poll() is None:
            # With its helpers, which a killed browser may leave behind.
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    lines = said.strip().splitlines()
    return process.returncode, f": {lines[-1]}" if lines else ""


def _is_pdf(path: Path) -> bool:
    """By the mark at its start (ISO 32000-1, 7.5.2) and at its end (7.5.5)."""
    if not path.is_file():
        return False
    content = path.read_bytes()
    return content.startswith(b"%PDF-") and b"%%EOF" in content[-1024:]
