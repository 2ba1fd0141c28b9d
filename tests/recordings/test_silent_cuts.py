"""Files of every container that end too early: said, never read as whole; and nothing but named faults."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.recordings.opening import open_recording
from tapeline.recordings.recording import RecordingError

RATE = 12_800
NOISE = np.random.default_rng(9).normal(0.0, 0.1, (6_000, 3))
CONTAINERS = ("WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF", "CAF", "AU")


def written(path: Path, container: str, endian: str = "FILE", frames: int = 6_000) -> bytes:
    """The bytes of a 16-bit file of noise."""
    soundfile.write(path, NOISE[:frames], RATE, format=container, subtype="PCM_16", endian=endian)
    return path.read_bytes()


def frames_read(path: Path) -> int:
    """Frames that opening and reading give."""
    recording = open_recording([path])
    return sum(block.shape[1] for block in recording.blocks(0, recording.frames))


@pytest.mark.parametrize(
    ("container", "endian", "share"),
    [
        *((container, "FILE", share) for container in ("WAV", "WAVEX", "RF64", "FLAC") for share in (0.3, 0.9)),
        ("CAF", "FILE", 0.3),
        ("CAF", "FILE", 0.9),
        ("WAV", "BIG", 0.9),
        *((container, "FILE", 0.9) for container in ("W64", "AIFF", "AU")),
    ],
)
def test_a_cut_file_is_a_fault(tmp_path: Path, container: str, endian: str, share: float) -> None:
    path = tmp_path / "cut.bin"
    content = written(path, container, endian)
    assert frames_read(path) == 6_000
    path.write_bytes(content[: int(share * len(content))])
    with pytest.raises(RecordingError) as caught:
        frames_read(path)
    assert caught.value.code in ("recording-cut", "recording-unreadable")


@pytest.mark.parametrize("code", [-2, 0xFFFFFFFF, 0])
def test_extra_chunks_and_odd_sizes_do_not_hide_a_cut(tmp_path: Path, code: int) -> None:
    """A list chunk of odd length before the samples (padded by one byte), samples cut at their end or unfinished."""
    samples = np.round(NOISE[:500, :1] * 32767).astype("<i2").tobytes()
    note = b"LIST" + struct.pack("<I", 7) + b"INFOabc\0"
    form = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE, 2 * RATE, 2, 16)
    declared = len(samples) if code < 0 else code
    body = b"WAVE" + form + note + b"data" + struct.pack("<I", declared) + samples
    path = tmp_path / "noted.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    if code < 0:
        assert frames_read(path) == 500
        path.write_bytes(path.read_bytes()[:code])
    with pytest.raises(RecordingError) as caught:
        frames_read(path)
    assert caught.value.code == "recording-cut"
    assert caught.value.sentence.startswith("noted.wav: ")


def test_the_sentence_says_how_much_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "run7.wav"
    content = written(path, "WAV")
    path.write_bytes(content[: -6 * 1_280])
    with pytest.raises(RecordingError, match=r"run7\.wav: .*6000 frames \(0\.469 s\), the last 1280 \(0\.100 s\)"):
        open_recording([path])


def test_compressed_samples_are_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "mu.wav"
    soundfile.write(path, NOISE, RATE, format="WAV", subtype="ULAW")
    with pytest.raises(RecordingError, match="U-Law.*linear integer or float") as caught:  # noqa: RUF043
        open_recording([path])
    assert caught.value.code == "recording-unreadable"


def test_floats_beyond_full_scale_stay_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "volts.wav"
    soundfile.write(path, NOISE * 100.0, RATE, subtype="FLOAT")
    block = np.concatenate(list(open_recording([path]).blocks(0, 6_000)), axis=1)
    assert block == pytest.approx((NOISE * 100.0).T, rel=1e-6)
    assert open_recording([path]).bits is None


def test_eight_bit_samples_are_centred(tmp_path: Path) -> None:
    path = tmp_path / "old.wav"
    soundfile.write(path, NOISE, RATE, subtype="PCM_U8")
    recording = open_recording([path])
    assert recording.bits == 8
    block = np.concatenate(list(recording.blocks(0, 6_000)), axis=1)
    assert block == pytest.approx(NOISE.T, abs=1.01 / 128)


def test_a_joined_recording_declares_all_its_parts(tmp_path: Path) -> None:
    paths = [tmp_path / "a.wav", tmp_path / "b.flac"]
    written(paths[0], "WAV", frames=1_000)
    written(paths[1], "FLAC", frames=2_000)
    joined = open_recording(paths)
    assert (joined.frames, joined.declared_frames, joined.bits) == (3_000, 3_000, 16)


def test_a_name_too_long_for_the_disk_is_a_named_fault(tmp_path: Path) -> None:
    with pytest.raises(RecordingError):
        open_recording([tmp_path / ("a" * 300 + ".wav")])


@settings(max_examples=150)
@given(
    container=st.sampled_from(CONTAINERS),
    changes=st.lists(st.tuples(st.integers(0, 119), st.binary(min_size=1, max_size=4)), min_size=1, max_size=3),
    kept=st.floats(0.0, 1.0),
)
def test_damage_to_any_container_gives_samples_or_a_named_fault(
    tmp_path_factory: pytest.TempPathFactory, container: str, changes: list[tuple[int, bytes]], kept: float
) -> None:
    path = tmp_path_factory.mktemp("damage") / "damaged.bin"
    content = bytearray(written(path, container, frames=200))
    for place, octets in changes:
        content[place : place + len(octets)] = octets
    path.write_bytes(content[: max(1, int(kept * len(content)))])
    try:
        recording = open_recording([path])
        assert sum(block.shape[1] for block in recording.blocks(0, recording.frames)) == recording.frames > 0
        assert recording.sample_rate_hz > 0
    except RecordingError as error:
        assert error.code in ("recording-cut", "recording-empty", "recording-unreadable")
