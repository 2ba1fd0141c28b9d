"""What a step tells the run that started it: lines of JSON in the stream in which the workflow manager writes.

Each stands behind a record separator (RFC 7464), so that it is told from whatever else is written there.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress

EVENTS_VARIABLE = "TAPELINE_EVENTS"
"""Environment variable that is set while a run listens to what steps tell."""

TERMINAL_VARIABLE = "TAPELINE_TERMINAL"
"""Environment variable with the file descriptor of the terminal in a step whose own output goes to its log."""

SEPARATOR = b"\x1e"
LONGEST_TEXT = 900
"""Characters of a text in an event: Linux writes up to 4096 bytes (PIPE_BUF) to a pipe without mixing in others."""

Event = Mapping[str, object]


def tell_run(event: str, **values: object) -> bool:
    """Tell the run an event with its values; whether one listens."""
    terminal = os.environ.get(TERMINAL_VARIABLE, "")
    if not (os.environ.get(EVENTS_VARIABLE) and terminal.isdigit()):
        return False
    short = {name: value[:LONGEST_TEXT] if isinstance(value, str) else value for name, value in values.items()}
    line = json.dumps({"event": event, **short}, ensure_ascii=False).encode("utf-8", "backslashreplace")
    with suppress(OSError):
        os.write(int(terminal), SEPARATOR + line + b"\n")
        return True
    return False


class EventReader:
    """Parts the bytes of the stream into events and other text."""

    def __init__(self) -> None:
        self._waiting = b""

    def read(self, content: bytes) -> tuple[list[Event], bytes]:
        """The events that are whole by now, and the other bytes among those that came."""
        text, *records = (self._waiting + content).split(SEPARATOR)
        events: list[Event] = []
        for number, record in enumerate(records, 1):
            line, end, rest = record.partition(b"\n")
            if not end and number == len(records):
                self._waiting = SEPARATOR + line
                return events, text
            event = _event(line)
            if event is None:
                text += SEPARATOR + record
            else:
                events.append(event)
                text += rest
        self._waiting = b""
        return events, text


def _event(line: bytes) -> Event | None:
    try:
        event = json.loads(line)
    except ValueError:
        return None
    return event if isinstance(event, dict) and isinstance(event.get("event"), str) else None
