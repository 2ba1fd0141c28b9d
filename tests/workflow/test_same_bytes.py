"""The same inputs give the same bytes on any number of cores, and the outputs are those that were agreed on.

What a table leaves empty is said in its declaration.
"""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from content_marks import changed_under_the_same_versions, differences, expected_marks, marks_of
from empty_cells import SAY_IT, unexplained_gaps, unexplained_in
from sample_runs import REPOSITORY, CampaignRun, outputs, run_campaign, two_recordings

from tapeline.store import parquet, tables
from tapeline.store.rows import BandHistoryRow

pytestmark = pytest.mark.workflow


def test_one_and_two_cores_give_the_same_bytes_of_a_small_campaign(tmp_path: Path) -> None:
    one, two = (run_campaign(two_recordings(tmp_path / f"on {cores}"), cores) for cores in (1, 2))
    assert (one.status, two.status) == (0, 0), one.output + two.output
    assert outputs(one) == outputs(two)


@pytest.mark.long
def test_one_and_two_cores_give_the_same_bytes(sample: CampaignRun, sample_on_one_core: CampaignRun) -> None:
    two, one = outputs(sample), outputs(sample_on_one_core)
    assert two.keys() == one.keys()
    assert [name for name in two if two[name] != one[name]] == []


def test_the_outputs_are_the_listed_ones(sample: CampaignRun) -> None:
    listed = (REPOSITORY / "tests" / "workflow" / "sample_outputs.txt").read_text(encoding="utf-8").split()
    assert sorted(outputs(sample)) == listed


def test_contents_change_only_with_the_versions_of_jobs(sample: CampaignRun) -> None:
    found = differences(expected_marks(), marks_of(sample.results))
    assert not found, (
        "other contents under the same version: raise the `version` of the job that writes them "
        "(jobs/<name>/__init__.py) and run `make content-marks`\n" + "\n".join(found)
    )


def test_a_raised_version_excuses_what_follows_from_its_job_alone() -> None:
    before = expected_marks()
    assert changed_under_the_same_versions(before, before) == []
    comparisons, runs = (f"tables/{name}.parquet" for name in ("comparisons", "runs"))
    after = copy.deepcopy(before)
    for name in (comparisons, runs):
        after[name]["rows"] += 1
    assert "compare" not in after[runs]["versions"]
    after[comparisons]["versions"]["compare"] += 1
    (line,) = changed_under_the_same_versions(before, after)
    assert line.startswith(f"{runs}: ")
    assert [line.split(":")[0] for line in differences(before, after)] == [comparisons, runs]


def test_a_column_with_empty_cells_says_what_they_mean(sample: CampaignRun) -> None:
    assert unexplained_in(sample.results) == set(), SAY_IT


def test_an_empty_cell_without_a_word_is_found(tmp_path: Path) -> None:
    rows: list[BandHistoryRow] = [{"run": "a", "position": "p", "band_hz": 100.0, "level_db": [60.0, None]}]
    parquet.write_rows(tables.BAND_HISTORY, tmp_path / "t.parquet", rows, campaign="small", digest="none")
    silent = [column.name for column in tables.BAND_HISTORY.columns[3:-1]]
    assert list(unexplained_gaps(tmp_path / "t.parquet")) == [f"band_history.{name}" for name in silent]


def test_nothing_of_this_machine_is_in_the_results(sample: CampaignRun) -> None:
    here = str(sample.folder).encode()
    assert [name for name, content in outputs(sample).items() if here in content] == []
