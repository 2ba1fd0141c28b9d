"""How many frames a file's own header declares, and how many of them its bytes can hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tapeline.limits import PADDING_BYTES
from tapeline.recordings.recording import RecordingError


@dataclass(frozen=True)
class SampleExtent:
    """Declared and present frames of one file, from its header and its size alone.

    `container` is the file's kind in words. `present_frames` is None where only decoding can tell (FLAC). Where samples
    lie as plain interleaved words, `words` says from which byte on and in which order of bytes.
    """

    container: str
    sample_rate_hz: float
    declared_frames: int
    present_frames: int | None
    words: tuple[int, Literal["little", "big"]] | None = None

    def require_whole(self) -> None:
        """Raises RecordingError where frames that the header declares are not there, or where there are none at all."""
        if self.declared_frames == 0:
            raise RecordingError("recording-empty", "the recording holds no samples")
        if self.present_frames is None or self.present_frames >= self.declared_frames:
            return
        missing, rate = self.declared_frames - self.present_frames, self.sample_rate_hz
        raise RecordingError(
            "recording-cut",
            f"the header declares {self.declared_frames} frames ({self.declared_frames / rate:.3f} s), "
            f"the last {missing} ({missing / rate:.3f} s) are missing",
        )


def extent_of(
    container: str, rate_hz: float, frame_bytes: int, declared_bytes: int, present_bytes: int
) -> SampleExtent:
    """The extent of uncompressed samples; raises RecordingError for frames of no size or a rate that is none."""
    if frame_bytes <= 0:
        raise RecordingError("recording-unreadable", "the header declares no channels or samples of no bits")
    require_rate(rate_hz)
    declared = declared_bytes // frame_bytes
    return SampleExtent(container, rate_hz, declared, min(present_bytes // frame_bytes, declared))


def require_explained(extent: SampleExtent, bytes_behind: int) -> SampleExtent:
    """`extent` itself; raises RecordingError where more bytes follow the samples than padding of a disk explains."""
    if bytes_behind > PADDING_BYTES:
        raise RecordingError(
            "recording-cut",
            f"the header declares {extent.declared_frames} frames, but {bytes_behind} more bytes follow that it does "
            f"not explain: its length was not brought up to date, or passed the 4 GiB that it can hold",
        )
    return extent


def require_rate(rate_hz: float) -> None:
    """Raises RecordingError unless `rate_hz` is a positive number."""
    if not 0.0 < rate_hz < float("inf"):
        raise RecordingError("recording-unreadable", f"the header declares a sample rate of {rate_hz:g} Hz")


def never_finished(present_bytes: int) -> RecordingError:
    """The fault of a header that was written when recording began and not completed at its end."""
    return RecordingError(
        "recording-cut",
        f"the header was never finished: it declares no length, {present_bytes} bytes of samples follow it",
    )


def no_samples_found(kind: str, format_found: bool, size: int) -> RecordingError:
    """The fault of a file without sample data or without a description of it before its end."""
    missing = "no sample data" if format_found else "no format description"
    return RecordingError("recording-unreadable", f"the {kind} file has {missing}: its header ends at {size} bytes")
