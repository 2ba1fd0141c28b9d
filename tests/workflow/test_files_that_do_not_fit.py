"""Results changed behind the program's back, and recordings replaced by others: made again, and said."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from sample_runs import CampaignRun, tapeline

from tapeline.store import file_records

pytestmark = [pytest.mark.workflow]

COMPARISONS = "results/tables/comparisons.parquet"
VERDICTS = "results/verdicts/april.parquet"


@pytest.fixture
def copied(sample: CampaignRun, tmp_path: Path) -> Path:
    return shutil.copytree(sample.folder, tmp_path / "sample")


def flip(path: Path) -> None:
    """Flip a bit in the middle, and set the time of writing back."""
    times = path.stat()
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def same_tables(first: Path, second: Path) -> bool:
    names = {path.relative_to(first) for path in first.glob("results/tables/**/*.parquet")}
    return bool(names) and all((first / name).read_bytes() == (second / name).read_bytes() for name in names)


def test_changed_results_are_made_again(sample: CampaignRun, copied: Path) -> None:
    table = pq.read_table(copied / COMPARISONS)
    at = table.schema.get_field_index("difference_db")
    more = table.set_column(at, table.schema.field(at), pc.add(table.column(at), 5.0))
    pq.write_table(more, copied / COMPARISONS)
    flip(copied / "results/spectra/a12/spectra.parquet")
    found = tapeline("check-results", copied)
    assert found.returncode == 4
    assert f"{COMPARISONS}: changed or damaged since it was written" in found.stdout
    done = tapeline("run", copied, "--cores", "2")
    assert done.returncode == 3, done.stderr
    assert f"made again: results/spectra/a12/spectra.parquet, {COMPARISONS}" in done.stderr
    assert same_tables(sample.folder, copied)
    assert tapeline("check-results", copied).returncode == 0
    assert "nothing is amiss" in tapeline("check-results", copied / "results").stdout


def test_a_bit_that_a_disk_turned_is_found_by_the_step_that_reads_it(sample: CampaignRun, copied: Path) -> None:
    record = file_records.written_record(copied / VERDICTS)
    flip(copied / VERDICTS)
    kept = file_records.FileRecord(file_records.stamp_of(copied / VERDICTS), record.sha256)
    file_records.keep_written(copied / VERDICTS, kept)
    (copied / "results/tables/bands/session=april/part-0.parquet").unlink()
    done = tapeline("run", copied, "--cores", "2")
    assert done.returncode == 3, done.stderr
    assert f"changed or damaged since it was written, made again: {VERDICTS}" in done.stderr
    assert same_tables(sample.folder, copied)


def test_a_result_that_is_gone_is_made_again_though_what_follows_is_there(sample: CampaignRun, copied: Path) -> None:
    checks = copied / "results/calibration/checks/april.parquet"
    checks.unlink()
    found = tapeline("check-results", copied)
    assert found.returncode == 4
    assert "results/calibration/checks/april.parquet: gone since it was written" in found.stdout
    done = tapeline("run", copied, "--cores", "2")
    assert "gone since it was written, made again: results/calibration/checks/april.parquet" in done.stderr
    assert checks.read_bytes() == (sample.folder / "results/calibration/checks/april.parquet").read_bytes()
    assert same_tables(sample.folder, copied)
    assert tapeline("check-results", copied).returncode == 0


def test_a_recording_replaced_by_one_of_the_same_size_and_an_older_time_is_read(copied: Path) -> None:
    recordings = copied / "data-sample" / "recordings"
    flip(recordings / "a13.wav")
    os.utime(recordings / "a13.wav", (1e9, 1e9))
    before = (copied / "results/quality/a13.parquet").read_bytes()
    done = tapeline("run", copied, "--cores", "2")
    assert "read again: data-sample/recordings/a13.wav" in done.stderr
    assert (copied / "results/quality/a13.parquet").read_bytes() != before
    again = tapeline("run", copied, "--cores", "2", "--check-recordings")
    assert "nothing to do" in again.stdout + again.stderr


def test_what_was_only_touched_stays(copied: Path) -> None:
    for path in (copied / "data-sample" / "recordings").iterdir():
        os.utime(path, (1e9, 1e9))
    done = tapeline("run", copied, "--cores", "1")
    assert "nothing to do" in done.stdout + done.stderr
    assert "tapeline run:" not in done.stderr
