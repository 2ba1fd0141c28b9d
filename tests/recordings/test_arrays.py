"""NumPy and HDF5 files: samples as stored, the rate from where it is stated, every other content a named fault."""

from __future__ import annotations

import importlib.util
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapeline.recordings.opening import channel_count, open_file, open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Recording, RecordingError

VOLTS = np.random.default_rng(3).normal(0.0, 2.0, (9_001, 3))
LAYOUT = RawLayout("float32", "little", "interleaved", 3, 51_200.5)
HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"


def samples(recording: Recording, start: int = 0, stop: int | None = None) -> np.ndarray:
    """All samples of a part, (channels, frames)."""
    return np.concatenate(list(recording.blocks(start, recording.frames if stop is None else stop)), axis=1)


def sentence_of(path: Path, raw: RawLayout | None = LAYOUT) -> str:
    """The sentence of the fault of opening."""
    with pytest.raises(RecordingError) as caught:
        open_recording([path], raw)
    assert caught.value.code in ("recording-cut", "recording-empty", "recording-unreadable")
    return caught.value.sentence


@pytest.mark.parametrize("kind", ["float32", "float64", "int16", "int32"])
@pytest.mark.parametrize("byte_order", ["little", "big"])
@pytest.mark.parametrize("memory_order", ["C", "F"])
@pytest.mark.parametrize("layout", ["interleaved", "planar"])
def test_arrays_of_every_type_and_order(
    tmp_path: Path, kind: str, byte_order: str, memory_order: str, layout: str
) -> None:
    full_scale = {"int16": 2.0**15, "int32": 2.0**31}.get(kind, 1.0)
    values = VOLTS if full_scale == 1.0 else np.round(VOLTS / 16.0 * full_scale)
    stored = values.astype(np.dtype(kind).newbyteorder(">" if byte_order == "big" else "<"))
    path = tmp_path / "r.npy"
    np.save(path, np.asarray(stored if layout == "interleaved" else stored.T, order=memory_order))
    raw = RawLayout(kind, byte_order, layout, 3, 51_200.5)  # type: ignore[arg-type]
    recording = open_recording([path], raw)
    assert (recording.channels, recording.frames, recording.sample_rate_hz) == (3, 9_001, 51_200.5)
    assert recording.bits == {"int16": 16, "int32": 32}.get(kind)
    expected = (stored.astype(float) / full_scale).astype(np.float32).T
    np.testing.assert_array_equal(samples(recording), expected)
    np.testing.assert_array_equal(samples(recording, 4_090, 4_100), expected[:, 4_090:4_100])


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
def test_one_channel_and_every_version_of_the_header(tmp_path: Path, version: tuple[int, int]) -> None:
    path = tmp_path / "r.npy"
    with path.open("wb") as stream:
        np.lib.format.write_array(stream, VOLTS[:, 0].astype("<f4"), version=version)
    recording = open_recording([path], replace(LAYOUT, channels=1))
    np.testing.assert_array_equal(samples(recording), VOLTS[:, :1].astype(np.float32).T)


def test_the_rate_comes_from_the_raw_format_and_is_never_guessed(tmp_path: Path) -> None:
    path = tmp_path / "r.npy"
    np.save(path, VOLTS.astype("<f4"))
    sentence = sentence_of(path, None)
    assert sentence.startswith("r.npy: the file states no sample rate: name one of the raw_formats")
    assert np.isnan(open_file(path, rate_needed=False).sample_rate_hz)
    assert channel_count(path) == 3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"channels": 4}, "says channels: 4, the file itself says 3"),
        ({"sample_type": "float64"}, "says sample_type: float64, the file itself says float32"),
        ({"byte_order": "big"}, "says byte_order: big, the file itself says little"),
        ({"layout": "planar"}, "9001 channels|the file itself says 9001"),
    ],
)
def test_a_raw_format_that_says_other_than_the_file(tmp_path: Path, change: dict[str, object], words: str) -> None:
    path = tmp_path / "r.npy"
    np.save(path, VOLTS.astype("<f4"))
    sentence = sentence_of(path, replace(LAYOUT, **change))
    assert any(word in sentence for word in words.split("|")), sentence


def test_a_layout_that_skips_the_header_still_reads_the_file_byte_by_byte(tmp_path: Path) -> None:
    path = tmp_path / "r.npy"
    np.save(path, VOLTS.astype("<f4"))
    assert struct.unpack("<H", path.read_bytes()[8:10])[0] == 118
    np.testing.assert_array_equal(
        samples(open_recording([path], replace(LAYOUT, header_bytes=128))), VOLTS.astype(np.float32).T
    )


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (np.zeros((2, 3, 4), dtype="<f4"), "2x3x4 numbers is no recording"),
        (np.float32(1.0), "no numbers is no recording"),
        (np.zeros((0, 3), dtype="<f4"), "0x3 numbers holds no samples"),
        (np.zeros((3, 70_000), dtype="<f4"), "write it as (frames, channels), or state layout: planar"),
        (np.zeros((5, 3), dtype="<c8"), "'<c8'; read are int16"),
        (np.zeros((5, 3), dtype="<i8"), "'<i8'; read are int16"),
        (np.zeros((5, 3), dtype="<f2"), "'<f2'; read are int16"),
        (np.zeros(5, dtype=[("a", "<f4")]), "read are int16"),
        (np.zeros(5, dtype="U3"), "'<U3'; read are int16"),
    ],
)
def test_arrays_that_are_no_recordings(tmp_path: Path, array: np.ndarray, words: str) -> None:
    path = tmp_path / "r.npy"
    np.save(path, array)
    assert words in sentence_of(path)


def test_nothing_is_ever_unpickled(tmp_path: Path) -> None:
    class Trap:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return Path.touch, (Path(tmp_path / "sprung"),)  # type: ignore[return-value]

    path = tmp_path / "r.npy"
    np.save(path, np.array([Trap()], dtype=object), allow_pickle=True)
    assert "'|O'; read are int16" in sentence_of(path)
    assert not (tmp_path / "sprung").exists()
    np.load(path, allow_pickle=True)
    assert (tmp_path / "sprung").exists(), "the trap would spring"


def text_of(path: Path, text: bytes, version: int = 1) -> Path:
    """A file whose header text is `text`."""
    length = struct.pack("<H" if version == 1 else "<I", len(text))
    path.write_bytes(b"\x93NUMPY" + bytes([version, 0]) + length + text + bytes(64))
    return path


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"{",
        b"[1, 2]",
        b"{'descr': '<f4', 'shape': (5, 3)}",
        b"{'descr': '<f4', 'fortran_order': 0, 'shape': (5, 3)}",
        b"{'descr': '<f4', 'fortran_order': False, 'shape': [5, 3]}",
        b"{'descr': '<f4', 'fortran_order': False, 'shape': (5.0, 3)}",
        b"{'descr': '<f4', 'fortran_order': False, 'shape': (-5, 3)}",
        b"{'descr': '<f4', 'fortran_order': False, 'shape': (True, 3)}",
        b"{'descr': 4, 'fortran_order': False, 'shape': (5, 3)}",
        b"__import__('os').abort()",
        b"(" * 9_000,
        b"-" * 9_000 + b"1",
        b"[" * 150 + b"]" * 150,
        b"{[]: 1}",
        b"\xff\xfe\0",
    ],
)
def test_a_header_text_that_describes_no_array(tmp_path: Path, text: bytes) -> None:
    for version in (1, 2, 3):
        assert sentence_of(text_of(tmp_path / "r.npy", text, version)).startswith("r.npy: the ")


def test_headers_too_long_and_of_unknown_version(tmp_path: Path) -> None:
    assert "10001 bytes" in sentence_of(text_of(tmp_path / "r.npy", b" " * 10_001))
    assert "version 4" in sentence_of(text_of(tmp_path / "r.npy", b"{}", 4))
    (tmp_path / "wide.npy").write_bytes(b"\x93NUMPY\x02\x00\xff\xff\xff\xff" + bytes(100))
    assert "4294967295 bytes" in sentence_of(tmp_path / "wide.npy")


def test_lengths_that_do_not_fit_the_file(tmp_path: Path) -> None:
    path = tmp_path / "r.npy"
    np.save(path, VOLTS.astype("<f4"))
    content = path.read_bytes()
    path.write_bytes(content[:-1])
    assert "declares 9001 frames, the last 1 are missing" in sentence_of(path)
    path.write_bytes(content + bytes(5))
    assert "5 bytes follow the array" in sentence_of(path)


@pytest.mark.skipif(importlib.util.find_spec("h5py") is not None, reason="h5py is installed")
def test_without_h5py_the_extra_is_named(tmp_path: Path) -> None:
    path = tmp_path / "r.h5"
    path.write_bytes(HDF5_SIGNATURE + bytes(2_000))
    assert sentence_of(path, None) == (
        'r.h5 is an HDF5 file, which needs the extra "hdf5": install tapeline[hdf5] (the package h5py)'
    )


class TestHdf5:
    """Files written with h5py."""

    @pytest.fixture(autouse=True)
    def _needs_h5py(self) -> None:
        pytest.importorskip("h5py", reason="the extra hdf5 is not installed")

    @staticmethod
    def write(path: Path, arrays: dict[str, np.ndarray], rate_hz: object = 51_200.0, **options: object) -> Path:
        """A file with these datasets."""
        import h5py

        with h5py.File(path, "w") as file:
            for name, array in arrays.items():
                dataset = file.create_dataset(name, data=array, **(options if array.ndim == 2 else {}))
                if rate_hz is not None:
                    dataset.attrs["sample_rate_hz"] = rate_hz
        return path

    @pytest.mark.parametrize("kind", ["<f4", ">f4", "<f8", "<i2", ">i2", "<i4"])
    @pytest.mark.parametrize("options", [{}, {"chunks": (1_000, 2)}, {"chunks": (9_001, 3), "compression": "gzip"}])
    def test_datasets_of_every_type(self, tmp_path: Path, kind: str, options: dict[str, object]) -> None:
        full_scale = {"i2": 2.0**15, "i4": 2.0**31}.get(kind[1:], 1.0)
        stored = (VOLTS if full_scale == 1.0 else np.round(VOLTS / 16.0 * full_scale)).astype(kind)
        path = self.write(tmp_path / "r.h5", {"entry/volts": stored, "time": np.arange(5.0)}, **options)
        recording = open_recording([path])
        assert (recording.channels, recording.frames, recording.sample_rate_hz) == (3, 9_001, 51_200.0)
        assert recording.kind.startswith("HDF5 dataset /entry/volts, ")
        expected = (stored.astype(float) / full_scale).astype(np.float32).T
        np.testing.assert_array_equal(samples(recording), expected)
        np.testing.assert_array_equal(samples(recording, 4_090, 4_100), expected[:, 4_090:4_100])

    def test_exactly_one_dataset_is_taken(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "r.h5", {"a": VOLTS, "b/c": VOLTS.astype("<f4")})
        sentence = sentence_of(path, None)
        assert "has 2 datasets of shape (frames, channels)" in sentence
        assert "/a (9001x3 float64), /b/c (9001x3 float32)" in sentence
        assert "no datasets" in sentence_of(self.write(tmp_path / "none.h5", {}), None)

    @pytest.mark.parametrize("rate", [0.0, -1.0, np.nan, "fast", [1.0, 2.0]])
    def test_a_rate_that_is_none(self, tmp_path: Path, rate: object) -> None:
        assert "sample_rate_hz" in sentence_of(self.write(tmp_path / "r.h5", {"a": VOLTS}, rate), None)

    def test_a_rate_from_the_raw_format(self, tmp_path: Path) -> None:
        path = self.write(tmp_path / "r.h5", {"a": VOLTS}, None)
        assert "states no sample rate" in sentence_of(path, None)
        raw = replace(LAYOUT, sample_type="float64")
        assert open_recording([path], raw).sample_rate_hz == 51_200.5
        assert "says 51200" in sentence_of(self.write(path, {"a": VOLTS}), raw)
        assert "says channels: 4" in sentence_of(path, replace(raw, channels=4))

    def test_pieces_that_were_never_written(self, tmp_path: Path) -> None:
        import h5py

        for number, options in enumerate(({}, {"chunks": (1_000, 3)})):
            path = tmp_path / f"{number}.h5"
            with h5py.File(path, "w") as file:
                dataset = file.create_dataset("a", shape=(9_001, 3), dtype="<f4", **options)
                dataset.attrs["sample_rate_hz"] = 100.0
                if options:
                    dataset[:4_000] = 1.0
            assert "never written" in sentence_of(path, None)

    def test_a_file_cut_anywhere(self, tmp_path: Path) -> None:
        content = self.write(tmp_path / "r.h5", {"a": VOLTS}).read_bytes()
        path = tmp_path / "cut.h5"
        for length in range(8, len(content), 9_973):
            path.write_bytes(content[:length])
            assert "cut or damaged" in sentence_of(path, None)
