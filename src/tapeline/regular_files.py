"""Files that people name, opened only where they are regular ones: a pipe waits for ever, a device never ends."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

_OTHER_KINDS: tuple[tuple[Callable[[int], bool], str], ...] = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


class NotRegularError(OSError):
    """A path that leads to something else than a regular file; `strerror` says to what: "a named pipe"."""


def require_regular(path: Path) -> None:
    """Raises NotRegularError where `path` leads to no regular file, another OSError where it leads to nothing."""
    _require_regular(path, path.stat().st_mode)


def open_regular(path: Path) -> BinaryIO:
    """Open a regular file for reading, at once; raises NotRegularError for everything else."""
    # Looked at before it is opened, since opening alone can set a device going, and again once it is open, since what
    # a name leads to can change in between.
    require_regular(path)
    stream = open(path, "rb", buffering=0, opener=_without_waiting)  # noqa: SIM115 (handed to the caller)
    try:
        _require_regular(path, os.fstat(stream.fileno()).st_mode)
    except OSError:
        stream.close()
        raise
    return stream


def read_regular(path: Path, most_bytes: int) -> bytes:
    """The content of a regular file; raises OSError (EFBIG) where it has more than `most_bytes`."""
    with open_regular(path) as raw:
        # A file of the system's own may say that it has no bytes and still never end: the bound is on what is read.
        pieces, left = [], most_bytes + 1 if os.fstat(raw.fileno()).st_size <= most_bytes else 0
        while left and (piece := raw.read(left)):
            pieces.append(piece)
            left -= len(piece)
    if not left:
        raise OSError(errno.EFBIG, f"more than {most_bytes:,} bytes", str(path))
    return b"".join(pieces)


def is_named(path: Path) -> bool:
    """Whether there is such a name, were it a link that leads nowhere; True where that may not be known."""
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except (OSError, ValueError):
        return True
    return True


def may_be_read(path: Path) -> bool:
    """Whether `path` leads to a regular file that this user may read; never raises."""
    try:
        return path.is_file() and os.access(path, os.R_OK)
    except OSError:
        return False


def _require_regular(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        kind = next((words for is_of, words in _OTHER_KINDS if is_of(mode)), "something else than a file")
        raise NotRegularError(errno.EINVAL, kind, str(path))


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NONBLOCK)
