"""Who works on a campaign folder: locks that the system lets go of when the last process of the work ends."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

RUN_LOCK = Path(".snakemake", "tapeline.lock")
JOB_LOCKS = Path(".snakemake", "tapeline.jobs")


class BusyError(Exception):
    """Another run, or what is left of one, works on the campaign; `left_over` of a run that was killed."""

    def __init__(self, sentence: str, *, left_over: bool = False) -> None:
        super().__init__(sentence)
        self.left_over = left_over


@contextmanager
def held(path: Path) -> Iterator[IO[str]]:
    """Hold the file `path` of a campaign's hidden folder against other runs; yields it, locked.

    The lock belongs to the open file: a process that inherits its descriptor holds the lock on. What the holder adds
    by `note_process` names the processes to others. Raises BusyError where the file is held, OSError where it cannot
    be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+", encoding="utf-8") as stream:
        if not _locked(stream):
            raise _busy(path, stream)
        stream.truncate(0)
        note_process(stream, os.getpid())
        yield stream


def note_process(stream: IO[str], pid: int) -> None:
    """Name a process that holds the lock."""
    print(pid, socket.gethostname(), file=stream, flush=True)


@contextmanager
def job_at_work(root: Path, name: str) -> Iterator[None]:
    """Let runs of the campaign folder `root` know that the job `name` works on it, for as long as it does."""
    path = root / JOB_LOCKS / f"{os.getpid()}-{socket.gethostname()}"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8") as stream:
        _locked(stream)
        try:
            print(f"`tapeline {name}` (process {os.getpid()})", file=stream, flush=True)
            yield
        finally:
            path.unlink(missing_ok=True)


def jobs_at_work(root: Path) -> list[str]:
    """The jobs that work on a campaign folder, each with its process; what killed jobs left is removed."""
    found = []
    for path in sorted((root / JOB_LOCKS).glob("*")):
        try:
            with path.open("r+", encoding="utf-8") as stream:
                if _locked(stream):
                    path.unlink(missing_ok=True)
                else:
                    found.append(stream.read().strip() or f"a job (process {path.name.split('-')[0]})")
        except FileNotFoundError:
            continue
    return found


def _locked(stream: IO[str]) -> bool:
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _busy(path: Path, stream: IO[str]) -> BusyError:
    """The error about a lock that others hold: the run's own process, else what outlives it."""
    stream.seek(0)
    noted = [line.split(maxsplit=1) for line in stream if line.strip()]
    root = path.parents[1]
    for order, (pid, host) in enumerate((int(pid), host.strip()) for pid, host in noted):
        here = host == socket.gethostname()
        if here and not _lives(pid):
            continue
        place = f"process {pid}" if here else f"process {pid} on {host}"
        if order == 0:
            return BusyError(f"another `tapeline run` works on {root} ({place}): wait for it or stop it")
        sentence = f"the work of a killed `tapeline run` still goes on in {root} ({place}): wait for it or stop it"
        return BusyError(sentence, left_over=True)
    return BusyError(f"another `tapeline run` works on {root}: wait for it or stop it", left_over=True)


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
