"""Files appear whole or not at all."""

from __future__ import annotations

import errno
import glob
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def replacing(path: Path, *, flushed: bool = True) -> Iterator[Path]:
    """Yield a temporary name beside `path`; on success it is flushed to disk and renamed to `path`.

    A process that dies in between leaves `path` as it was; what it left beside it goes with the next try. Without
    `flushed` a loss of power may leave a broken file: for files that go once they are used.

    Raises IsADirectoryError where `path` is a folder.
    """
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    for left in path.parent.glob(f".{glob.escape(path.name)}.*.part"):
        left.unlink(missing_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield temporary
        if flushed:
            with temporary.open("rb") as stream:
                os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
