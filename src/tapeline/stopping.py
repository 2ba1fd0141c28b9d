"""Signals that ask a command to stop: one sentence and the usual exit status instead of a traceback."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Stopped(BaseException):
    """A signal asked this process to stop; derived like KeyboardInterrupt, so that nothing takes it for a fault."""

    def __init__(self, number: int) -> None:
        self.number = signal.Signals(number)
        super().__init__(self.number)

    @property
    def status(self) -> int:
        """The exit status that shells give to it: 130 for SIGINT, 143 for SIGTERM, 129 for SIGHUP."""
        return 128 + self.number

    def __str__(self) -> str:
        return "stopped" if self.number == signal.SIGINT else f"stopped by {self.number.name}"


@contextmanager
def caught(handler: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    """Call `handler` for signals that ask to stop; those that the caller ignores (nohup) stay ignored."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in STOPS}
    before = {number: old for number, old in before.items() if old not in (signal.SIG_IGN, None)}
    try:
        for number in before:
            signal.signal(number, handler)
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def raise_stopped(number: int, frame: FrameType | None) -> None:
    """The handler of a command that has nobody to hand the signal on to."""
    raise Stopped(number)
