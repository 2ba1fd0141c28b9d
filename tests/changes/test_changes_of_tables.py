"""What is found when the tables of two results folders are held against each other."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_results import (
    Contents,
    Row,
    band,
    changed_contents,
    changes,
    contents,
    describe,
    difference,
    lines,
    two,
    write_results,
)

from tapeline.changes import list_cells
from tapeline.store import parquet, tables

DOUBLE_DB = 10 * math.log10(2)
"""Common practice: twice the power is 3.01 dB, twice the pressure 6.02 dB."""


def calibration(**cells: Any) -> Contents:
    """The small tables with a changed calibration."""
    [row] = contents()["calibration", None]
    return changed_contents(("calibration", None), [row | cells])


def test_the_same_folder_holds_no_change(tmp_path: Path) -> None:
    folder = write_results(tmp_path, contents())
    found, cells = changes(folder, folder)
    assert sorted(found) == ["bands", "calibration", "comparisons", "narrowband", "quality"]
    assert cells == []
    assert not any(table.changed or table.bytes_differ or table.moved for table in found.values())


def test_a_level_that_moved_is_named_with_its_key_and_the_power_beside_it_in_decibels(tmp_path: Path) -> None:
    new = changed_contents(
        ("bands", "april"), [band("r1", 93.2), band("r2", 92.0 + DOUBLE_DB, marks=["few-lines", "chart-ends"])]
    )
    found, _ = changes(*two(tmp_path, new))
    bands = found["bands"]
    assert (bands.changed_rows, bands.new_rows, bands.only_old, bands.only_new) == (1, 4, 0, 0)
    moved = bands.columns["corrected_level_db"].largest
    assert moved is not None
    assert moved.row == "april: r2, p1, 500 Hz"
    assert (moved.old, moved.new) == (92.0, 92.0 + DOUBLE_DB)
    assert moved.change == pytest.approx(DOUBLE_DB, abs=1e-12)
    power = bands.columns["corrected_pa2"].largest
    assert power is not None
    assert (power.change, power.change_unit, power.unit) == (pytest.approx(DOUBLE_DB, abs=1e-9), "dB", "Pa^2")
    assert {name for name, table in found.items() if table.changed} == {"bands"}


def test_a_sensitivity_counts_twice_as_many_decibels_as_a_power(tmp_path: Path) -> None:
    found, _ = changes(*two(tmp_path, calibration(sensitivity_v_per_pa=0.008)))
    moved = found["calibration"].columns["sensitivity_v_per_pa"].largest
    assert moved is not None
    assert moved.change == pytest.approx(2 * DOUBLE_DB)


def test_rows_that_came_and_went_are_named(tmp_path: Path) -> None:
    new = changed_contents(("bands", "april"), [band("r2", 92.0, marks=["few-lines", "chart-ends"]), band("r3", 80.0)])
    found, cells = changes(*two(tmp_path, new))
    bands = found["bands"]
    assert (bands.only_old, bands.only_new, bands.changed_rows) == (1, 1, 0)
    assert (bands.old_examples, bands.new_examples) == (["april: r1, p1, 500 Hz"], ["april: r3, p1, 500 Hz"])
    assert [(cell.row, cell.old, cell.new) for cell in cells] == [
        ("april: r1, p1, 500 Hz", "row", None),
        ("april: r3, p1, 500 Hz", None, "row"),
    ]
    assert bands.moved


def test_a_line_that_moved_is_named_by_its_frequency(tmp_path: Path) -> None:
    new = changed_contents(("narrowband", "april"), [lines("r1", [1.0, 2.2, 8.0]), lines("r2", [1.0, np.nan, 4.0])])
    found, cells = changes(*two(tmp_path, new))
    column = found["narrowband"].columns["psd_pa2_per_hz"]
    assert column.largest is not None
    assert (column.cells, column.largest.row, column.largest.item) == (1, "april: r1, p1", "30 Hz")
    assert column.largest.change == pytest.approx(DOUBLE_DB, abs=1e-6)
    assert [(cell.column, cell.item, cell.old, cell.new) for cell in cells] == [("psd_pa2_per_hz", "30 Hz", 4.0, 8.0)]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (lines("r1", [1.0, 2.0]), ("3 values", "2 values")),
        (
            lines("r1", [1.0, 2.0, 4.0], first_hz=25.0),
            ("3 values from 20 Hz, 5 Hz apart", "3 values from 25 Hz, 5 Hz apart"),
        ),
        (lines("r1", [1.0, 2.0, 4.0]) | {"psd_pa2_per_hz": None}, ("3 values", None)),
    ],
)
def test_lists_that_are_not_the_same_lines_are_a_change_without_size(tmp_path: Path, row: Row, words: Any) -> None:
    new = changed_contents(("narrowband", "april"), [row, lines("r2", [1.0, np.nan, 4.0])])
    found, cells = changes(*two(tmp_path, new))
    column = found["narrowband"].columns["psd_pa2_per_hz"]
    assert (column.cells, column.largest) == (1, None)
    [cell] = [cell for cell in cells if cell.column == "psd_pa2_per_hz"]
    assert (cell.old, cell.new, cell.change) == (*words, None)
    assert found["narrowband"].moved


def test_a_line_that_lost_its_value_is_counted_and_is_beyond_any_tolerance(tmp_path: Path) -> None:
    new = changed_contents(("narrowband", "april"), [lines("r1", [1.0, np.nan, 4.0]), lines("r2", [1.0, 3.0, 4.0])])
    found, _ = changes(*two(tmp_path, new), within_db=50.0)
    column = found["narrowband"].columns["psd_pa2_per_hz"]
    assert (column.cells, column.beyond, column.appeared, column.vanished) == (2, 2, 1, 1)


def test_states_of_lines_are_told_by_their_names(tmp_path: Path) -> None:
    states = np.array([1, 2, 4], dtype=np.uint8)
    new = changed_contents(
        ("narrowband", "april"), [lines("r1", [1.0, 2.0, 4.0], state=states), lines("r2", [1.0, np.nan, 4.0])]
    )
    found, _ = changes(*two(tmp_path, new))
    assert dict(found["narrowband"].columns["state"].words) == {("clear", "corrected"): 1, ("clear", "bound"): 1}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (None, -2.0, (None, -2.0)),
        (-2.0, None, (-2.0, None)),
        (math.nan, -2.0, ("NaN", -2.0)),
        (-math.inf, -2.0, (-math.inf, -2.0)),
        (None, math.nan, (None, "NaN")),
    ],
)
def test_nothing_infinity_and_no_number_are_values_of_their_own(tmp_path: Path, old: Any, new: Any, said: Any) -> None:
    part = ("comparisons", None)
    sides = [changed_contents(part, [difference("p1", value, "lower")]) for value in (old, new)]
    found, [cell] = changes(*two(tmp_path, sides[1], sides[0]), within_db=1000.0)
    assert (cell.old, cell.new, cell.change) == (*said, None)
    assert found["comparisons"].columns["difference_db"].beyond == 1


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf])
def test_what_is_no_number_on_both_sides_is_no_change(tmp_path: Path, value: float | None) -> None:
    made = changed_contents(("comparisons", None), [difference("p1", value, "bound", adjusted_p_value=1.0)])
    other = changed_contents(("comparisons", None), [difference("p1", value, "bound", adjusted_p_value=0.5)])
    found, cells = changes(*two(tmp_path, made, other))
    assert [cell.column for cell in cells] == ["adjusted_p_value"]
    assert found["comparisons"].changed_rows == 1


def test_changed_words_are_counted_by_what_they_were_and_became(tmp_path: Path) -> None:
    new = changed_contents(
        ("comparisons", None), [difference("p1", -2.0, "not shown"), difference("p2", -0.4, "lower")]
    )
    found, _ = changes(*two(tmp_path, new))
    column = found["comparisons"].columns["finding"]
    assert dict(column.words) == {("lower", "not shown"): 1, ("not shown", "lower"): 1}
    assert column.first_of["lower", "not shown"].row == "seam, april, april, p1, 27.778 m/s, 0°, band, Z, 500 Hz"


def test_names_in_another_order_are_the_same_names_with_the_same_values(tmp_path: Path) -> None:
    terms = {"terms": ["adapter", "drift"], "terms_db": [0.1, 0.2], "terms_evidence": ["default", "measured"]}
    found, cells = changes(*two(tmp_path, calibration(**terms)))
    assert cells == []
    assert found["calibration"].bytes_differ
    assert not found["calibration"].changed


def test_what_goes_with_a_name_is_compared_by_the_name(tmp_path: Path) -> None:
    terms = {"terms": ["adapter", "drift"], "terms_db": [0.3, 0.2], "terms_evidence": ["default", "certificate"]}
    _, cells = changes(*two(tmp_path, calibration(**terms)))
    assert [(cell.column, cell.item) for cell in cells] == [("terms_db", "adapter"), ("terms_evidence", "")]
    assert cells[0].change == pytest.approx(0.2, abs=1e-6)
    assert (cells[1].old, cells[1].new) == ("adapter: default drift: measured", "adapter: default drift: certificate")


def test_reasons_that_came_and_went_are_told_alone(tmp_path: Path) -> None:
    [row] = contents()["quality", None]
    old = changed_contents(("quality", None), [row | {"reasons": ["hum", "spikes"]}])
    new = changed_contents(("quality", None), [row | {"reasons": ["overload", "spikes"], "verdict": "doubtful"}])
    found, _ = changes(*two(tmp_path, new, old))
    assert dict(found["quality"].columns["reasons"].words) == {("hum", "overload"): 1}


def test_rows_are_found_wherever_they_stand(tmp_path: Path) -> None:
    many = changed_contents(
        ("narrowband", "april"),
        [lines(f"r{n:04d}", [1.0 + n, 2.0, 4.0]) for n in range(3 * list_cells.ROWS_AT_ONCE)],
    )
    old, new = two(tmp_path, many, many)
    path = new / "tables/narrowband/session=april/part-0.parquet"
    table = pq.read_table(path, partitioning=None)
    shuffled = np.random.default_rng(3).permutation(table.num_rows)
    pq.write_table(table.take(pa.array(shuffled)), path, row_group_size=100)
    describe(new)
    found, cells = changes(old, new)
    assert cells == []
    assert found["narrowband"].bytes_differ
    assert not found["narrowband"].changed


def test_rows_that_share_a_key_are_matched_in_the_order_in_which_they_stand(tmp_path: Path) -> None:
    """Two overall levels of one weighting have one key in the comparisons; their ranges tell them apart."""
    ranges = [
        {"lowest_band_hz": 100.0, "highest_band_hz": 4000.0},
        {"lowest_band_hz": 200.0, "highest_band_hz": 2000.0},
    ]
    part = ("comparisons", None)

    def rows(*values: float) -> Contents:
        cells = {"quantity": "overall", "band_hz": None}
        return changed_contents(
            part, [difference("p1", v, "lower", **cells, **r) for v, r in zip(values, ranges, strict=False)]
        )

    found, [cell] = changes(*two(tmp_path, rows(-2.0, -3.0), rows(-2.0, -3.5)))
    assert (cell.column, cell.old, cell.new) == ("difference_db", -3.5, -3.0)
    found, _ = changes(*two(tmp_path / "fewer", rows(-2.0), rows(-2.0, -3.5)))
    assert (found["comparisons"].only_old, found["comparisons"].changed_rows) == (1, 0)


def test_tables_and_parts_that_one_folder_alone_has_are_listed(tmp_path: Path) -> None:
    old, new = contents(), contents()
    del new["quality", None], new["bands", "may"]
    del old["narrowband", "april"]
    found, _ = changes(*two(tmp_path, new, old))
    assert (found["quality"].parts_only_old, found["quality"].only_old) == (["the whole table"], 1)
    assert (found["bands"].parts_only_old, found["bands"].only_old, found["bands"].matched_rows) == (
        ["session=may"],
        2,
        2,
    )
    assert (found["narrowband"].parts_only_new, found["narrowband"].only_new) == (["session=april"], 2)
    assert all(found[name].moved for name in ("quality", "bands", "narrowband"))


def test_columns_of_one_folder_alone_are_listed_and_not_compared(tmp_path: Path) -> None:
    old, new = two(tmp_path, contents())
    path = new / "tables/quality.parquet"
    table = pq.read_table(path)
    metadata = table.schema.metadata
    added = table.drop_columns(["frames"]).append_column("added_hz", pa.array([50.0]))
    pq.write_table(added.replace_schema_metadata(metadata), path)
    describe(new)
    found, cells = changes(old, new)
    assert (found["quality"].columns_only_old, found["quality"].columns_only_new) == (["frames"], ["added_hz"])
    assert cells == []
    assert found["quality"].moved
    assert changes(old, new, within_db=50.0)[0]["quality"].moved


def test_rows_of_campaigns_with_other_names_match_and_the_name_is_no_change(tmp_path: Path) -> None:
    new = changed_contents(("bands", "may"), [band("m1", 90.5), *contents()["bands", "may"][1:]])
    found, cells = changes(*two(tmp_path, new, campaign="roof again"))
    assert {cell.row for cell in cells} == {"may: m1, p1, 500 Hz"}
    assert not any(table.rekeyed or table.only_old or table.only_new for table in found.values())


def test_results_without_the_name_of_the_campaign_match_those_with_it(tmp_path: Path) -> None:
    old, new = two(tmp_path, contents())
    path = old / "tables/quality.parquet"
    table = pq.read_table(path)
    before = {**table.schema.metadata, b"tapeline.key": b"run,position"}
    pq.write_table(table.drop_columns(["campaign"]).replace_schema_metadata(before), path)
    describe(old)
    found, cells = changes(old, new)
    assert (found["quality"].rekeyed, found["quality"].columns_only_new, cells) == ("", ["campaign"], [])


def test_a_table_with_another_key_is_said_to_be_unmatchable(tmp_path: Path) -> None:
    old, new = two(tmp_path, contents())
    path = new / "tables/quality.parquet"
    table = pq.read_table(path)
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, b"tapeline.key": b"run"}), path)
    describe(new)
    found, _ = changes(old, new)
    assert found["quality"].rekeyed == "run,position -> run"
    assert found["quality"].moved


@pytest.mark.parametrize(("new_db", "beyond"), [(93.3, 0), (93.3 + 1e-6, 1), (93.1, 0), (93.1 - 1e-6, 1)])
def test_a_change_of_just_the_tolerance_is_within_it(tmp_path: Path, new_db: float, beyond: int) -> None:
    new = changed_contents(
        ("bands", "april"), [band("r1", new_db), band("r2", 92.0, marks=["few-lines", "chart-ends"])]
    )
    found, _ = changes(*two(tmp_path, new), within_db=0.1)
    assert found["bands"].columns["level_db"].cells == 1
    assert found["bands"].columns["level_db"].beyond == beyond
    assert found["bands"].moved == bool(beyond)


@pytest.mark.parametrize(
    ("part", "cells", "counts"),
    [
        ("comparisons", {"finding": "not shown"}, True),
        ("comparisons", {"p_value": 0.9}, False),
        ("comparisons", {"reference_runs": ["r9"]}, True),
        ("quality", {"verdict": "doubtful"}, True),
        ("quality", {"recording_sha256": "cd"}, False),
        ("quality", {"frames": 999}, True),
        ("quality", {"sentences": ["position p1: 3.2 dB"]}, True),
        ("comparisons", {"degrees_of_freedom": 3.0}, True),
        ("calibration", {"terms_evidence": ["measured", "certificate"]}, True),
    ],
)
def test_with_a_tolerance_words_and_counts_count_and_what_follows_from_levels_does_not(
    tmp_path: Path, part: str, cells: Row, counts: bool
) -> None:
    first, *rest = contents()[part, None]
    found, _ = changes(*two(tmp_path, changed_contents((part, None), [first | cells, *rest])), within_db=0.1)
    assert found[part].changed_rows == 1
    assert found[part].moved == counts
    found, _ = changes(tmp_path / "old", tmp_path / "new")
    assert found[part].moved


def test_a_sentence_that_differs_in_its_numbers_alone_is_within_a_tolerance(tmp_path: Path) -> None:
    [row] = contents()["quality", None]
    sides = [
        changed_contents(("quality", None), [row | {"sentences": [f"position p1: {db} dB"]}]) for db in ("-3.2", "3.25")
    ]
    found, _ = changes(*two(tmp_path, sides[1], sides[0]), within_db=0.1)
    assert found["quality"].changed_rows == 1
    assert not found["quality"].moved


def exponents(**cells: Any) -> Contents:
    """The small tables with a row of exponents and one of the list of work."""
    scaled = {"condition": "open", "session": "april", "position": "p1", "yaw_deg": 0.0, "quantity": "overall"}
    scaled |= {
        "exponent": 5.0,
        "lack_of_fit_p_value": 0.2,
        "degrees_of_freedom": 4,
        "left_out": ["1 unusable"],
        "level_count": 6,
    }
    ranked = {
        "comparison": "seam",
        "rank": 1,
        "position": "p01",
        "rank_lower": 1,
        "rank_upper": 3,
        "first_probability": 0.7,
    }
    rows = {"scaling": scaled, "ranking": ranked}
    for row in rows.values():
        row.update({name: value for name, value in cells.items() if name in row})
    return contents() | {(table, None): [row] for table, row in rows.items()}


@pytest.mark.parametrize(
    ("cells", "counts"),
    [
        ({"exponent": 5.02}, False),
        ({"exponent": 5.04}, True),
        ({"exponent": -5.0}, True),
        ({"level_count": 5}, True),
        ({"rank_upper": 4}, True),
        ({"left_out": ["2 unusable"]}, True),
        ({"session": "april"}, False),
        ({"position": "p03"}, True),
        ({"lack_of_fit_p_value": 0.9}, False),
        ({"degrees_of_freedom": 5}, False),
        ({"first_probability": 0.1}, False),
    ],
)
def test_other_numbers_may_move_by_the_share_that_an_amplitude_moves_by(
    tmp_path: Path, cells: Row, counts: bool
) -> None:
    """Common practice: 0.05 dB are 0.577 % of an amplitude, so 5.029 is where an exponent of 5 counts from."""
    found, _ = changes(*two(tmp_path, exponents(**cells), exponents()), within_db=0.05)
    assert any(table.moved for table in found.values()) == counts


@pytest.mark.parametrize(("share", "counts"), [(0.019, True), (0.021, False)])
def test_the_share_can_be_stated(tmp_path: Path, share: float, counts: bool) -> None:
    found, _ = changes(*two(tmp_path, exponents(exponent=5.1), exponents()), within_db=0.05, within_share=share)
    assert found["scaling"].moved == counts
    with_levels = exponents(exponent=5.1) | {("bands", "may"): [band("m1", 90.0 + 1e-9), contents()["bands", "may"][1]]}
    found, _ = changes(*two(tmp_path / "exact", with_levels, exponents()), within_share=share)
    assert (found["scaling"].moved, found["bands"].moved) == (counts, True)


@pytest.mark.parametrize(("old", "new", "counts"), [("p01", "p03", True), ("hum: 2.5 Pa", "hum: 3 Pa", False)])
def test_numbers_in_a_name_are_part_of_it(tmp_path: Path, old: str, new: str, counts: bool) -> None:
    [row] = contents()["quality", None]
    sides = [changed_contents(("quality", None), [row | {"sentences": [text]}]) for text in (old, new)]
    found, _ = changes(*two(tmp_path, sides[1], sides[0]), within_db=0.1)
    assert found["quality"].moved == counts


def test_powers_with_a_sign_change_by_their_size_and_turning_it_has_none(tmp_path: Path) -> None:
    def crossed(*values: float) -> Contents:
        row = {"run": "r1", "position": "p1", "other_position": "p2", "first_hz": 20.0, "step_hz": 5.0}
        return contents() | {("cross_spectra", "april"): [row | {"csd_imaginary_pa2_per_hz": np.array(values)}]}

    found, [cell] = changes(*two(tmp_path, crossed(-2.0, 3.0), crossed(-1.0, 3.0)))
    assert (cell.item, cell.change) == ("20 Hz", pytest.approx(DOUBLE_DB, abs=1e-6))
    found, [cell] = changes(*two(tmp_path / "turned", crossed(1.0, 3.0), crossed(-1.0, 3.0)), within_db=50.0)
    assert (cell.change, found["cross_spectra"].moved) == (None, True)


def test_lists_are_held_some_rows_at_a_time(tmp_path: Path) -> None:
    rows = [lines(f"r{n:05d}", [1.0, 2.0]) for n in range(20 * list_cells.ROWS_AT_ONCE)]
    path = tmp_path / "part.parquet"
    parquet.write_rows(tables.NARROWBAND, path, rows, campaign="roof", digest="d")
    every = np.arange(0, len(rows), 2)
    cursor = list_cells.Cursor(pq.ParquetFile(path), path, ["psd_pa2_per_hz"], every)
    for start in range(0, every.size, 100):
        [psd] = cursor.take(every[start : start + 100])
        assert len(psd) == min(100, every.size - start)
        assert sum(batch.num_rows for batch in cursor._held) <= 2 * list_cells.ROWS_AT_ONCE


LEVELS = st.none() | st.floats(-20, 120) | st.sampled_from([math.nan, math.inf, -math.inf, 93.2])
POWERS = st.floats(0, 1e3, width=32) | st.just(math.nan)
WORDS = st.none() | st.sampled_from(["clear", "bound", "none"])
NAMES = st.none() | st.lists(st.sampled_from(["few-lines", "chart-ends", "low-pass"]), max_size=3)
RUNS = st.sampled_from(["r1", "r2", "r3", "r4"])


@st.composite
def folders(draw: st.DrawFn) -> Contents:
    """Bands and spectra of some runs, with anything in their cells."""
    runs = sorted(draw(st.sets(RUNS)))
    bands = [
        {
            "run": run,
            "position": "p1",
            "band_hz": 500.0,
            "level_db": draw(LEVELS),
            "state": draw(WORDS),
            "marks": draw(NAMES),
        }
        for run in runs
    ]
    spectra = [
        lines(run, draw(st.lists(POWERS, max_size=4)), step_hz=draw(st.sampled_from([5.0, 5.0, 4.0])))
        for run in sorted(draw(st.sets(RUNS)))
    ]
    return {("bands", "april"): bands, ("narrowband", "april"): spectra}


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(folders(), folders())
def test_a_folder_is_like_itself_and_two_mirror_each_other(tmp_path: Path, first: Contents, second: Contents) -> None:
    a, b = write_results(tmp_path / "a", first), write_results(tmp_path / "b", second)
    assert changes(a, a)[1] == []
    there, back = changes(a, b), changes(b, a)
    mirrored = [(c.table, c.row, c.column, c.new, c.old, None if c.change is None else -c.change) for c in there[1]]
    found = [(c.table, c.row, c.column, c.old, c.new, c.change) for c in back[1]]
    assert sorted(map(repr, mirrored)) == sorted(map(repr, found))
    for name, table in there[0].items():
        other = back[0][name]
        assert (table.changed_rows, table.only_old, table.only_new) == (
            other.changed_rows,
            other.only_new,
            other.only_old,
        )
        assert table.moved == other.moved == bool(table.changed_rows or table.only_old or table.only_new)
        for column in table.changed_columns:
            mirror = other.columns[column.column]
            assert (column.cells, column.beyond, column.size) == (mirror.cells, mirror.beyond, mirror.size)
            assert (column.appeared, column.vanished) == (mirror.vanished, mirror.appeared)
            assert column.words == {(new, old): count for (old, new), count in mirror.words.items()}
            if column.largest and mirror.largest:
                assert (column.largest.row, column.largest.item) == (mirror.largest.row, mirror.largest.item)
