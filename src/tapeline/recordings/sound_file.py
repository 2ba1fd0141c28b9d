"""Recordings that describe themselves: WAV of every kind, FLAC and what else the sound-file library decodes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

from tapeline.recordings.container_size import declared_bytes
from tapeline.recordings.recording import BLOCK_FRAMES, RecordingError, Samples
from tapeline.recordings.wave_header import wave_extent

INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOATS = {"FLOAT", "DOUBLE"}


class SoundFile:
    """One self-describing file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        extent = wave_extent(path)
        declared, present = declared_bytes(path), path.stat().st_size
        if declared is not None and declared > present:
            raise RecordingError(
                "recording-cut", f"the header declares {declared} bytes, the last {declared - present} are missing"
            )
        try:
            info = soundfile.info(str(path))
        except (soundfile.SoundFileError, RuntimeError, ValueError, ZeroDivisionError) as error:
            raise RecordingError("recording-unreadable", f"the file's header cannot be read ({error})") from error
        if info.subtype not in INTEGER_BITS and info.subtype not in FLOATS:
            raise RecordingError(
                "recording-unreadable",
                f"samples are stored as {info.subtype_info}; linear integer or float is expected",
            )
        self.sample_rate_hz = float(info.samplerate)
        self.channels = int(info.channels)
        self.frames = int(info.frames)
        self.declared_frames = extent.declared_frames if extent else self.frames
        self.bits = INTEGER_BITS.get(info.subtype)
        if extent and extent.is_cut:
            missing = self.declared_frames - extent.present_bytes // extent.frame_bytes
            rate = self.sample_rate_hz
            raise RecordingError(
                "recording-cut",
                f"the header declares {self.declared_frames} frames ({self.declared_frames / rate:.3f} s), "
                f"the last {missing} ({missing / rate:.3f} s) are missing",
            )
        if self.frames == 0:
            raise RecordingError("recording-empty", "the recording holds no samples")

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        try:
            with soundfile.SoundFile(str(self._path)) as stream:
                stream.seek(start)
                done = start
                while done < stop:
                    block = stream.read(min(BLOCK_FRAMES, stop - done), dtype="float32", always_2d=True)
                    if len(block) == 0:
                        raise RecordingError(
                            "recording-cut", f"samples end at frame {done}, the header declares {self.declared_frames}"
                        )
                    done += len(block)
                    yield np.ascontiguousarray(block.T)
        except (soundfile.SoundFileError, RuntimeError) as error:
            raise RecordingError("recording-unreadable", f"samples cannot be decoded ({error})") from error
