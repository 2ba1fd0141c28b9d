"""Damaged, missing and wrongly described files: one named fault, never anything else."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.recordings.opening import channel_count, open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import RecordingError, used_part

LAYOUT = RawLayout("int16", "little", "interleaved", 3, 12_800.0, 64)


def wave(path: Path, frames: int = 5_000, kind: str = "WAV", channels: int = 2) -> Path:
    """A sound file of noise."""
    noise = np.random.default_rng(1).normal(0.0, 0.1, (frames, channels))
    soundfile.write(path, noise, 12_800, format=kind, subtype="PCM_16")
    return path


def code_of(paths: list[Path], raw: RawLayout | None = None) -> str:
    """The reason code that opening (and reading) gives."""
    with pytest.raises(RecordingError) as caught:
        recording = open_recording(paths, raw)
        list(recording.blocks(0, recording.frames))
    assert caught.value.sentence
    return caught.value.code


@pytest.mark.parametrize("kind", ["WAV", "RF64"])
@pytest.mark.parametrize("lost", [1, 2, 4_001])
def test_a_file_cut_against_its_header(tmp_path: Path, kind: str, lost: int) -> None:
    path = wave(tmp_path / "cut.wav", kind=kind)
    path.write_bytes(path.read_bytes()[:-lost])
    assert code_of([path]) == "recording-cut"


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_header_that_was_never_finished(tmp_path: Path, size: int) -> None:
    path = wave(tmp_path / "open.wav")
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = struct.pack("<I", size)
    path.write_bytes(content)
    assert code_of([path]) == "recording-cut"


def test_missing_empty_text_and_folder(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("these are no samples\n" * 50)
    assert code_of([tmp_path / "nowhere.wav"]) == "recording-missing"
    assert code_of([tmp_path / "empty.wav"]) == "recording-empty"
    assert code_of([tmp_path / "text.wav"]) == "recording-unreadable"
    assert code_of([tmp_path]) == "recording-unreadable"
    assert channel_count(tmp_path / "text.wav") is None


def test_a_wave_file_without_samples(tmp_path: Path) -> None:
    assert code_of([wave(tmp_path / "none.wav", frames=0)]) == "recording-empty"


def test_zero_channels(tmp_path: Path) -> None:
    path = wave(tmp_path / "zero.wav")
    content = bytearray(path.read_bytes())
    content[22:24] = b"\x00\x00"
    path.write_bytes(content)
    assert code_of([path]) == "recording-unreadable"


def test_a_raw_file_of_no_whole_frames(tmp_path: Path) -> None:
    path = tmp_path / "r.raw"
    path.write_bytes(bytes(64 + 6 * 100 + 2))
    assert code_of([path], LAYOUT) == "recording-cut"
    path.write_bytes(bytes(64))
    assert code_of([path], LAYOUT) == "recording-empty"


def test_parts_that_do_not_fit(tmp_path: Path) -> None:
    assert code_of([wave(tmp_path / "a.wav"), wave(tmp_path / "b.wav", channels=3)]) == "parts-differ"
    assert code_of([wave(tmp_path / "a.wav"), tmp_path / "gone.wav"]) == "recording-missing"


@pytest.mark.parametrize(("start", "stop"), [(None, 0.5), (0.45, None), (0.2, 0.1)])
def test_a_part_outside_the_recording(tmp_path: Path, start: float | None, stop: float | None) -> None:
    recording = open_recording([wave(tmp_path / "a.wav")])
    with pytest.raises(RecordingError) as caught:
        used_part(recording, start, stop)
    assert caught.value.code == "part-beyond-recording"


@settings(max_examples=150)
@given(
    head=st.sampled_from([b"", b"RIFF\x00\x10\x00\x00WAVE", b"RF64\xff\xff\xff\xffWAVEds64"]),
    rest=st.binary(max_size=400),
)
def test_any_bytes_open_or_give_a_named_fault(
    tmp_path_factory: pytest.TempPathFactory, head: bytes, rest: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "any.wav"
    path.write_bytes(head + rest)
    for raw in (None, LAYOUT):
        try:
            recording = open_recording([path], raw)
            assert sum(block.shape[1] for block in recording.blocks(0, recording.frames)) == recording.frames
        except RecordingError as error:
            assert error.code


@settings(max_examples=100)
@given(place=st.integers(0, 60), octet=st.integers(0, 255))
def test_a_flipped_byte_in_the_header(tmp_path_factory: pytest.TempPathFactory, place: int, octet: int) -> None:
    path = wave(tmp_path_factory.mktemp("flip") / "flip.wav", frames=200)
    content = bytearray(path.read_bytes())
    content[place] = octet
    path.write_bytes(content)
    try:
        recording = open_recording([path])
        assert sum(block.shape[1] for block in recording.blocks(0, recording.frames)) == recording.frames
    except RecordingError as error:
        assert error.code
