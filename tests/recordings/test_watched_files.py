"""Files that change while they are read: hashes are of the very bytes that were decoded, or there are none."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.watched_files import Stamp, WatchedFiles
from tapeline.store.file_records import FileRecord

LAYOUT = RawLayout("float32", "little", "interleaved", 2, 8_000.0)
SECOND_NS = 1_000_000_000


def logger_file(path: Path, frames: int = 12_000) -> Path:
    np.random.default_rng(3).normal(size=(frames, 2)).astype("<f4").tofile(path)
    # Written long ago, at no whole second, as most files are.
    os.utime(path, ns=(1_700_000_000_123_456_789, 1_700_000_000_123_456_789))
    return path


def grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(bytes(800))


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size - 8)


def write_inside(path: Path) -> None:
    with path.open("r+b") as stream:
        stream.write(b"\1" * 8)


def replace(path: Path) -> None:
    other = path.with_suffix(".new")
    other.write_bytes(bytes(path.stat().st_size))
    other.replace(path)


def vanish(path: Path) -> None:
    path.unlink()


CHANGES = [(grow, "96,000 bytes before, 96,800 after"), (cut, "96,000 bytes before, 95,992 after"),
           (write_inside, "was written to while it was read"), (replace, "was written to while it was read"),
           (vanish, "went away while it was read")]  # fmt: skip


@pytest.mark.parametrize(("change", "words"), CHANGES, ids=[change.__name__ for change, _ in CHANGES])
def test_a_change_between_two_blocks_is_named(tmp_path: Path, change: Callable[[Path], None], words: str) -> None:
    path = logger_file(tmp_path / "r.raw")
    watched = WatchedFiles([path])
    recording = open_recording([path], LAYOUT)
    blocks = recording.blocks(0, recording.frames)
    next(blocks)
    change(path)
    with pytest.raises(RecordingError) as caught:
        list(blocks)
        watched.content_hashes()
    fault, hashes = watched.fault_and_hashes(caught.value)
    assert (fault.code, hashes) == ("still-changing", None)
    assert fault.sentence.startswith("r.raw ") and words in fault.sentence


def test_hashes_are_of_the_bytes_that_were_there_when_reading_began(tmp_path: Path) -> None:
    paths = [logger_file(tmp_path / "a.raw"), logger_file(tmp_path / "b.raw", 11)]
    watched = WatchedFiles(paths)
    expected = " ".join(hashlib.sha256(path.read_bytes()).hexdigest() for path in paths)
    assert watched.content_hashes() == expected
    grow(paths[1])
    with pytest.raises(RecordingError, match=r"b\.raw changed while it was read"):
        watched.content_hashes()


def test_a_file_that_grows_while_it_is_hashed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every look at the bytes finds more of them: the hash ends all the same, and is not given."""
    path = logger_file(tmp_path / "r.raw")
    watched = WatchedFiles([path])
    made = hashlib.sha256

    class Growing:
        def __init__(self) -> None:
            self.real = made()

        def update(self, piece: bytes) -> None:
            grow(path)
            self.real.update(piece)

        def hexdigest(self) -> str:
            return self.real.hexdigest()

    monkeypatch.setattr(hashlib, "sha256", Growing)
    monkeypatch.setattr("tapeline.file_stamps.PIECE_BYTES", 512)
    with pytest.raises(RecordingError) as caught:
        watched.content_hashes()
    assert caught.value.code == "still-changing"


def test_what_cannot_be_read_has_no_hash_and_is_not_called_changing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    found = RecordingError("recording-unreadable", "pipe is a named pipe")
    assert WatchedFiles([tmp_path / "pipe"]).fault_and_hashes(found) == (found, None)
    there = logger_file(tmp_path / "a.raw")
    assert WatchedFiles([there, tmp_path / "gone.raw"]).content_hashes() is None


def test_a_file_that_came_while_it_was_looked_for(tmp_path: Path) -> None:
    watched = WatchedFiles([tmp_path / "late.raw"])
    logger_file(tmp_path / "late.raw")
    fault, _ = watched.fault_and_hashes(RecordingError("recording-missing", "late.raw is not there"))
    assert (fault.code, fault.sentence) == ("still-changing", "late.raw appeared while it was read")


def test_reading_copying_and_other_rights_are_no_change(tmp_path: Path) -> None:
    path = logger_file(tmp_path / "r.raw")
    watched = WatchedFiles([path])
    path.read_bytes()
    os.utime(path, ns=(1_800_000_000 * SECOND_NS, path.stat().st_mtime_ns))
    path.chmod(0o444)
    (tmp_path / "link.raw").hardlink_to(path)
    assert watched.content_hashes() is not None


KEPT_NS = 1_700_000_001_987_654_321


@pytest.mark.parametrize("step_ns", [100, 1_000, 1_000_000, 10_000_000, SECOND_NS, 2 * SECOND_NS])
@pytest.mark.parametrize("up", [0, 1])
def test_a_time_that_a_disk_keeps_in_steps_is_no_change(step_ns: int, up: int) -> None:
    """Finer at first, rounded down (or up) to the step of the disk once it is looked up again."""
    rounded = (KEPT_NS // step_ns + up) * step_ns
    assert Stamp(8, KEPT_NS).is_of_same_content(Stamp(8, rounded))
    assert Stamp(8, rounded).is_of_same_content(Stamp(8, KEPT_NS))


@pytest.mark.parametrize("later_ns", [4_000_001, 10_000_003, SECOND_NS + 7, 5 * SECOND_NS])
def test_a_later_time_is_a_change(later_ns: int) -> None:
    assert not Stamp(8, KEPT_NS).is_of_same_content(Stamp(8, KEPT_NS + later_ns))
    assert not Stamp(8, KEPT_NS).is_of_same_content(Stamp(9, KEPT_NS))
    whole = KEPT_NS // SECOND_NS * SECOND_NS
    assert not Stamp(8, whole).is_of_same_content(Stamp(8, whole + SECOND_NS))
    assert not Stamp(8, whole).is_of_same_content(Stamp(8, whole - SECOND_NS))


def test_of_a_large_file_that_is_no_recording_only_size_and_times_count(tmp_path: Path) -> None:
    path = tmp_path / "m1.wav"
    with path.open("wb") as stream:
        stream.truncate(4 << 40)
    watched = WatchedFiles([path])
    fault = RecordingError("unreadable", "of no known kind")
    assert watched.fault_and_hashes(fault) == (fault, None)
    record = FileRecord(*watched.contents[path])
    assert record.now(path) == record == record.now(path, whole=True)
    os.utime(path, (1e9, 1e9))
    assert record.now(path) is None
