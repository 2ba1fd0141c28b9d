"""Real files of every kind: scaling, channels, length, any part equal to the same part of the whole."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.recordings.opening import channel_count, open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Recording, used_part
from tapeline.recordings.sample_words import decode

RATE = 12_800
FRAMES = np.clip(np.random.default_rng(1).normal(0.0, 0.25, (9_001, 3)), -0.99, 0.99)

KINDS = [
    ("WAV", "PCM_16", 2**-15), ("WAV", "PCM_24", 2**-23), ("WAV", "PCM_32", 2**-24), ("WAV", "FLOAT", 1e-7),
    ("WAV", "DOUBLE", 1e-7), ("WAVEX", "PCM_24", 2**-23), ("RF64", "PCM_24", 2**-23), ("RF64", "FLOAT", 1e-7),
    ("W64", "PCM_24", 2**-23), ("FLAC", "PCM_24", 2**-23), ("AIFF", "PCM_16", 2**-15), ("CAF", "PCM_24", 2**-23),
]  # fmt: skip


def samples(recording: Recording, start: int = 0, stop: int | None = None) -> np.ndarray:
    """All samples of a part, (channels, frames)."""
    return np.concatenate(list(recording.blocks(start, recording.frames if stop is None else stop)), axis=1)


@pytest.mark.parametrize(("container", "subtype", "step"), KINDS)
def test_self_describing_files(tmp_path: Path, container: str, subtype: str, step: float) -> None:
    path = tmp_path / "r.bin"
    soundfile.write(path, FRAMES, RATE, format=container, subtype=subtype)
    recording = open_recording([path])
    assert (recording.sample_rate_hz, recording.channels, recording.frames) == (RATE, 3, 9_001)
    assert recording.declared_frames == 9_001
    assert samples(recording) == pytest.approx(FRAMES.T, abs=1.01 * step)
    assert recording.bits == {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(subtype)
    assert channel_count(path) == 3


def raw_bytes(values: np.ndarray, layout: RawLayout) -> bytes:
    """What a recorder of this layout would write for fractions of full scale."""
    ordered = values if layout.layout == "interleaved" else values.T
    order = "<" if layout.byte_order == "little" else ">"
    if layout.sample_type == "int24":
        words = np.round(ordered * 2**23).astype("<i4").ravel()
        octets = words.view(np.uint8).reshape(-1, 4)[:, :3]
        return bytes(layout.header_bytes) + (octets if order == "<" else octets[:, ::-1]).tobytes()
    kind = {"int16": "i2", "int32": "i4", "float32": "f4", "float64": "f8"}[layout.sample_type]
    scale = {"int16": 2.0**15, "int32": 2.0**31}.get(layout.sample_type, 1.0)
    scaled = np.round(ordered * scale) if scale > 1 else ordered
    return bytes(layout.header_bytes) + scaled.astype(order + kind).tobytes()


@pytest.mark.parametrize("sample_type", ["int16", "int24", "int32", "float32", "float64"])
@pytest.mark.parametrize("byte_order", ["little", "big"])
@pytest.mark.parametrize("order", ["interleaved", "planar"])
@pytest.mark.parametrize("header", [0, 512])
def test_headerless_files(tmp_path: Path, sample_type: str, byte_order: str, order: str, header: int) -> None:
    layout = RawLayout(sample_type, byte_order, order, 3, 25_600.0, header)  # type: ignore[arg-type]
    path = tmp_path / "r.raw"
    path.write_bytes(raw_bytes(FRAMES, layout))
    recording = open_recording([path], layout)
    assert (recording.channels, recording.frames, recording.sample_rate_hz) == (3, 9_001, 25_600.0)
    step = {"int16": 2**-16, "int24": 2**-24}.get(sample_type, 1e-7)
    assert samples(recording) == pytest.approx(FRAMES.T, abs=1.01 * step)


def test_full_scale_is_one() -> None:
    assert decode(struct.pack("<hh", -32768, 16384), "int16", "little")[0] == pytest.approx([-1.0, 0.5])
    assert decode(struct.pack(">i", 2**30), "int32", "big")[0] == pytest.approx([0.5])


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("channels", [1, 5])
def test_24_bit_words_keep_sign_and_every_bit(order: Literal["little", "big"], channels: int) -> None:
    """Plus and minus full scale, plus and minus one, zero: exact, whatever the neighbouring bytes are."""
    words = [2**23 - 1, -(2**23), 1, -1, 0]
    raw = b"".join(word.to_bytes(3, order, signed=True) for word in words)
    found = decode(raw, "int24", order, channels)
    assert found.shape == (channels, 5 // channels)
    assert found.T.ravel().tolist() == [word / 2**23 for word in words]


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize(
    ("container", "endian"), [("WAV", "LITTLE"), ("WAV", "BIG"), ("RF64", "LITTLE"), ("W64", "LITTLE")]
)
def test_plain_words_are_what_the_library_decodes(tmp_path: Path, subtype: str, container: str, endian: str) -> None:
    """Against the decoding library, bit by bit, with a chunk behind the samples and an odd number of frames."""
    path = tmp_path / "a.wav"
    noise = np.random.default_rng(5).uniform(-1.0, 1.0, (4_999, 3))
    noise[:4] = [[1.0] * 3, [-1.0] * 3, [0.0] * 3, [2.0**-23] * 3]
    with soundfile.SoundFile(path, "w", 8000, 3, subtype, endian, container) as stream:
        stream.write(noise)
        if container == "WAV":
            stream.title = "synthetic"
    expected, _ = soundfile.read(path, dtype="float32")
    assert np.array_equal(samples(open_recording([path])), expected.T)


@settings(max_examples=30)
@given(start=st.integers(0, 9_000), length=st.integers(1, 9_001))
def test_any_part_equals_the_same_part_of_the_whole(
    tmp_path_factory: pytest.TempPathFactory, start: int, length: int
) -> None:
    folder = tmp_path_factory.mktemp("part")
    soundfile.write(folder / "a.wav", FRAMES[:4_000], RATE, subtype="PCM_24")
    soundfile.write(folder / "b.wav", FRAMES[4_000:], RATE, subtype="PCM_24")
    joined = open_recording([folder / "a.wav", folder / "b.wav"])
    stop = min(9_001, start + length)
    assert joined.frames == 9_001
    assert samples(joined, start, stop) == pytest.approx(FRAMES.T[:, start:stop], abs=2e-7)


def test_used_part_is_cut_at_the_nearest_frame(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", FRAMES, RATE)
    recording = open_recording([tmp_path / "a.wav"])
    part = used_part(recording, 0.1, 0.5)
    assert (part.start, part.stop, part.frames) == (1280, 6400, 5120)
    assert used_part(recording, None, None).frames == 9_001
