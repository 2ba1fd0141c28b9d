"""`tapeline compare-results`: what it prints, its exit statuses, its table of changed cells."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from small_results import (
    MADE_FROM,
    Contents,
    band,
    changed_contents,
    contents,
    describe,
    difference,
    manifest,
    path_of,
    two,
    write_results,
)

from tapeline import cli
from tapeline.changes.causes import Cause, differences
from tapeline.changes.changes_text import WIDTH
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT, EXIT_MOVED
from tapeline.store import parquet, tables

Compare = Callable[..., tuple[int, str, str]]
COMMAND = "import sys; from tapeline.cli import main; sys.exit(main())"


@pytest.fixture
def compare(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Compare:
    """The command as a function: exit status, output, errors."""
    monkeypatch.setattr(sys, "meta_path", [*sys.meta_path])

    def run(*arguments: object) -> tuple[int, str, str]:
        status = cli.main(["compare-results", *map(str, arguments)])
        return status, *capsys.readouterr()

    return run


def louder(by_db: float) -> Contents:
    """The small tables with one level that moved."""
    return changed_contents(("bands", "may"), [band("m1", 90.0 + by_db), contents()["bands", "may"][1]])


OTHER_MEAN = {"april/p1": {"sensor": "s1", "sensitivity_v_per_pa": 0.0042, "source": "before"}}


def settings(**changed: Any) -> dict[str, Any]:
    """The small manifest's settings with some changed."""
    return {**manifest({})["settings"], **changed}


def test_the_same_results_have_not_moved(tmp_path: Path, compare: Compare) -> None:
    folder = write_results(tmp_path, contents())
    status, output, errors = compare(folder, folder)
    assert (status, errors) == (0, "")
    assert "Nothing moved: 5 tables with 10 rows are the same" in output
    assert "What differs" not in output


def test_a_moved_level_has_a_status_of_its_own(tmp_path: Path, compare: Compare) -> None:
    status, output, _ = compare(*two(tmp_path, louder(0.25)))
    assert status == EXIT_MOVED == 4
    assert "What moved: 1 of 5 tables; the same: calibration, comparisons, narrowband, quality" in output
    assert "band levels  1 of 4: at most +0.25 dB at may: m1, p1, 500 Hz" in output
    assert "findings     none of 2 changed" in output


def test_exit_statuses_are_all_different() -> None:
    statuses = (0, EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT, EXIT_MOVED)
    assert len(set(statuses)) == len(statuses)


@pytest.mark.parametrize(("within", "status"), [("0", 4), ("0.2", 4), ("0.25", 0), ("1", 0)])
def test_a_tolerance_decides_the_status(tmp_path: Path, compare: Compare, within: str, status: int) -> None:
    found, output, _ = compare(*two(tmp_path, louder(0.25)), "--within", within)
    assert found == status
    assert ("Nothing moved by more than" in output) == (status == 0)
    assert "level_db" in output


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        *(("--within", value, f"'{value}' found, a number from 0 expected") for value in ("-1", "nan", "inf", "abc")),
        ("--within-share", "2%", "'2%' found, a number from 0 expected"),
        ("--rows", "0", "'0' found, a whole number from 1 expected"),
        ("--rows", "few", "'few' found, a whole number from 1 expected"),
        ("--csv", ".", ". is a folder, the name of a file expected"),
        ("--csv", "", "the name of a file expected, none found"),
    ],
)
def test_options_that_cannot_be_read_are_refused_in_plain_words(
    option: str, value: str, words: str, compare: Compare, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        compare(tmp_path, tmp_path, f"{option}={value}")
    assert stopped.value.code == 2
    assert f"tapeline compare-results: {option}: {words}" in capsys.readouterr().err


def test_a_file_that_cannot_be_written_is_named_as_it_was_given(tmp_path: Path, compare: Compare) -> None:
    folder = write_results(tmp_path, contents())
    (tmp_path / "taken").write_text("", encoding="utf-8")
    status, output, errors = compare(folder, folder, "--csv", tmp_path / "taken" / "cells.csv")
    assert (status, output) == (2, "")
    assert errors.startswith(f"tapeline compare-results: {tmp_path / 'taken' / 'cells.csv'}: cannot be written (")


@pytest.mark.parametrize(("by_db", "status"), [(0.25, 4), (0.0, 0)])
def test_a_reader_who_closes_the_pipe_does_not_change_the_status(tmp_path: Path, by_db: float, status: int) -> None:
    old, new = two(tmp_path, louder(by_db))
    read, written = os.pipe()
    os.close(read)
    command = [sys.executable, "-c", COMMAND, "compare-results", old, new]
    done = subprocess.run(command, stdout=written, stderr=subprocess.PIPE, text=True, check=False)
    os.close(written)
    assert (done.returncode, done.stderr) == (status, "")


def test_a_column_that_is_gone_has_moved_whatever_the_tolerance(tmp_path: Path, compare: Compare) -> None:
    old, new = two(tmp_path, contents())
    path = new / path_of(("comparisons", None))
    pq.write_table(pq.read_table(path).drop_columns(["finding", "session_label"]), path)
    describe(new)
    for folders, word in (((old, new), "gone"), ((new, old), "new")):
        status, output, _ = compare(*folders, "--within", 1)
        assert status == 4
        assert f"findings the column is {word}\n" in re.sub(" +", " ", output)
        assert f"columns {word}: session_label, finding" in output
        assert "none of 2 changed" in output


def test_a_table_that_moved_by_itself_is_not_put_down_to_others(tmp_path: Path, compare: Compare) -> None:
    new = contents()
    new["comparisons", None][0]["difference_db"] = -3.0
    _, output, _ = compare(*two(tmp_path, new))
    assert "Moved though they were asked for alike and no table that they are made from moved: comparisons" in output
    assert "Moved through" not in output
    _, output, _ = compare(*two(tmp_path / "inputs", new, inputs={"recordings/r1.wav": "cc" * 32}))
    assert "  Moved through what they are made from: comparisons\n" in output
    _, output, _ = compare(*two(tmp_path / "levels", new | {("bands", "may"): louder(1.0)["bands", "may"]}))
    assert "  Moved through what they are made from: comparisons\n" in output


def test_the_only_difference_is_the_cause(tmp_path: Path, compare: Compare) -> None:
    changed = {"settings": settings(confidence=0.9), "calibration": OTHER_MEAN}
    _, output, _ = compare(*two(tmp_path, louder(1.0), **changed))
    assert "  setting  confidence: 0.95 -> 0.9\n" in output
    assert "1 of 1 sensitivities differ; most at april/p1: +0.424 dB (4 -> 4.2 mV/Pa; mean -> before)" in output
    assert "It is the only difference, so it is the cause of what moved." in output


def test_of_several_differences_none_is_named_the_cause(tmp_path: Path, compare: Compare) -> None:
    changed = {"settings": settings(confidence=0.9), "steps": {"tables": 8, "compare": 3}}
    _, output, _ = compare(*two(tmp_path, louder(1.0), **changed))
    assert "  step     tables: 7 -> 8\n" in output
    assert "What moved is due to these 2 differences together." in output
    assert "only difference" not in output


def test_other_results_of_the_same_inputs_are_put_down_to_the_code(tmp_path: Path, compare: Compare) -> None:
    _, output, _ = compare(*two(tmp_path, louder(1.0)))
    assert "nothing: settings, inputs, versions and steps are the same" in output
    assert "Same inputs, other results: the code, or a library that the manifest does not list, changed." in output


def test_a_difference_without_an_effect_is_told_with_status_0(tmp_path: Path, compare: Compare) -> None:
    status, output, _ = compare(*two(tmp_path, contents(), versions={"tapeline": "0.2.0", "numpy": "2.0.0"}))
    assert status == 0
    assert "version  tapeline: 0.1.0 -> 0.2.0" in output
    assert "Nothing moved" in output
    assert "cause" not in output


def test_another_campaign_is_a_note(tmp_path: Path, compare: Compare) -> None:
    changed = {"campaign": "floor", "settings": settings(campaign="floor")}
    status, output, _ = compare(*two(tmp_path, contents(), **changed))
    assert status == 0
    assert "note  results of two campaigns: roof and floor" in output


def test_causes_are_named_by_path_and_kind() -> None:
    old = manifest({})
    new = manifest(
        {},
        settings=settings(bands={"fraction": 6, "range_hz": [100.0, 4000.0]}, title=""),
        inputs={"config/runs.csv": "ac" * 32, "recordings/r2.wav": None},
    )
    assert differences(old, new).causes == (
        Cause("setting", "bands.fraction", "3", "6"),
        Cause("setting", "title", "(absent)", '""'),
        Cause("input", "config/runs.csv", "content aaaaaaaa…", "content acacacac…"),
        Cause("input", "recordings/r1.wav", "content bbbbbbbb…", "(absent)"),
        Cause("input", "recordings/r2.wav", "(absent)", "missing"),
    )
    assert differences(old, old).causes == ()


def test_names_and_the_steps_behind_the_tables_are_no_cause() -> None:
    steps = {"tables": 7, "compare": 3}
    old = manifest({}, steps={**steps, "report": 3, "manifest": 1})
    new = manifest({}, steps={**steps, "report": 4}, settings=settings(campaign="floor", results="made"))
    assert differences(old, new).causes == ()


def test_inputs_whose_content_starts_alike_still_differ() -> None:
    sides = [manifest({}, inputs={"a.wav": "ab" * 31 + end}) for end in ("00", "01")]
    assert len(differences(*sides).causes) == 1


def test_lines_fit_the_terminal_and_a_table_has_no_more_than_asked_for(tmp_path: Path, compare: Compare) -> None:
    rows = [difference(f"position-{n:03d}", -1.0, "lower", p_value=0.1 * n) for n in range(5)]
    new = [row | {"difference_db": -2.0, "p_value": 0.5, "lower_db": 1.0, "finding": "bound"} for row in rows]
    part = ("comparisons", None)
    _, output, _ = compare(*two(tmp_path, {part: new}, {part: rows}), "--rows", 2)
    assert max(map(len, output.splitlines())) <= WIDTH
    assert "  … and 2 more columns\n" in output
    assert output.index("finding ") < output.index("difference_db   ")


def test_the_table_of_changed_cells_is_whole_and_the_same_every_time(tmp_path: Path, compare: Compare) -> None:
    folders = two(tmp_path, louder(0.25))
    files = [tmp_path / name for name in ("one.csv", "two.csv")]
    for file in files:
        compare(*folders, "--csv", file, "--within", 1)
    assert files[0].read_bytes() == files[1].read_bytes()
    rows = list(csv.DictReader(files[0].open(encoding="utf-8")))
    assert [row["column"] for row in rows] == ["level_db", "corrected_level_db", "corrected_pa2"]
    assert rows[0] == {
        "table": "bands",
        "row": "may: m1, p1, 500 Hz",
        "column": "level_db",
        "item": "",
        "unit": "dB re 20 uPa",
        "old": "90.0",
        "new": "90.25",
        "change": "0.25",
        "change_unit": "dB",
    }


def test_a_campaign_folder_stands_for_its_results(tmp_path: Path, compare: Compare) -> None:
    write_results(tmp_path / "van" / "made", contents())
    (tmp_path / "van" / "config").mkdir()
    text = "campaign: roof\nresults: made\nconditions: {open: {applied: []}}\n"
    (tmp_path / "van" / "config" / "campaign.yaml").write_text(text, encoding="utf-8")
    status, output, _ = compare(tmp_path / "van", tmp_path / "van" / "made")
    assert (status, "Nothing moved" in output) == (0, True)


def no_folder(folder: Path) -> None:
    """Take the folder away."""
    folder.rename(folder.with_name("away"))


def no_manifest(folder: Path) -> None:
    """A run that was stopped before its end."""
    (folder / "manifest.json").unlink()


def empty(folder: Path) -> None:
    """A folder that holds nothing of the kind."""
    no_folder(folder)
    folder.mkdir()


def broken_manifest(folder: Path) -> None:
    """A manifest cut short."""
    (folder / "manifest.json").write_text("{", encoding="utf-8")


def table_gone(folder: Path) -> None:
    """A table that its manifest names was deleted."""
    (folder / "tables/quality.parquet").unlink()


def table_made_later(folder: Path) -> None:
    """A table was made anew, its manifest was not."""
    text = (folder / "manifest.json").read_text(encoding="utf-8")
    (folder / "manifest.json").write_text(text.replace("d1" * 16, "d2" * 16, 1), encoding="utf-8")


def cut_table(folder: Path) -> None:
    """A table that lost its end."""
    path = folder / "tables/quality.parquet"
    path.write_bytes(path.read_bytes()[:-40])


def other_levels(folder: Path) -> None:
    """A table made anew of other recordings, or changed by hand: what it says that it was made from is the same."""
    [row] = contents()["quality", None]
    part = ("quality", None)
    parquet.write_rows(
        tables.QUALITY, folder / path_of(part), [row | {"frames": 999}], campaign="roof", digest=MADE_FROM
    )


def no_hashes(folder: Path) -> None:
    """A manifest that does not say what its tables hold."""
    content = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    del content["tables"]["tables/quality.parquet"]["sha256"]
    (folder / "manifest.json").write_text(json.dumps(content), encoding="utf-8")


def broken_pages(folder: Path) -> None:
    """A table whose footer is whole and whose data is not, though its manifest was written of it."""
    path = folder / "tables/bands/session=april/part-0.parquet"
    content = bytearray(path.read_bytes())
    content[4:600] = b"\x55" * 596
    path.write_bytes(content)
    describe(folder)


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (no_folder, "no such folder"),
        (empty, "no results, there is no manifest.json"),
        (no_manifest, "half made, there is no manifest.json"),
        (broken_manifest, "manifest.json: cannot be read"),
        (table_gone, "half made, its manifest names what is not there: tables/quality.parquet"),
        (table_made_later, "half made, made or changed after its manifest: tables/bands/session=april/part-0.parquet"),
        (other_levels, "half made, made or changed after its manifest: tables/quality.parquet; delete what was"),
        (no_hashes, "half made, made or changed after its manifest: tables/quality.parquet"),
        (cut_table, "quality.parquet: cannot be read as a Parquet table"),
        (broken_pages, "session=april/part-0.parquet: cannot be read as a Parquet table"),
    ],
)
@pytest.mark.parametrize("side", [0, 1])
def test_what_cannot_be_compared_is_named(
    tmp_path: Path, compare: Compare, harm: Callable[[Path], None], words: str, side: int
) -> None:
    folders = two(tmp_path, louder(1.0))
    harm(folders[side])
    status, output, errors = compare(*folders, "--csv", tmp_path / "cells.csv")
    assert (status, output) == (2, "")
    assert errors.startswith("tapeline compare-results: ")
    assert words in errors
    assert str(folders[side]) in errors
    assert errors.count("\n") == 1
    assert not (tmp_path / "cells.csv").exists()


def test_settings_that_cannot_be_read_are_reported_as_every_command_does(tmp_path: Path, compare: Compare) -> None:
    folder = write_results(tmp_path / "results", contents())
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "campaign.yaml").write_text("campaign: [", encoding="utf-8")
    status, _, errors = compare(tmp_path, folder)
    assert status == 2
    assert "config/campaign.yaml" in errors
