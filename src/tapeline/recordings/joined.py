"""Several files of one split recording, read as one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tapeline.arrays import Samples
from tapeline.recordings.recording import Recording, RecordingError


class JoinedRecording:
    """Parts in their order, joined sample-exactly; all must agree in rate and channels."""

    def __init__(self, parts: Sequence[Recording]) -> None:
        first = parts[0]
        for number, part in enumerate(parts[1:], start=2):
            if (part.sample_rate_hz, part.channels) != (first.sample_rate_hz, first.channels):
                raise RecordingError(
                    "parts-differ",
                    f"part {number} has {part.channels} channels at {part.sample_rate_hz:g} Hz, "
                    f"part 1 has {first.channels} at {first.sample_rate_hz:g} Hz",
                )
        self._parts = tuple(parts)
        self.kind = " and ".join(dict.fromkeys(part.kind for part in parts))
        self.sample_rate_hz = first.sample_rate_hz
        self.channels = first.channels
        self.bits = first.bits
        self.frames = sum(part.frames for part in parts)
        self.declared_frames = sum(part.declared_frames for part in parts)

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        offset = 0
        for part in self._parts:
            first, last = max(start - offset, 0), min(stop - offset, part.frames)
            if first < last:
                yield from part.blocks(first, last)
            offset += part.frames
