"""From the paths of the run table to a reader: the one place where formats are registered."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tapeline.recordings.joined import JoinedRecording
from tapeline.recordings.raw_binary import RawBinary, RawLayout
from tapeline.recordings.recording import Recording, RecordingError
from tapeline.recordings.sound_file import SoundFile


def open_recording(paths: Sequence[Path], raw: RawLayout | None = None) -> Recording:
    """Open a recording of one or several parts; `raw` describes files without a header.

    Raises RecordingError with a reason code for whatever is missing, damaged or wrongly described.
    """
    parts = [_open_part(path, raw) for path in paths]
    return parts[0] if len(parts) == 1 else JoinedRecording(parts)


def _open_part(path: Path, raw: RawLayout | None) -> Recording:
    try:
        _require_file(path)
        return SoundFile(path) if raw is None else RawBinary(path, raw)
    except RecordingError as error:
        join = " " if error.sentence.startswith("is ") else ": "
        raise RecordingError(error.code, f"{path.name}{join}{error.sentence}") from error
    except OSError as error:
        raise RecordingError("recording-unreadable", f"{path.name}: {error.strerror or error}") from error


def _require_file(path: Path) -> None:
    if not path.exists():
        raise RecordingError("recording-missing", "is not there")
    if not path.is_file():
        raise RecordingError("recording-unreadable", "is no file")
    if path.stat().st_size == 0:
        raise RecordingError("recording-empty", "is empty: it has no bytes")


def channel_count(path: Path) -> int | None:
    """Channels of a self-describing recording, None where it cannot be read; for checks before computing."""
    try:
        return _open_part(path, None).channels
    except RecordingError:
        return None
