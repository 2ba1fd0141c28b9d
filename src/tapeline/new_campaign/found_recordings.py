"""The recordings below a folder, with what their files say: kind, channels, rate, length and time."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tapeline.campaign.faults import quoted
from tapeline.campaign.path_rule import RECORDINGS, path_misfit
from tapeline.limits import TEXT_PROBE_BYTES
from tapeline.new_campaign.refusal import RefusedError
from tapeline.recordings.broadcast_time import origination_time
from tapeline.recordings.file_headers import is_known_kind
from tapeline.recordings.opening import ARRAY_FILES, open_file
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.sample_words import SAMPLE_WORDS
from tapeline.regular_files import open_regular

HEADERLESS_SUFFIXES = frozenset({".raw", ".bin", ".dat", ".pcm"})
"""Endings of files that may hold samples without a header (common practice)."""

UNKNOWN_TIME = datetime(1970, 1, 2, tzinfo=UTC)
"""Stands for a time of a file that is no date."""

TEXT_CONTROLS = frozenset(b"\t\n\r\f")


@dataclass(frozen=True)
class FoundRecording:
    """One file that holds a recording. What the file does not say is None.

    `file` is its path below the folder; `written` the file's time of last writing; `started` the start that its header
    states, in local time. `bits` are those of an integer sample, None for floats.
    """

    file: str
    kind: str
    channels: int | None
    sample_rate_hz: float | None
    frames: int | None
    bits: int | None
    written: datetime
    started: datetime | None = None

    @property
    def length_s(self) -> float | None:
        """Length in seconds."""
        return None if self.frames is None or self.sample_rate_hz is None else self.frames / self.sample_rate_hz

    @property
    def sample_type(self) -> str | None:
        """How one sample is stored, in the word of `raw_formats`."""
        return next((name for name, words in SAMPLE_WORDS.items() if self.kind.endswith(words)), None)


@dataclass(frozen=True)
class LeftOutFile:
    """A file that is no recording, or none that can be used; the sentence says which and why."""

    file: str
    sentence: str


def found_recordings(folder: Path) -> tuple[list[FoundRecording], list[LeftOutFile]]:
    """All recordings below `folder` by name, numbers in names by their size; and the files that are left out.

    Hidden files and folders are passed over. Raises RefusedError where the folder cannot be looked into or holds no
    recording.
    """
    found: list[FoundRecording] = []
    left_out: list[LeftOutFile] = []
    for file in _files_below(folder, left_out):
        misfit = path_misfit(file, RECORDINGS)
        if misfit is not None or file != file.strip():
            words = f"{quoted(file)} with a space at an end" if misfit is None else misfit.found
            left_out.append(LeftOutFile(file, f"found {words}; rename the file or folder"))
            continue
        try:
            found.append(_recording(folder / file, file))
        except RecordingError as error:
            left_out.append(LeftOutFile(file, f"{folder_of(file)}{error.sentence}"))
        except OSError as error:
            left_out.append(LeftOutFile(file, f"{file} cannot be read ({error.strerror or error})"))
    if not found:
        reason = f"the first of {len(left_out)} files: {left_out[0].sentence}" if left_out else "it is empty"
        raise RefusedError(f"{folder} holds no recording ({reason}); name the folder of the recordings with --from")
    return found, left_out


def folder_of(file: str) -> str:
    """The folders before a file's name, to stand before a sentence that begins with the name."""
    return file[: file.rfind("/") + 1]


def by_number(file: str) -> tuple[tuple[int, str], ...]:
    """The key that sorts names as people do: run2 before run10."""
    parts = re.split(r"([0-9]{1,18})", file)
    return tuple((int(part), "") if part.isascii() and part.isdigit() else (-1, part) for part in parts)


def _files_below(folder: Path, left_out: list[LeftOutFile]) -> Iterator[str]:
    """Paths of all files below the folder; folders that cannot be looked into go to `left_out`."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: (by_number(entry.name), entry.name))
    except NotADirectoryError:
        raise RefusedError(f"{folder} is a file; name the folder of the recordings with --from") from None
    except FileNotFoundError:
        raise RefusedError(f"{folder} is not there; name the folder of the recordings with --from") from None
    except OSError as error:
        raise RefusedError(f"{folder} cannot be looked into ({error.strerror}); give yourself permission") from None
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if not entry.is_dir(follow_symlinks=False):
            yield entry.name
            continue
        try:
            yield from (f"{entry.name}/{file}" for file in list(_files_below(Path(entry.path), left_out)))
        except RefusedError as error:
            left_out.append(LeftOutFile(entry.name, str(error).partition(";")[0]))


def _recording(path: Path, file: str) -> FoundRecording:
    """What the file at `path` says; raises RecordingError or OSError where it is no recording."""
    try:
        opened = open_file(path, rate_needed=False)
    except RecordingError:
        if _may_be_headerless(path):
            return FoundRecording(file, "without a header", None, None, None, None, _written(path))
        raise
    rate = opened.sample_rate_hz
    return FoundRecording(
        file,
        opened.kind,
        opened.channels,
        rate if rate > 0.0 else None,
        opened.frames,
        opened.bits,
        _written(path),
        origination_time(path),
    )


def _written(path: Path) -> datetime:
    """The time of last writing with the offset of this machine's zone, in whole seconds."""
    try:
        return datetime.fromtimestamp(round(path.stat().st_mtime), tz=UTC).astimezone()
    except (OverflowError, ValueError):
        return UNKNOWN_TIME


def _may_be_headerless(path: Path) -> bool:
    """Whether the name ends as files of samples without a header do, and the content is no text."""
    if path.suffix.lower() not in HEADERLESS_SUFFIXES:
        return False
    with open_regular(path) as stream:
        head = stream.read(TEXT_PROBE_BYTES)
    if head.startswith(tuple(ARRAY_FILES)) or is_known_kind(path):
        return False
    return any(byte < 32 and byte not in TEXT_CONTROLS for byte in head)
