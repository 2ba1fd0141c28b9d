"""Sizes, times and contents of files: whether a file is the one that it was before."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from tapeline.regular_files import open_regular

PIECE_BYTES = 1 << 20

SECOND_NS = 1_000_000_000
TIME_STEPS_NS = (100, 1_000, 1_000_000, 10_000_000, SECOND_NS, 2 * SECOND_NS)
"""Steps in which file systems and network protocols keep times: from the 100 ns of SMB to the 2 s of FAT (common
practice). A disk may give a finer time first and the time it has kept later."""


@dataclass(frozen=True)
class Stamp:
    """Size in bytes and times in nanoseconds: of the last writing, and of the last change of the file or its entry.

    Programs set the first time as they like (copies that keep times, memory cards); the system alone sets the second.
    """

    size: int
    written_ns: int
    changed_ns: int = 0

    def is_of_same_content(self, other: Stamp) -> bool:
        """Whether sizes agree, and times of writing but for the step in which a disk keeps them."""
        return self.size == other.size and _same_time(self.written_ns, other.written_ns)


def stamp_of(path: Path) -> Stamp | None:
    """The stamp of what `path` leads to; None where that is nothing, or cannot be known."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return Stamp(status.st_size, status.st_mtime_ns, status.st_ctime_ns)


def content_digest(path: Path, size: int) -> str | None:
    """SHA-256 of the first `size` bytes of a regular file, in hexadecimal; None where it cannot be read.

    Not of more: a file that grows as fast as it is read would never end.
    """
    digest, left = hashlib.sha256(), size
    try:
        with open_regular(path) as stream:
            while left > 0 and (piece := stream.read(min(left, PIECE_BYTES))):
                digest.update(piece)
                left -= len(piece)
    except OSError:
        return None
    return digest.hexdigest()


def _same_time(first_ns: int, second_ns: int) -> bool:
    if first_ns == second_ns:
        return True
    if first_ns % SECOND_NS == second_ns % SECOND_NS == 0:
        # Both are from a disk of whole seconds: neither is the other one rounded.
        return False
    apart = abs(first_ns - second_ns)
    return any(apart < step and (first_ns % step == 0 or second_ns % step == 0) for step in TIME_STEPS_NS)
