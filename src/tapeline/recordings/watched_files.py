"""Whether the files of a recording stayed as they were while they were read, and the hashes of what was read."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from tapeline.file_stamps import Stamp, content_digest, stamp_of
from tapeline.limits import HASHED_FAULTY_FILE_BYTES
from tapeline.recordings.recording import RecordingError

NOT_READ = ""


class WatchedFiles:
    """Files with the sizes and times that they had before the first byte was read.

    `contents` holds stamp and SHA-256 of each file that was read as it was, once `content_hashes` was asked for; an
    empty one stands for a file that is no recording and too large to be read for that.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._before = {path: stamp_of(path) for path in paths}
        self._paths = tuple(paths)
        self.contents: dict[Path, tuple[Stamp, str]] = {}

    def require_unchanged(self) -> None:
        """Raises RecordingError `still-changing` where a file is not as it was."""
        for path, before in self._before.items():
            after = stamp_of(path)
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

    def content_hashes(self, largest_bytes: float = math.inf) -> str | None:
        """SHA-256 of every file, in order, separated by spaces; None where one cannot be read or is larger than that.

        Raises RecordingError `still-changing` unless all are the files that were there before the reading began: then
        the hashes are those of the bytes that were read.
        """
        self.require_unchanged()
        there = {path: before for path, before in self._before.items() if before is not None}
        digests = {
            path: content_digest(path, before.size) if before.size <= largest_bytes else NOT_READ
            for path, before in there.items()
        }
        self.require_unchanged()
        self.contents = {path: (there[path], digest) for path, digest in digests.items() if digest is not None}
        hashes = [digest for path in self._paths if (digest := digests.get(path))]
        return " ".join(hashes) if len(hashes) == len(self._paths) else None

    def fault_and_hashes(self, found: RecordingError) -> tuple[RecordingError, str | None]:
        """The fault that counts where reading ended in `found`, and the hashes: a file that changed explains others."""
        try:
            return found, self.content_hashes(HASHED_FAULTY_FILE_BYTES)
        except RecordingError as changed:
            return changed, None
