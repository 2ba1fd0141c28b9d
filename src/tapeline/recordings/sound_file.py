"""Recordings that describe themselves: WAV of every kind, FLAC, AIFF, AU and CAF, decoded by the sound-file library."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tapeline.arrays import Samples
from tapeline.recordings.file_headers import SampleExtent, header_extent, is_known_kind
from tapeline.recordings.recording import RecordingError, block_frames
from tapeline.recordings.sample_words import interleaved_blocks

INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOATS = {"FLOAT": 32, "DOUBLE": 64}
WORDS = {"PCM_16": "int16", "PCM_24": "int24", "PCM_32": "int32", "FLOAT": "float32", "DOUBLE": "float64"}
"""Stored samples that are read as plain words where a header says from which byte on, six times faster."""

UNKNOWN_KIND = (
    "is of no known kind; read are WAV (also RF64, BW64, 64-bit), FLAC, AIFF, AU, CAF, NumPy and HDF5, "
    "and files without a header where the run table's column format names their layout"
)

PLAIN_WORDS = {
    "Format not recognised.": UNKNOWN_KIND,
    "Too many channels specified.": "declares more channels than the 1024 that can be decoded",
    "File contains data in an unimplemented format.": "stores its samples in a way that is not read; "
    "linear integers of 8, 16, 24 or 32 bits and floats are",
}
"""The decoding library's own sentences, in words that say what is wrong with the file."""


class SoundFile:
    """One self-describing file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        # The library looks into any file for samples, and for some kinds does not tell a cut file from a whole one.
        if not is_known_kind(path):
            raise RecordingError("recording-unreadable", UNKNOWN_KIND)
        extent = header_extent(path)
        if extent is not None:
            extent.require_whole()
        try:
            with _decoder(path) as stream:
                subtype, subtype_words = stream.subtype, stream.subtype_info
                decoder_rate_hz = float(stream.samplerate)
                self.channels = int(stream.channels)
                self.frames = int(stream.frames)
        except (soundfile.SoundFileError, RuntimeError, ValueError, ZeroDivisionError, TypeError) as error:
            raise RecordingError("recording-unreadable", _plain(error)) from error
        if subtype not in INTEGER_BITS and subtype not in FLOATS:
            raise RecordingError(
                "recording-unreadable",
                f"samples are stored as {subtype_words}; linear integer or float is expected",
            )
        if extent is None:
            raise RecordingError("recording-unreadable", UNKNOWN_KIND)
        self.bits = INTEGER_BITS.get(subtype)
        stored = f"{self.bits}-bit integer" if self.bits else f"{FLOATS[subtype]}-bit float"
        self.kind = f"{extent.container}, {stored}"
        self.declared_frames = extent.declared_frames
        self._words = (*extent.words, WORDS[subtype]) if extent.words and subtype in WORDS else None
        self._require_agreement(extent, decoder_rate_hz)
        if extent.present_frames is None:
            self._require_last_frame()

    def _require_agreement(self, extent: SampleExtent, decoder_rate_hz: float) -> None:
        """The decoder must see the very frames that the header declares, or it reads them in another way."""
        if self.frames != extent.declared_frames or abs(decoder_rate_hz - extent.sample_rate_hz) >= 1.0:
            raise RecordingError(
                "recording-unreadable",
                f"the header contradicts itself: {extent.declared_frames} frames at {extent.sample_rate_hz:g} Hz by "
                f"its lengths, {self.frames} at {decoder_rate_hz:g} Hz as it is decoded",
            )
        # The decoder knows whole hertz alone.
        self.sample_rate_hz = extent.sample_rate_hz

    def _require_last_frame(self) -> None:
        """Only decoding tells whether the end of a compressed file is there."""
        try:
            for _ in self.blocks(self.frames - 1, self.frames):
                pass
        except RecordingError as error:
            raise RecordingError(
                "recording-unreadable",
                f"the file is cut or damaged: the header declares {self.frames} frames "
                f"({self.frames / self.sample_rate_hz:.3f} s), the last of them cannot be decoded",
            ) from error

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        if self._words is not None:
            first_byte, order, sample_type = self._words
            yield from interleaved_blocks(self._path, first_byte, sample_type, order, self.channels, start, stop)
        else:
            yield from self._decoded_blocks(start, stop)

    def _decoded_blocks(self, start: int, stop: int) -> Iterator[Samples]:
        done, step = start, block_frames(self.channels)
        try:
            with _decoder(self._path) as stream:
                if start:
                    stream.seek(start)
                while done < stop:
                    block = stream.read(min(step, stop - done), dtype="float32", always_2d=True)
                    if len(block) == 0:
                        raise self._broken_off("recording-cut", done)
                    done += len(block)
                    yield np.ascontiguousarray(block.T)
        except (soundfile.SoundFileError, RuntimeError, ValueError) as error:
            raise self._broken_off("recording-unreadable", done) from error
        except OSError as error:
            sentence = f"{self._path.name}: {error.strerror or error}"
            raise RecordingError("recording-unreadable", sentence) from error

    def _broken_off(self, code: str, frame: int) -> RecordingError:
        rate = self.sample_rate_hz
        return RecordingError(
            code,
            f"{self._path.name}: the file is cut or damaged: the header declares {self.declared_frames} frames "
            f"({self.declared_frames / rate:.3f} s), from frame {frame} ({frame / rate:.3f} s) on none can be decoded",
        )


@contextmanager
def _decoder(path: Path) -> Iterator[soundfile.SoundFile]:
    """The library's reader on an open file: given a path, it takes the name's ending for a statement of the format."""
    with path.open("rb", buffering=0) as stream, _NamedRf64(path) as renamed:
        source = renamed if stream.read(4) == b"BW64" else stream.fileno()
        stream.seek(0)
        with soundfile.SoundFile(source, closefd=False) as decoder:
            yield decoder


class _NamedRf64(io.FileIO):
    """A BW64 file under the name of its elder twin: the layout of the samples is the same, the library knows RF64."""

    def readinto(self, buffer: Any, /) -> int:
        place, octets = self.tell(), memoryview(buffer).cast("B")
        count = super().readinto(octets) or 0
        renamed = b"RF64"[place : place + count]
        octets[: len(renamed)] = renamed
        return count


def _plain(error: Exception) -> str:
    words = str(getattr(error, "error_string", error)).strip()
    return PLAIN_WORDS.get(words, f"the file's header cannot be read ({words.rstrip('.') or type(error).__name__})")
