"""What a disk that takes no more means for the person: which folder, why, and how to mend it."""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress
from pathlib import Path

from tapeline.limits import FREE_FOLDER_BYTES
from tapeline.step_events import TERMINAL_VARIABLE

FULL = {errno.ENOSPC, errno.EDQUOT}
CLOSED = {errno.EROFS, errno.EACCES, errno.EPERM}


def sentence(error: OSError, place: Path | str) -> str:
    """What to tell of an error in writing to `place`."""
    place = error.filename or place
    if error.errno in FULL:
        return f"{place}: cannot be written, its disk is full: make room on it, then run again"
    if error.errno in CLOSED:
        return f"{place}: cannot be written, it is read-only: allow writing, or work on a copy of the campaign"
    return f"{place}: cannot be read or written ({error.strerror or error})"


def unwritable(folder: Path) -> str | None:
    """Why nothing can be written to a folder, which is made where it is missing; None where it can be."""
    probe = folder / f".write-test.{os.getpid()}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with probe.open("wb") as stream:
                stream.write(bytes(FREE_FOLDER_BYTES))
                stream.flush()
                os.fsync(stream.fileno())
        finally:
            probe.unlink(missing_ok=True)
    except OSError as error:
        error.filename = str(folder)
        return sentence(error, folder)
    return None


def closed(folder: Path) -> str | None:
    """Why nothing can be written to a folder of the results; None where it can be, or where it is not made yet."""
    if not os.path.lexists(folder):
        return None
    if not folder.is_dir():
        return f"{folder}: is no folder, and results are written into it: move it away"
    if not os.access(folder, os.W_OK | os.X_OK):
        return sentence(PermissionError(errno.EACCES, "", str(folder)), folder)
    return None


def tell(text: str, *, on_terminal: bool = False) -> None:
    """Print to standard error and, `on_terminal`, also to the terminal that the workflow hands to its jobs.

    A log that cannot be written is no reason to fail otherwise than by what is told.
    """
    said = f"{text}\n".encode()
    try:
        sys.stderr.flush()
        os.write(2, said)
    except OSError:
        # What the interpreter holds back for the log would raise again at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    terminal = os.environ.get(TERMINAL_VARIABLE, "")
    if on_terminal and terminal.isdigit():
        with suppress(OSError):
            os.write(int(terminal), said)
