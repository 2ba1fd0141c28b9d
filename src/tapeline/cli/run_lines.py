"""What a run says while it works: lines for people, with its progress on a terminal, or JSON for machines."""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, TextIO

PROGRESS_EVERY_S = 60.0
"""Least seconds between two lines of progress where they cannot be rewritten in place."""

ERASE_LINE = "\r\x1b[K"
"""Carriage return and "erase in line" (ECMA-48)."""


class TextLines:
    """Lines for people: what was found to the standard output, all else to the standard error.

    On a terminal the progress is one line that is rewritten in place; elsewhere it is a line now and then.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._shown = clock, ""
        self._in_place = sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._last = clock()

    def say(self, event: str, text: str, *, result: bool = False, **values: Any) -> None:
        """Print a text; `event` and `values` are for machines, `result` for what was found."""
        if text:
            self._erase()
            _write(sys.stdout if result else sys.stderr, f"{text}\n")

    def progress(self, text: str, **values: Any) -> None:
        """Show how far the run is."""
        if self._in_place:
            width = shutil.get_terminal_size().columns - 1
            if text[:width] != self._shown:
                self._erase()
                self._shown = text[:width]
                _write(sys.stderr, self._shown)
        elif self._clock() - self._last >= PROGRESS_EVERY_S:
            self._last = self._clock()
            _write(sys.stderr, f"{text}\n")

    def close(self) -> None:
        """Take the progress line away."""
        self._erase()

    def _erase(self) -> None:
        if self._shown:
            self._shown = ""
            _write(sys.stderr, ERASE_LINE)


class JsonLines:
    """One JSON object a line on the standard output; texts are those for people."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._last = clock()

    def say(self, event: str, text: str, *, result: bool = False, **values: Any) -> None:
        """Print an event with its values."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        words = {"text": " ".join(text.split())} if text else {}
        line = {"event": event, "time": now, **words, **values}
        _write(sys.stdout, json.dumps(line) + "\n")

    def progress(self, text: str, **values: Any) -> None:
        """Print how far the run is, now and then."""
        if self._clock() - self._last >= PROGRESS_EVERY_S:
            self._last = self._clock()
            self.say("progress", text, **values)

    def close(self) -> None:
        """Nothing stays on the screen."""


RunLines = TextLines | JsonLines


def _write(stream: TextIO, text: str) -> None:
    # Who no longer reads what a run says does not end its work.
    with suppress(OSError, ValueError):
        stream.write(text)
        stream.flush()
