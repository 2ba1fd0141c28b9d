"""Headers that are cut, wrong, unfinished or contradict themselves: named faults, in bounded memory."""

from __future__ import annotations

import os
import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from containers import KINDS, NOISE, RATE, SOUND_FILES, file_bytes, header_bytes, wave
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import BLOCK_FRAMES, Recording, RecordingError, block_frames

NUMPY = RawLayout("float32", "little", "interleaved", 3, float(RATE))
NAMED = ("recording-cut", "recording-empty", "recording-unreadable")


def opened(path: Path, kind: str = "") -> Recording:
    """The file as a campaign opens it."""
    return open_recording([path], NUMPY if kind == "NumPy" else None)


def frames_read(path: Path, kind: str = "") -> int:
    """Frames that reading gives; as many as are said to be there."""
    recording = opened(path, kind)
    read = sum(block.shape[1] for block in recording.blocks(0, recording.frames))
    assert read == recording.frames == recording.declared_frames > 0
    return read


def fault_of(path: Path, kind: str = "") -> RecordingError:
    """The fault of opening or reading."""
    with pytest.raises(RecordingError) as caught:
        frames_read(path, kind)
    assert caught.value.code in NAMED
    assert caught.value.sentence.startswith(path.name)
    return caught.value


def test_every_kind_is_read_whole(tmp_path: Path) -> None:
    for kind in KINDS:
        path = tmp_path / "whole.bin"
        path.write_bytes(file_bytes(kind))
        assert frames_read(path, kind) == 6_000, kind


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_cut_at_any_byte_of_its_header_is_a_fault(tmp_path: Path, kind: str) -> None:
    path, content = tmp_path / "cut.bin", file_bytes(kind, frames=300)
    header = header_bytes(kind, content)
    # A container with a long gap before its samples: its first bytes, then every 37th.
    lengths = [*range(min(header, 200)), *range(200, header, 37), header, header + 1]
    for length in lengths:
        path.write_bytes(content[:length])
        assert fault_of(path, kind).code in NAMED, length


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_without_its_last_frame_is_a_fault(tmp_path: Path, kind: str) -> None:
    path, content = tmp_path / "short.bin", file_bytes(kind)
    path.write_bytes(content[: header_bytes(kind, content) + 1_000])
    fault = fault_of(path, kind)
    assert fault.code == ("recording-unreadable" if kind == "FLAC" else "recording-cut")
    assert "6000 frames" in fault.sentence


def test_a_cut_flac_file_is_said_in_plain_words(tmp_path: Path) -> None:
    path, content = tmp_path / "half.flac", file_bytes("FLAC")
    path.write_bytes(content[: len(content) // 2])
    assert fault_of(path).sentence == (
        "half.flac: the file is cut or damaged: the header declares 6000 frames (0.469 s), "
        "the last of them cannot be decoded"
    )


def test_damage_amid_a_flac_file_names_where_samples_end(tmp_path: Path) -> None:
    path = tmp_path / "scratched.flac"
    soundfile.write(path, np.tile(NOISE, (10, 1)), RATE, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 20_000] = bytes(20_000)
    path.write_bytes(content)
    fault = fault_of(path)
    assert fault.code == "recording-unreadable"
    assert "declares 60000 frames (4.688 s), from frame " in fault.sentence


FIELDS = {
    "WAV": (b"data", 4, "<I", 0xFFFFFFFF),
    "WAV big-endian": (b"data", 4, ">I", 0xFFFFFFFF),
    "RF64": (b"ds64", 16, "<Q", 2**60),
    "BW64": (b"ds64", 16, "<Q", 2**64 - 1),
    "64-bit WAV": (b"data", 16, "<Q", 2**60),
    "AIFF": (b"SSND", 4, ">I", 0xFFFFFFFF),
    "AIFC float": (b"COMM", 10, ">I", 0xFFFFFFFF),
    "CAF": (b"data", 4, ">q", 2**60),
    "AU": (b".snd", 8, ">I", 0xFFFFFFFE),
    "AU little-endian": (b"dns.", 8, "<I", 0xFFFFFFFF),
}
"""Where each header states its length: a name, bytes behind it, the form of the number, and too great a promise."""


@pytest.mark.parametrize("promised", [True, False])
@pytest.mark.parametrize("kind", FIELDS)
def test_a_promise_beyond_all_disks_or_of_nothing(tmp_path: Path, kind: str, promised: bool) -> None:
    name, behind, form, most = FIELDS[kind]
    path, content = tmp_path / "promise.bin", bytearray(file_bytes(kind))
    at = content.index(name) + behind
    content[at : at + struct.calcsize(form)] = struct.pack(form, most if promised else 0)
    path.write_bytes(content)
    tracemalloc.start()
    fault = fault_of(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert fault.code in ("recording-cut", "recording-unreadable")
    assert peak < 2**20


@pytest.mark.parametrize("frames", [2**36 - 1, 0])
def test_a_flac_header_that_promises_too_much_or_nothing(tmp_path: Path, frames: int) -> None:
    path, content = tmp_path / "promise.flac", bytearray(file_bytes("FLAC"))
    packed = int.from_bytes(content[18:26], "big") >> 36 << 36 | frames
    content[18:26] = packed.to_bytes(8, "big")
    path.write_bytes(content)
    assert fault_of(path).code == ("recording-unreadable" if frames else "recording-cut")


def test_a_numpy_header_that_promises_more_than_any_disk(tmp_path: Path) -> None:
    path = tmp_path / "promise.npy"
    for shape in ("(1152921504606846976, 3)", "(9223372036854775807, 3)", "(99999999999999999999, 3)"):
        text = f"{{'descr': '<f4', 'fortran_order': False, 'shape': {shape}, }}".encode()
        path.write_bytes(b"\x93NUMPY\x01\x00" + struct.pack("<H", len(text)) + text + bytes(1_200))
        assert fault_of(path, "NumPy").code in ("recording-cut", "recording-unreadable")


SAMPLES = np.round(NOISE[:300, :2] * 32_767).astype("<i2").tobytes()

CONTRADICTIONS = {
    "no channels": (wave(SAMPLES, channels=0, frame_bytes=4), "0 channels"),
    "no channels, no bytes": (wave(SAMPLES, channels=0), "no channels"),
    "no bits": (wave(SAMPLES, bits=0, frame_bytes=0), "samples of no bits"),
    "no rate": (wave(SAMPLES, rate=0), "sample rate of 0 Hz"),
    "10000 channels": (wave(SAMPLES * 100, channels=10_000), "more channels than the 1024"),
    "24 bits in words of 32": (wave(SAMPLES, channels=2, bits=24, frame_bytes=8), "it declares 8"),
    "frames too narrow": (wave(SAMPLES, channels=2, frame_bytes=2), "it declares 2"),
    "an unfinished header": (wave(SAMPLES, channels=2, declared=0), "never finished"),
    "an unset length": (wave(SAMPLES, channels=2, declared=0xFFFFFFFF), "never finished"),
    "a stale length": (wave(SAMPLES * 100, channels=2, declared=4_000), "was not brought up to date"),
    "no samples": (wave(b"", channels=2), "no samples"),
    "no samples but a note": (wave(b"", channels=2, behind=b"LIST\4\0\0\0INFO"), "no samples"),
    "less than a frame": (wave(SAMPLES[:2], channels=2), "no samples"),
}


@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_a_header_that_cannot_be_true(tmp_path: Path, case: str) -> None:
    content, words = CONTRADICTIONS[case]
    path = tmp_path / "odd.wav"
    path.write_bytes(content)
    assert words in fault_of(path).sentence


def test_a_file_beyond_4_gib_whose_32_bit_length_ran_over(tmp_path: Path) -> None:
    """A recorder that goes on writing past 4 GiB leaves the length modulo 2^32: a few seconds of an hour."""
    path = tmp_path / "long.wav"
    content = wave(SAMPLES, channels=2)
    with path.open("wb") as stream:
        stream.write(content)
        stream.truncate(2**32 + len(content))
    assert "passed the 4 GiB" in fault_of(path).sentence


def test_padding_and_chunks_behind_the_samples_are_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "padded.wav"
    note = b"LIST" + struct.pack("<I", 200_000) + b"INFO" + bytes(199_996)
    for behind in (b"", bytes(32_768), note, note[:150_000]):
        path.write_bytes(wave(SAMPLES, channels=2, behind=behind))
        assert frames_read(path) == 300


@pytest.mark.parametrize("frames", [7, 8])
def test_an_odd_number_of_bytes_with_and_without_its_pad_byte(tmp_path: Path, frames: int) -> None:
    path = tmp_path / "odd.wav"
    codes = np.arange(frames * 3, dtype=np.uint8).tobytes()
    note = b"note\x02\0\0\0ab"
    for content in (wave(codes, bits=24), wave(codes, bits=24, behind=note), wave(codes, bits=24, before=note)):
        path.write_bytes(content)
        assert frames_read(path) == frames
        expected = [int.from_bytes(codes[3 * i : 3 * i + 3], "little") / 2**23 for i in range(frames)]
        assert next(opened(path).blocks(0, frames))[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("bits", "valid"), [(16, 12), (24, 20), (32, 24)])
def test_an_extensible_header_with_fewer_valid_bits(tmp_path: Path, bits: int, valid: int) -> None:
    """The valid bits are the upper ones of the word (Microsoft, extensible wave formats, 2001)."""
    path = tmp_path / "fewer.wav"
    codes = np.round(NOISE[:500, 0] * 2.0 ** (valid - 1)).astype(np.int64) << (bits - valid)
    width = bits // 8
    samples = b"".join(int(code).to_bytes(width, "little", signed=True) for code in codes)
    path.write_bytes(wave(samples, bits=bits, valid_bits=valid))
    assert opened(path).bits == bits
    block = next(opened(path).blocks(0, 500))
    np.testing.assert_array_equal(block[0], (codes / 2.0 ** (bits - 1)).astype(np.float32))


@pytest.mark.parametrize("container", ["MAT5", "IRCAM", "VOC", "PVF"])
def test_containers_whose_length_is_not_looked_at_are_refused(tmp_path: Path, container: str) -> None:
    path = tmp_path / "other.bin"
    soundfile.write(path, NOISE[:, :1], RATE, format=container, subtype="PCM_16")
    assert "is of no known kind; read are WAV" in fault_of(path).sentence


def test_the_name_of_a_file_does_not_say_how_it_is_read(tmp_path: Path) -> None:
    for name in ("a.raw", "a.RAW", "a.flac", "a", "ä%s.wav"):
        (tmp_path / name).write_bytes(file_bytes("WAV"))
        assert frames_read(tmp_path / name) == 6_000
    (tmp_path / "b.raw").write_bytes(SAMPLES)
    assert "the run table's column format" in fault_of(tmp_path / "b.raw").sentence


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "locked.wav"
    path.write_bytes(file_bytes("WAV"))
    path.chmod(0)
    assert "Permission denied" in fault_of(path).sentence


def test_what_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    assert fault_of(tmp_path / "pipe").sentence == "pipe is a named pipe, a file is expected"
    assert fault_of(tmp_path).sentence.endswith("is a folder, a file is expected")
    with pytest.raises(RecordingError):
        open_recording([tmp_path / "loop"])


def test_ten_thousand_channels_are_read_in_small_blocks(tmp_path: Path) -> None:
    layout = RawLayout("int16", "little", "interleaved", 10_000, 1_000.0)
    path = tmp_path / "wide.raw"
    path.write_bytes(np.arange(1_000 * 10_000, dtype="<u4").astype("<i2").tobytes())
    recording = open_recording([path], layout)
    first = next(recording.blocks(0, 1_000))
    assert first.shape == (10_000, 419)
    assert sum(block.shape[1] for block in recording.blocks(0, 1_000)) == 1_000
    assert [block_frames(channels) for channels in (1, 1_024, 2_048)] == [BLOCK_FRAMES, BLOCK_FRAMES, BLOCK_FRAMES // 2]


def test_a_rate_of_no_whole_hertz_is_kept(tmp_path: Path) -> None:
    """AIFF and CAF state the rate as a float."""
    content = bytearray(file_bytes("CAF"))
    at = content.index(b"desc") + 12
    content[at : at + 8] = struct.pack(">d", 12_800.25)
    (tmp_path / "r.caf").write_bytes(content)
    assert opened(tmp_path / "r.caf").sample_rate_hz == 12_800.25


@settings(max_examples=400)
@given(
    kind=st.sampled_from(KINDS),
    flips=st.lists(st.tuples(st.integers(0, 2_000), st.integers(1, 255)), min_size=1, max_size=6),
)
def test_flipped_bytes_give_samples_or_a_named_fault(
    tmp_path_factory: pytest.TempPathFactory, kind: str, flips: list[tuple[int, int]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "flipped.bin"
    content = bytearray(file_bytes(kind, frames=200))
    for place, change in flips:
        content[place % len(content)] ^= change
    path.write_bytes(content)
    try:
        assert frames_read(path, kind) > 0
    except RecordingError as error:
        assert error.code in NAMED
        assert error.sentence.startswith("flipped.bin")


def test_all_kinds_of_sound_file_are_written_here() -> None:
    """The tests above are only as good as their list."""
    assert {container for container, _, _ in SOUND_FILES.values()} == {
        "WAV", "WAVEX", "RF64", "W64", "FLAC", "AIFF", "CAF", "AU",
    }  # fmt: skip
