"""Work shared among processes that are forked for it: each takes the next piece as soon as it is free."""

from __future__ import annotations

import multiprocessing
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkProcess
from typing import TypeVar, cast

from tapeline.stopping import Stopped

Made = TypeVar("Made")

STOP_S = 5.0
"""What a process asked to stop gets for taking away its unfinished file; one call of the drawing library is shorter."""


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
    finally:
        for process, connection in started:
            connection.close()
            # Those that were told that nothing is left are ending and do not mind.
            process.terminate()
        for process, _ in started:
            process.join(STOP_S)
            if process.is_alive():
                process.kill()
                process.join()
    return [made[index] for index in range(count)]


def _started(work: Callable[[int], Made]) -> tuple[ForkProcess, Connection]:
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe()
    process = context.Process(target=_serve, args=(work, there), daemon=True)
    process.start()
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
    made: dict[int, Made] = {}
    try:
        while True:
            connection.send((made, None))
            index = connection.recv()
            if index is None:
                return
            made = {index: work(index)}
    except (EOFError, ConnectionError, Stopped, KeyboardInterrupt):
        return
    except Exception as error:
        error.add_note("".join(traceback.format_exception(error)))
        connection.send((made, error))
