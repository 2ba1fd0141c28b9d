"""Opening the recordings that a plan names."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tapeline.campaign.settings import RawFormat
from tapeline.campaign.slices import Source
from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Part, Recording, used_part


def raw_layout(raw: RawFormat) -> RawLayout:
    """A raw format of the settings as the readers take it."""
    return RawLayout(raw.sample_type, raw.byte_order, raw.layout, raw.channels, raw.sample_rate_hz, raw.header_bytes)


def open_source(root: Path, source: Source) -> tuple[Recording, Part]:
    """The recording of a source and its used part; raises RecordingError with a reason code."""
    layout = None if source.raw is None else raw_layout(source.raw)
    recording = open_recording([root / path for path in source.paths], layout)
    return recording, used_part(recording, source.start_s, source.stop_s)


def content_hashes(root: Path, source: Source) -> str | None:
    """SHA-256 of every file of a source, in order, separated by spaces; None where one is missing."""
    hashes = []
    for path in source.paths:
        try:
            with (root / path).open("rb") as stream:
                hashes.append(hashlib.file_digest(stream, "sha256").hexdigest())
        except OSError:
            return None
    return " ".join(hashes)
