"""Arrays in files that say all but the sample rate, held against what the campaign says of them."""

from __future__ import annotations

import math

from tapeline.limits import RECORDING_CHANNELS
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import RecordingError

MEND_RATE = "name one of the raw_formats of campaign.yaml, with its sample_rate_hz, in the run table's column format"


def frames_and_channels(shape: tuple[int, ...], planar: bool) -> tuple[int, int]:
    """Frames and channels of an array's shape; a planar one has its channels in rows.

    Raises RecordingError for arrays of no or more than two dimensions, without samples or of too many channels.
    """
    size = "x".join(map(str, shape)) or "no"
    if len(shape) not in (1, 2):
        raise RecordingError(
            "recording-unreadable",
            f"an array of {size} numbers is no recording: (frames, channels) or (frames,) expected",
        )
    frames, channels = (shape[0], 1) if len(shape) == 1 else (shape[1], shape[0]) if planar else shape
    if frames == 0 or channels == 0:
        raise RecordingError("recording-empty", f"the array of {size} numbers holds no samples")
    if channels > RECORDING_CHANNELS:
        raise RecordingError(
            "recording-unreadable",
            f"the array of {size} numbers would have {channels} channels: write it as (frames, channels), or state "
            f"layout: planar in its raw format",
        )
    return frames, channels


def require_described(raw: RawLayout, sample_type: str, byte_order: str, channels: int) -> None:
    """Raises RecordingError where the raw format says other than the file itself."""
    for setting, said, found in (
        ("sample_type", raw.sample_type, sample_type),
        ("byte_order", raw.byte_order, byte_order),
        ("channels", raw.channels, channels),
    ):
        if said != found:
            raise RecordingError(
                "recording-unreadable", f"the raw format says {setting}: {said}, the file itself says {found}"
            )


def stated_rate_hz(in_file: float | None, raw: RawLayout | None, rate_needed: bool, mend: str = MEND_RATE) -> float:
    """The sample rate from the file or else from the raw format; nan where neither has one and it is not needed.

    Raises RecordingError where it is needed and missing, or where file and raw format differ.
    """
    if in_file is not None and raw is not None and in_file != raw.sample_rate_hz:
        raise RecordingError(
            "recording-unreadable",
            f"the raw format says sample_rate_hz: {raw.sample_rate_hz:g}, the file itself says {in_file:g}",
        )
    if in_file is not None:
        return in_file
    if raw is not None:
        return float(raw.sample_rate_hz)
    if rate_needed:
        raise RecordingError("recording-unreadable", f"the file states no sample rate: {mend}")
    return math.nan
