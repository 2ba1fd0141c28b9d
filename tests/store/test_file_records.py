"""Files of results are held against what was written to them."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tapeline.store import file_records, parquet, tables
from tapeline.store.file_records import FileRecord, NotAsWrittenError


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "positions.parquet"
    rows = [{"position": f"p{number}"} for number in range(200)]
    parquet.write_rows(tables.POSITIONS, path, rows, campaign="synthetic", digest="d")
    return path


def flip(path: Path, place: int) -> None:
    """Flip a bit and set the time of writing back."""
    times = path.stat()
    content = bytearray(path.read_bytes())
    content[place] ^= 4
    path.write_bytes(content)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def test_a_flipped_bit_with_the_time_set_back_is_not_read(table: Path) -> None:
    assert parquet.read(table).num_rows == 200
    flip(table, 100)
    assert file_records.written_record(table).now(table) is None
    with pytest.raises(NotAsWrittenError, match="was changed or damaged"):
        parquet.read(table)


def test_a_disk_that_turns_a_bit_changes_no_time_and_is_seen_by_reading(table: Path) -> None:
    record = file_records.written_record(table)
    flip(table, 100)
    stamp = file_records.stamp_of(table)
    file_records.keep_written(table, FileRecord(stamp, record.sha256))
    with pytest.raises(NotAsWrittenError):
        parquet.read(table)


def test_pages_carry_checksums_that_other_readers_may_hold_them_against(table: Path) -> None:
    column = pq.ParquetFile(table).metadata.row_group(0).column(0)
    flip(table, column.dictionary_page_offset + column.total_compressed_size - 3)
    with pytest.raises(OSError, match="CRC"):
        pq.read_table(table, page_checksum_verification=True)


def test_a_table_written_by_somebody_else_is_not_read(table: Path) -> None:
    pq.write_table(pq.read_table(table).slice(0, 100), table)
    with pytest.raises(NotAsWrittenError):
        parquet.read_where(table, [("position", "=", "p1")])


def test_a_copy_with_other_times_is_the_same_file(table: Path) -> None:
    os.utime(table, ns=(1, 1))
    record = file_records.written_record(table)
    now = record.now(table)
    assert now is not None and now != record and now.sha256 == record.sha256
    assert parquet.read(table).num_rows == 200


@pytest.mark.parametrize("kept", ["", "{", "[]", '{"sha256": 1}', '{"sha256": "a", "size": "x"}'])
def test_a_record_that_cannot_be_read_is_none(table: Path, kept: str) -> None:
    (table.parent / file_records.FOLDER / f"{table.name}.json").write_text(kept)
    assert file_records.written_record(table) is None
    assert parquet.read(table).num_rows == 200
