"""Opening the recordings that a plan names."""

from __future__ import annotations

from pathlib import Path

from tapeline.campaign.settings import RawFormat
from tapeline.campaign.slices import Source
from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Part, Recording, used_part
from tapeline.recordings.watched_files import WatchedFiles


def raw_layout(raw: RawFormat) -> RawLayout:
    """A raw format of the settings as the readers take it."""
    return RawLayout(raw.sample_type, raw.byte_order, raw.layout, raw.channels, raw.sample_rate_hz, raw.header_bytes)


def open_source(root: Path, source: Source) -> tuple[Recording, Part]:
    """The recording of a source and its used part; raises RecordingError with a reason code."""
    layout = None if source.raw is None else raw_layout(source.raw)
    recording = open_recording([root / path for path in source.paths], layout)
    return recording, used_part(recording, source.start_s, source.stop_s)


def watched_source(root: Path, source: Source) -> WatchedFiles:
    """The files of a source as they are now; made before the recording is opened."""
    return WatchedFiles([root / path for path in source.paths])
