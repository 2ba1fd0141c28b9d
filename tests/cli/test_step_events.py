"""Events of steps among what the workflow manager prints: none is lost, and the rest stays as it was printed."""

from __future__ import annotations

import json
import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.step_events import EVENTS_VARIABLE, SEPARATOR, TERMINAL_VARIABLE, EventReader, tell_run

EVENTS = st.dictionaries(st.text(max_size=5), st.text(max_size=9) | st.integers(), max_size=3).map(
    lambda values: {**values, "event": "task"}
)
PIECES = st.lists(EVENTS | st.text('ab{}\n"', max_size=8).map(str.encode), max_size=8)


@given(PIECES, st.integers(1, 30))
def test_events_and_text_come_apart_however_they_arrive(pieces: list[dict[str, object] | bytes], size: int) -> None:
    stream = b"".join(
        piece if isinstance(piece, bytes) else SEPARATOR + json.dumps(piece).encode() + b"\n" for piece in pieces
    )
    reader, events, text = EventReader(), [], b""
    for at in range(0, len(stream), size):
        found, rest = reader.read(stream[at : at + size])
        events += found
        text += rest
    assert events == [piece for piece in pieces if not isinstance(piece, bytes)]
    assert text == b"".join(piece for piece in pieces if isinstance(piece, bytes))


def test_what_is_no_event_stays_text() -> None:
    assert EventReader().read(b"\x1enot JSON\n\x1e[1]\nrest") == ([], b"\x1enot JSON\n\x1e[1]\nrest")


def test_a_step_tells_only_a_run_that_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    source, sink = os.pipe()
    monkeypatch.setenv(TERMINAL_VARIABLE, str(sink))
    monkeypatch.delenv(EVENTS_VARIABLE, raising=False)
    assert not tell_run("started", step="tables")
    monkeypatch.setenv(EVENTS_VARIABLE, "1")
    assert tell_run("failed", reason="é" * 5000)
    content = os.read(source, 65_536)
    os.close(source)
    # A pipe takes no more without mixing it with what others write (PIPE_BUF of Linux).
    assert len(content) <= 4096
    ((event,), text) = EventReader().read(content)
    assert (event["event"], text) == ("failed", b"")
    # Nobody reads any more: that is no fault of the step.
    assert not tell_run("ended")
    os.close(sink)
