"""Writers that are killed, and what the next try finds."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import duckdb
import pyarrow.parquet as pq
import pytest

from tapeline import __version__
from tapeline.store import arrow_file, parquet, tables
from tapeline.store.atomic import replacing

STAMP = {"campaign": "c", "digest": "d"}

KILLED = """
import pathlib, sys
from tapeline.store.atomic import replacing
with replacing(pathlib.Path(sys.argv[1])) as temporary:
    temporary.write_bytes(b"half of it")
    print("written", flush=True)
    sys.stdin.read()
"""


def kill_while_writing(path: Path) -> None:
    """A process that dies between the first byte and the rename."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout
    assert process.stdout.readline() == "written\n"
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert process.returncode == -signal.SIGKILL


@pytest.mark.parametrize("old", [None, b"the old content"])
def test_a_killed_writer_leaves_the_path_as_it_was(tmp_path: Path, old: bytes | None) -> None:
    path = tmp_path / "part-0.parquet"
    if old is not None:
        path.write_bytes(old)
    kill_while_writing(path)
    assert (path.read_bytes() if path.exists() else None) == old
    assert [left.suffix for left in tmp_path.iterdir() if left != path] == [".part"]
    with replacing(path) as temporary:
        temporary.write_bytes(b"all of it")
    assert path.read_bytes() == b"all of it"
    assert list(tmp_path.iterdir()) == [path]


def test_what_a_killed_writer_left_is_no_part_of_the_table(tmp_path: Path) -> None:
    for session in ("april", "may"):
        path = tmp_path / "bands" / f"session={session}" / "part-0.parquet"
        parquet.write_rows(tables.BANDS, path, [{"run": session, "position": "p", "band_hz": 100.0}], **STAMP)
    kill_while_writing(path)
    assert set(parquet.read_partitions(tmp_path / "bands")) == {"april", "may"}
    glob = str(tmp_path / "bands" / "*" / "*.parquet")
    query = "SELECT session, run FROM read_parquet($glob, hive_partitioning = true) ORDER BY 1"
    found = duckdb.execute(query, {"glob": glob})
    assert found.fetchall() == [("april", "april"), ("may", "may")]


def test_leftovers_of_other_files_stay(tmp_path: Path) -> None:
    for name in (".other.parquet.1.part", "a.parquet.1.part"):
        (tmp_path / name).touch()
    with replacing(tmp_path / "a.parquet") as temporary:
        temporary.write_text("x")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        ".other.parquet.1.part",
        "a.parquet",
        "a.parquet.1.part",
    ]


def test_the_written_file_itself_takes_the_name(tmp_path: Path) -> None:
    """A rename, not a copy: no reader ever meets half of it (POSIX rename is atomic)."""
    path = tmp_path / "a.txt"
    path.write_text("old")
    with replacing(path) as temporary:
        temporary.write_text("new")
        inode = temporary.stat().st_ino
        assert path.read_text() == "old"
    assert path.stat().st_ino == inode


def test_the_new_file_is_on_disk_before_it_takes_the_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """POSIX: a rename may reach the disk before the content, unless that is flushed first (common practice)."""
    path, seen = tmp_path / "a.txt", []
    flush = os.fsync

    def watched(descriptor: int) -> None:
        seen.append((os.fstat(descriptor).st_size, path.exists()))
        flush(descriptor)

    monkeypatch.setattr(os, "fsync", watched)
    with replacing(path) as temporary:
        temporary.write_text("12345")
    assert (5, False) in seen
    assert path.read_text() == "12345"


def test_an_interrupted_pressure_file_does_not_appear(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), arrow_file.writing(tmp_path / "r.arrow", ["p"], 1.0, {}):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_metadata_names_what_the_table_is_and_is_made_from(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    parquet.write_rows(tables.NARROWBAND, path, [], campaign="roof", digest="abc")
    found = {key.decode(): value.decode() for key, value in pq.read_schema(path).metadata.items()}
    assert found["tapeline.campaign"] == "roof"
    assert found["tapeline.made_from"] == "abc"
    assert found["tapeline.version"] == __version__
    assert found["tapeline.key"] == "campaign,run,position"
    assert found["tapeline.states"] == ",".join(tables.STATES)
    with arrow_file.writing(tmp_path / "p.arrow", ["a"], 48_000.0, {"tapeline.run": "r1"}):
        pass
    source = arrow_file.PressureFile(tmp_path / "p.arrow")
    assert source.sample_rate_hz == 48_000.0
    assert source._reader.schema.metadata[b"tapeline.run"] == b"r1"


def test_not_a_number_in_an_array_is_an_empty_cell(tmp_path: Path) -> None:
    import numpy as np

    columns = {name: [None, None] for name in tables.HISTORY.column_names()}
    columns |= {"run": ["b", "a"], "position": ["p", "p"], "weighting": ["A", "A"], "time_s": [0.0, 0.0]}
    parquet.write(tables.HISTORY, tmp_path / "h.parquet", columns | {"level_db": np.array([np.nan, 60.0])}, **STAMP)
    assert parquet.read_rows(tables.HISTORY, tmp_path / "h.parquet", ["run", "level_db"]) == [
        {"run": "a", "level_db": 60.0},
        {"run": "b", "level_db": None},
    ]
