"""Runs that are killed or asked to stop at random moments."""

from __future__ import annotations

import os
import random
import signal
import subprocess
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from shutil import rmtree

from cases import DONE, Bases, Case, nothing, wait_until
from commands import Place, kill_session

TITLE = "Kills (50 of all processes at once, 20 of `tapeline run` alone) and signals"
SEED = 20_260_414
IN_A_ROW = 5
TIMES = 2
IDLE_S = 2.0
"""What a run takes at least in which nothing is left to do; so early a signal finds the interpreter still starting."""

Send = Callable[[int], object]


def cases(bases: Bases) -> list[Case]:
    """Each kind of end at moments that are spread over a whole run."""
    draw = random.Random(SEED)
    kinds = (("all processes of a run at once", 50, kill_session), ("`tapeline run` alone", 20, _sender(9)))
    found = [
        Case(
            f"SIGKILL to {whom}, {IN_A_ROW} times in one campaign at random moments",
            partial(_killed, bases=bases, shares=[draw.random() for _ in range(IN_A_ROW)], send=send),
            says=DONE,
            start="inputs",
            again=False,
            unharmed=True,
            leaves_temporary=True,
        )
        for whom, count, send in kinds
        for _ in range(count // IN_A_ROW)
    ]
    tables = _tables_made(bases.finished / "results")
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        for _ in range(TIMES):
            # Counted in tables, not in seconds: on a busy machine the run would be over, or not begun.
            during = partial(_send_after, draw.randrange(1, tables - 2), _sender(number))
            name = f"{number.name}{' (Ctrl-C)' * (number == signal.SIGINT)} to `tapeline run` at a random moment"
            found.append(Case(name, nothing, (128 + number,), "^tapeline run: stopped", start="inputs", during=during))
    return found


def _killed(place: Place, bases: Bases, shares: list[float], send: Send) -> None:
    """Kill one run after the other; one that had ended before its moment does not count, and all begins anew."""
    tables = _tables_made(bases.finished / "results")
    for share in shares:
        status: int | None = 0
        while status != -signal.SIGKILL:
            left = 1 - _tables_made(place.results) / tables
            moment_s = share * (IDLE_S + left * (bases.run_s - IDLE_S))
            said = place.call(
                "run", str(place.campaign), "--cores", "1", during=partial(_wait_and_send, moment_s, send)
            )
            status = said.status
            if status not in (0, -signal.SIGKILL) or "Traceback" in said.text:
                raise RuntimeError(f"a run before the kill ended with {status}: {said.text[-300:]}")
            if status == 0:
                share *= 0.7  # noqa: PLW2901
                rmtree(place.results)
                rmtree(place.campaign / ".snakemake")


def _wait_and_send(moment_s: float, send: Send, place: Place, process: subprocess.Popen[str]) -> None:
    with suppress(subprocess.TimeoutExpired):
        process.wait(moment_s)
    if process.poll() is None:
        send(process.pid)


def _send_after(tables: int, send: Send, place: Place, process: subprocess.Popen[str]) -> None:
    if wait_until(lambda: _tables_made(place.results) >= tables, process) and process.poll() is None:
        send(process.pid)


def _tables_made(results: Path) -> int:
    """Files of tables that are there: a run makes them one after the other."""
    return len([*results.rglob("*.parquet")])


def _sender(number: int) -> Send:
    return partial(_sent, number)


def _sent(number: int, pid: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(pid, number)
