"""Opening the recordings that a plan names."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from tapeline.campaign.plan import Source
from tapeline.campaign.settings import RawFormat
from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Part, Recording, RecordingError, used_part
from tapeline.recordings.watched_files import WatchedFiles
from tapeline.store.file_records import FileRecord, keep_read

STRICT_VARIABLE = "TAPELINE_STRICT"
"""Environment variable by which a faulty recording fails its job at once."""


class FaultyRecordingError(Exception):
    """A recording with a fault, in a run that asked to stop at the first one."""


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


@contextmanager
def watching(made: Path, root: Path, names: Sequence[str]) -> Iterator[None]:
    """Keep beside the results file `made` what the files `names`, relative to `root`, were while the block read them.

    One that changed meanwhile gets no record: the next run makes the results again.
    """
    watched = WatchedFiles([root / name for name in names])
    yield
    with suppress(RecordingError):
        watched.content_hashes()
    keep_sources(made, root, names, [watched])


def require_lenient(run: str, error: RecordingError) -> None:
    """Raises FaultyRecordingError in a run that asked to stop at the first fault of a recording."""
    if os.environ.get(STRICT_VARIABLE):
        raise FaultyRecordingError(f"run {run}: {error.code}: {error.sentence}") from error


def keep_sources(made: Path, root: Path, names: Iterable[str], watched: Iterable[WatchedFiles]) -> None:
    """Keep beside the results file `made` what the files `names`, relative to `root`, were when they were read."""
    contents = {path: content for files in watched for path, content in files.contents.items()}
    keep_read(made, {name: FileRecord(*contents[root / name]) for name in names if root / name in contents})
