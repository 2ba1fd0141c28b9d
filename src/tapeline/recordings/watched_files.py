"""Whether the files of a recording stayed as they were while they were read, and the hashes of what was read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.recordings.recording import RecordingError
from tapeline.regular_files import open_regular

PIECE_BYTES = 1 << 20

SECOND_NS = 1_000_000_000
TIME_STEPS_NS = (100, 1_000, 1_000_000, 10_000_000, SECOND_NS, 2 * SECOND_NS)
"""Steps in which file systems and network protocols keep times: from the 100 ns of SMB to the 2 s of FAT (common
practice). A disk may give a finer time first and the time it has kept later."""


@dataclass(frozen=True)
class Stamp:
    """Size in bytes and time of the last writing in nanoseconds; the time of the last reading does not count."""

    size: int
    written_ns: int

    def is_of_same_content(self, other: Stamp) -> bool:
        """Whether sizes agree, and times but for the step in which a disk keeps them."""
        return self.size == other.size and _same_time(self.written_ns, other.written_ns)


def _same_time(first_ns: int, second_ns: int) -> bool:
    if first_ns == second_ns:
        return True
    if first_ns % SECOND_NS == second_ns % SECOND_NS == 0:
        # Both are from a disk of whole seconds: neither is the other one rounded.
        return False
    apart = abs(first_ns - second_ns)
    return any(apart < step and (first_ns % step == 0 or second_ns % step == 0) for step in TIME_STEPS_NS)


class WatchedFiles:
    """Files with the sizes and times that they had before the first byte was read."""

    def __init__(self, paths: Sequence[Path]) -> None:
        self._before = {path: _stamp(path) for path in paths}
        self._paths = tuple(paths)

    def require_unchanged(self) -> None:
        """Raises RecordingError `still-changing` where a file is not as it was."""
        for path, before in self._before.items():
            after = _stamp(path)
            if before is None and after is None:
                continue
            if before is None or after is None:
                came_or_went = "appeared" if before is None else "went away"
                raise RecordingError("still-changing", f"{path.name} {came_or_went} while it was read")
            if before.size != after.size:
                sizes = f"{before.size:,} bytes before, {after.size:,} after"
                raise RecordingError("still-changing", f"{path.name} changed while it was read: {sizes}")
            if not before.is_of_same_content(after):
                raise RecordingError("still-changing", f"{path.name} was written to while it was read")

    def content_hashes(self) -> str | None:
        """SHA-256 of every file, in order, separated by spaces; None where one cannot be read.

        Raises RecordingError `still-changing` unless all are the files that were there before the reading began: then
        the hashes are those of the bytes that were read.
        """
        self.require_unchanged()
        found = {path: _digest(path, before) for path, before in self._before.items()}
        self.require_unchanged()
        hashes = [digest for path in self._paths if (digest := found[path]) is not None]
        return " ".join(hashes) if len(hashes) == len(self._paths) else None

    def fault_and_hashes(self, found: RecordingError) -> tuple[RecordingError, str | None]:
        """The fault that counts where reading ended in `found`, and the hashes: a file that changed explains others."""
        try:
            return found, self.content_hashes()
        except RecordingError as changed:
            return changed, None


def _stamp(path: Path) -> Stamp | None:
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return Stamp(status.st_size, status.st_mtime_ns)


def _digest(path: Path, before: Stamp | None) -> str | None:
    """SHA-256 of as many bytes as the file had: one that grows as fast as it is read would never end."""
    if before is None:
        return None
    digest, left = hashlib.sha256(), before.size
    try:
        with open_regular(path) as stream:
            while left > 0 and (piece := stream.read(min(left, PIECE_BYTES))):
                digest.update(piece)
                left -= len(piece)
    except OSError:
        return None
    return digest.hexdigest()
