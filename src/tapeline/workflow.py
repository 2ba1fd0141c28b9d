"""Calling the workflow manager on a campaign folder."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import IO, Protocol

from tapeline.at_work import RUN_LOCK, BusyError, held, jobs_at_work, note_process
from tapeline.limits import KILLED_RUN_WAIT_S, STOP_WAIT_S
from tapeline.step_events import EVENTS_VARIABLE, Event, EventReader
from tapeline.stopping import Stopped, caught

MANAGER = "import sys; sys.modules.update(pandas=None, polars=None); from snakemake.cli import main; main()"
"""The workflow manager in the interpreter's words, without the libraries of data frames, which it would load to see
whether parameters are some. None is Python's own sign for a module that is not to be had."""

AFTER_ME = 'cat > /dev/null; kill -s KILL -- "-$1"'
"""Shell words that end a process group once whoever holds the other end of their input is gone."""


class Listener(Protocol):
    """Who hears what the workflow manager prints and what its steps tell."""

    takes_output: bool
    """Whether also what the manager prints to its standard output."""

    def event(self, event: Event) -> None:
        """Hear what a step tells."""

    def text(self, content: bytes) -> None:
        """Hear what the manager prints, as it comes."""

    def tick(self) -> None:
        """Hear that time has passed."""


def snakefile() -> Path:
    """The Snakefile: of the source tree this package lies in, else the copy that the installed package carries."""
    here = Path(__file__).resolve()
    for candidate in (here.parents[2] / "Snakefile", here.parent / "_workflow" / "Snakefile"):
        if candidate.is_file():
            return candidate
    raise FileNotFoundError("no Snakefile beside the package")


def run(
    root: Path,
    *,
    cores: str,
    dry_run: bool,
    again: Sequence[str] = (),
    more: Sequence[str] = (),
    listener: Listener | None = None,
) -> int:
    """Run the workflow on the campaign folder `root`; returns the workflow manager's exit status.

    `again` are results, relative to `root`, that are made anew whatever the manager thinks of them. Without a listener
    the manager prints for itself.

    Raises BusyError while another `tapeline run`, or a process that one left, works on the folder; Stopped once a
    signal has ended this one with all its processes; OSError where the folder cannot be written.
    """
    entry = snakefile()
    forced, more = _forced(again, more)
    command = [
        # Words that follow a list would be taken into it: targets may be among those handed on.
        *(sys.executable, "-c", MANAGER, *forced, "--snakefile", str(entry), "--directory", str(root)),
        *("--profile", str(entry.parent / "workflow" / "profiles" / "default"), "--cores", cores),
        # Else one that lies in the folder where the command is called counts, and its values are evaluated.
        *("--workflow-profile", "none"),
        *(["--dry-run"] if dry_run else []),
        *more,
    ]
    if dry_run:
        return _work(command, root, None, listener)
    with _held_at_last(root) as lock:
        if left := _jobs_left(root):
            raise BusyError(f"{left[0]} still works on {root}: wait for it or stop it")
        if _clear_manager_lock(root):
            print("the lock of an earlier run that was killed is removed", file=sys.stderr)
        return _work(command, root, lock, listener)


def _forced(again: Sequence[str], more: Sequence[str]) -> tuple[list[str], list[str]]:
    """Words that force results to be made anew, and those handed on: the manager takes the last such list alone."""
    given = next((number for number, word in enumerate(more, 1) if word in ("--forcerun", "-R")), None)
    if not again or given is None:
        return ["--forcerun", *again] if again else [], list(more)
    return [], [*more[:given], *again, *more[given:]]


@contextmanager
def _held_at_last(root: Path) -> Iterator[IO[str]]:
    """The folder's lock; what a killed run left behind ends by itself within a moment, and is waited for."""
    until = time.monotonic() + STOP_WAIT_S
    while True:
        with ExitStack() as stack:
            try:
                lock = stack.enter_context(held(root / RUN_LOCK))
            except BusyError as busy:
                if not busy.left_over or time.monotonic() > until:
                    raise
            else:
                yield lock
                return
        time.sleep(0.1)


def _jobs_left(root: Path) -> list[str]:
    """Jobs that still work on a folder after some moments in which those of a killed run end."""
    until = time.monotonic() + KILLED_RUN_WAIT_S
    while (left := jobs_at_work(root)) and time.monotonic() < until:
        time.sleep(0.1)
    return left


def _clear_manager_lock(root: Path) -> bool:
    """Remove the workflow manager's own lock, which outlives it where it is killed; whether there was one.

    Only for whoever holds the folder while no job works on it.
    """
    left = list((root / ".snakemake" / "locks").glob("*.lock"))
    for path in left:
        path.unlink(missing_ok=True)
    return bool(left)


def _work(command: Sequence[str], root: Path, lock: IO[str] | None = None, listener: Listener | None = None) -> int:
    """The manager in a process group of its own, which holds the lock too and gets the signals that ask to stop."""
    asked: list[int] = []

    def stop(number: int, frame: FrameType | None) -> None:
        asked.append(number)

    with caught(stop):
        kept = () if lock is None else (lock.fileno(),)
        # Modules are not looked for in the folder where the command is called: it may be somebody else's campaign.
        safe = {**os.environ, "PYTHONSAFEPATH": "1", **({EVENTS_VARIABLE: "1"} if listener else {})}
        with _heard(listener) as (hearing, output, errors):
            process = subprocess.Popen(
                command,
                process_group=0,
                pass_fds=kept,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=errors,
                env=safe,
            )
            if lock is not None:
                note_process(lock, process.pid)
            if errors is not None:
                # Else its end would never be the end of what comes.
                errors.close()
            with _watched(process.pid), _pausing(process.pid), _ended_by_faults(process):
                while not asked:
                    hearing(0.2)
                    status: int | None = process.poll()
                    if status is not None:
                        hearing(0.0)
                        return status
        # The manager goes first, or it would start other jobs and tell at length of those that end now.
        process.kill()
        # Of SIGINT an interpreter that has only started would leave a traceback in its log; of this it dies in silence.
        _signal_group(process.pid, signal.SIGTERM if asked[0] == signal.SIGINT else asked[0])
        process.wait()
        until = time.monotonic() + STOP_WAIT_S
        while lock is not None and jobs_at_work(root) and time.monotonic() < until and len(asked) == 1:
            time.sleep(0.05)
        _signal_group(process.pid, signal.SIGKILL)
        if lock is not None:
            _clear_manager_lock(root)
    raise Stopped(asked[0])


@contextmanager
def _heard(listener: Listener | None) -> Iterator[tuple[Callable[[float], None], IO[bytes] | None, IO[bytes] | None]]:
    """A function that hands on to the listener what comes within so many seconds, and the manager's streams."""
    if listener is None:
        yield time.sleep, None, None
        return
    reader, (source, sink) = EventReader(), os.pipe()
    os.set_blocking(source, False)
    ended = False

    def hearing(seconds: float) -> None:
        nonlocal ended
        if ended:
            time.sleep(seconds)
        else:
            select.select([source], [], [], seconds)
        # What outlives the manager may hold the stream open: its end is not waited for.
        with suppress(BlockingIOError):
            while content := os.read(source, 65_536):
                events, text = reader.read(content)
                if text:
                    listener.text(text)
                for event in events:
                    listener.event(event)
            ended = True
        listener.tick()

    with os.fdopen(source, "rb"), os.fdopen(sink, "wb") as stream:
        yield hearing, stream if listener.takes_output else None, stream


@contextmanager
def _ended_by_faults(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """End the manager and its jobs where hearing them fails."""
    try:
        yield
    except BaseException:
        process.kill()
        _signal_group(process.pid, signal.SIGKILL)
        process.wait()
        raise


@contextmanager
def _watched(group: int) -> Iterator[None]:
    """End a process group if this process is killed, which can hand nothing on then."""
    words = ["sh", "-c", AFTER_ME, "sh", str(group)]
    watch = subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        yield
    finally:
        watch.kill()
        watch.communicate()


@contextmanager
def _pausing(group: int) -> Iterator[None]:
    """Hand Ctrl-Z on to a process group that is not the terminal's own, and its end too."""

    def pause(number: int, frame: FrameType | None) -> None:
        _signal_group(group, signal.SIGSTOP)
        os.kill(os.getpid(), signal.SIGSTOP)
        _signal_group(group, signal.SIGCONT)

    before = signal.getsignal(signal.SIGTSTP)
    if before is not signal.SIG_DFL or threading.current_thread() is not threading.main_thread():
        yield
        return
    signal.signal(signal.SIGTSTP, pause)
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, before)


def _signal_group(group: int, number: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, number)
