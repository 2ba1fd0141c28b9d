"""Runs that are killed or asked to stop at random moments."""

from __future__ import annotations

import os
import random
import signal
import subprocess
from collections.abc import Callable
from contextlib import suppress
from functools import partial

from cases import Bases, Case
from commands import During, Place, kill_session

TITLE = "Kills and signals"
SEED = 20_260_414
EARLIEST_S = 1.0
"""Signals that ask to stop are sent from here on: before, the interpreter starts, which answers by itself."""

Send = Callable[[int], object]


def cases(bases: Bases, quick: bool) -> list[Case]:
    """Each kind of end at moments that are spread over a whole run."""
    draw = random.Random(SEED)
    kinds: list[tuple[str, int, Send, float, tuple[int, ...], str]] = [
        ("SIGKILL to all processes of a run at once", 50, kill_session, 0.0, (-signal.SIGKILL,), ""),
        ("SIGKILL to `tapeline run` alone", 20, _signal(signal.SIGKILL), 0.0, (-signal.SIGKILL,), ""),
    ]
    kinds += [
        (f"{number.name} to `tapeline run`", 5, _signal(number), EARLIEST_S, (128 + number,), "^tapeline run: stopped")
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    ]
    found = []
    for fault, count, send, earliest_s, statuses, says in kinds:
        for _ in range(2 if quick else count):
            moment_s = draw.uniform(earliest_s, bases.run_s)
            ended = "|^report +CAMPAIGN" if says else ""
            case = Case(
                f"{fault} at a random moment",
                lambda place: None,
                (*statuses, 0),
                says + ended,
                start="inputs",
                during=_after(moment_s, send),
                then_says="^report +CAMPAIGN",
                leaves_temporary=True,
            )
            found.append(case)
    return found


def _after(moment_s: float, send: Send) -> During:
    return partial(_wait_and_send, moment_s, send)


def _wait_and_send(moment_s: float, send: Send, place: Place, process: subprocess.Popen[str]) -> None:
    with suppress(subprocess.TimeoutExpired):
        process.wait(moment_s)
    if process.poll() is None:
        send(process.pid)


def _signal(number: signal.Signals) -> Send:
    return partial(_sent, number)


def _sent(number: signal.Signals, pid: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(pid, number)
