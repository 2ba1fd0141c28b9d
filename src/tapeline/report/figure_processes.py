"""Work shared among processes that are forked for it: each takes the next piece as soon as it is free."""

from __future__ import annotations

import multiprocessing
import pickle
import signal
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkProcess
from typing import TypeVar, cast

from tapeline.stopping import STOPS

Made = TypeVar("Made")

STOP_S = 5.0
"""How long a process that was asked to stop may take before it is made to, as one that ignores what asks."""


def shared_out(work: Callable[[int], Made], count: int, processes: int) -> list[Made]:
    """What `work` gives for 0 to `count` - 1, in this order, made by so many processes.

    The processes are forked, so that they find imports, style and rows as they are here and only results are sent.
    `work` must leave threads of libraries alone: the fork has none of them. What it raises is raised here; ends a
    process by itself, ChildProcessError is. None of them outlives the call.
    """
    if min(processes, count) < 2:
        return [work(index) for index in range(count)]
    made: dict[int, Made] = {}
    started: list[tuple[ForkProcess, Connection]] = []
    try:
        started.extend(_started(work) for _ in range(min(processes, count)))
        given = iter(range(count))
        busy = {connection: process for process, connection in started}
        while busy:
            for connection in cast("list[Connection]", wait(list(busy))):
                made |= _answer(connection, busy[connection])
                index = next(given, None)
                connection.send(index)
                if index is None:
                    del busy[connection]
    except BaseException:
        for process, _ in started:
            process.terminate()
        raise
    finally:
        for process, connection in started:
            connection.close()
            process.join(STOP_S)
            if process.is_alive():
                process.kill()
                process.join()
    return [made[index] for index in range(count)]


def _started(work: Callable[[int], Made]) -> tuple[ForkProcess, Connection]:
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(work, there), daemon=True)
    # A signal waits until the process no longer answers as the caller does.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPS)
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    there.close()
    return process, here


def _answer(connection: Connection, process: ForkProcess) -> dict[int, Made]:
    """What a process made, by its piece; nothing where it asks for its first one."""
    try:
        made, error = connection.recv()
    except (EOFError, ConnectionError) as ended:
        process.join()
        sentence = f"a process of this job ended by itself (exit code {process.exitcode}); memory may have run out"
        raise ChildProcessError(sentence) from ended
    if error is not None:
        raise error
    return dict(made)


def _serve(work: Callable[[int], Made], connection: Connection) -> None:
    """Do what is asked for until nothing is, or nobody asks any more."""
    for number in STOPS:
        # It ends at once: an exception out of a handler is lost where the drawing library is in a callback.
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOPS)
    with suppress(EOFError, ConnectionError):
        made: dict[int, Made] = {}
        try:
            while True:
                connection.send((made, None))
                index = connection.recv()
                if index is None:
                    break
                made = {index: work(index)}
        except Exception as error:
            sent = _sendable(error)
            sent.add_note("".join(traceback.format_exception(error)))
            connection.send(({}, sent))


def _sendable(error: Exception) -> Exception:
    """The error itself, or one with its words where it does not come through to another process."""
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 - what was dumped here
    except Exception:  # whatever an error's own constructor raises
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error
