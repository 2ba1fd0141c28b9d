"""From the paths of the run table to a reader, of several parts to one: the one place where formats are registered."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

from tapeline.arrays import Samples
from tapeline.recordings.hdf5_file import Hdf5File
from tapeline.recordings.numpy_array import NumpyArray
from tapeline.recordings.raw_binary import RawBinary, RawLayout
from tapeline.recordings.recording import Recording, RecordingError
from tapeline.recordings.sound_file import SoundFile
from tapeline.regular_files import NotRegularError, require_regular


class ArrayReader(Protocol):
    """Opens a file that holds an array; `raw` states the sample rate where the file does not."""

    def __call__(self, path: Path, raw: RawLayout | None, rate_needed: bool) -> Recording: ...


ARRAY_FILES: dict[bytes, ArrayReader] = {b"\x93NUMPY": NumpyArray, b"\x89HDF\r\n\x1a\n": Hdf5File}

"""Readers by the bytes that their files begin with."""


def open_recording(paths: Sequence[Path], raw: RawLayout | None = None) -> Recording:
    """Open a recording of one or several parts; `raw` describes files without a header, or states an array's rate.

    Raises RecordingError with a reason code for whatever is missing, damaged or wrongly described.
    """
    parts = [open_file(path, raw) for path in paths]
    return parts[0] if len(parts) == 1 else JoinedRecording(parts)


def open_file(path: Path, raw: RawLayout | None = None, rate_needed: bool = True) -> Recording:
    """Open one file; without `rate_needed` an array's unstated sample rate is no fault and reads as nan."""
    try:
        _require_file(path)
        return _reader(path, raw, rate_needed)
    except RecordingError as error:
        sentence = error.sentence.removeprefix(f"{path.name}: ")
        join = " " if sentence.startswith(("is ", "stores ", "declares ")) else ": "
        raise RecordingError(error.code, f"{path.name}{join}{sentence}") from error
    except FileNotFoundError as error:
        raise RecordingError("recording-missing", f"{path.name} is not there") from error
    except NotRegularError as error:
        sentence = f"{path.name} is {error.strerror}, a file is expected"
        raise RecordingError("recording-unreadable", sentence) from error
    except PermissionError as error:
        sentence = f"{path.name} may not be read ({error.strerror}): give yourself permission to read it"
        raise RecordingError("recording-unreadable", sentence) from error
    except OSError as error:
        raise RecordingError("recording-unreadable", f"{path.name}: {error.strerror or error}") from error


def _reader(path: Path, raw: RawLayout | None, rate_needed: bool) -> Recording:
    # A layout that skips a header describes the file byte by byte, whatever that header is.
    if raw is None or raw.header_bytes == 0:
        with path.open("rb") as stream:
            head = stream.read(max(map(len, ARRAY_FILES)))
        for first_bytes, reader in ARRAY_FILES.items():
            if head.startswith(first_bytes):
                return reader(path, raw, rate_needed)
    return SoundFile(path) if raw is None else RawBinary(path, raw)


def _require_file(path: Path) -> None:
    require_regular(path)
    if path.stat().st_size == 0:
        raise RecordingError("recording-empty", "is empty: it has no bytes")


def channel_count(path: Path) -> int | None:
    """Channels of a self-describing recording, None where it cannot be read; for checks before computing."""
    try:
        return open_file(path, rate_needed=False).channels
    except RecordingError:
        return None


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
