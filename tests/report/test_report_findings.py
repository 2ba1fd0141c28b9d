"""Main findings: chosen by the stated rule, worded as practice wants them, with the numbers of the table."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from built_report import Report
from built_results import STAMP, built_campaign, write_empty

from tapeline.report.difference_words import difference_words
from tapeline.report.findings import MOST_FINDINGS, findings_of, main_findings, terminal_table
from tapeline.report.finished_tables import read_finished
from tapeline.report.summed_range import narrower_words
from tapeline.report.swapped_sensors import swapped_lines
from tapeline.report.tables_of_differences import overall_table
from tapeline.report.wording import number
from tapeline.store import parquet, tables

CAMPAIGN = built_campaign()


def row(**changed: Any) -> dict[str, Any]:
    """An overall difference of whole-seam at P01."""
    return {
        "comparison": "whole-seam",
        "session_label": "april",
        "reference_session": "april",
        "treatment_session": "april",
        "reference": "open",
        "treatment": "sealed",
        "position": "P01",
        "speed_mps": 100 / 3.6,
        "yaw_deg": 0.0,
        "quantity": "overall",
        "weighting": "A",
        "band_hz": None,
        "lowest_band_hz": 100.0,
        "highest_band_hz": 5000.0,
        "difference_db": -1.3,
        "lower_db": -1.8,
        "upper_db": -0.8,
        "finding": "lower",
        "pairing": "same-mount",
        "reference_runs": ["r1", "r2", "r3", "r4"],
        "treatment_runs": ["t1", "t2", "t3", "t4"],
        "doubtful": False,
        "doubt": [],
        "widest_run": None,
        "state": "clear",
        **changed,
    }


def band(hertz: float, **changed: Any) -> dict[str, Any]:
    return row(quantity="band", weighting="Z", band_hz=hertz, **changed)


def with_comparisons(results: Path, rows: list[dict[str, Any]]) -> Path:
    """Results that hold these comparisons and nothing else."""
    write_empty(results)
    parquet.write_rows(tables.COMPARISONS, results / "tables" / "comparisons.parquet", rows, **STAMP)
    return results


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "reduced by 1.3 dB (95 % CI 0.8 to 1.8, 4 pairs, same mount)"),
        (
            {"finding": "not shown", "difference_db": 0.1, "lower_db": -0.4, "upper_db": 0.6},
            "not shown to differ (95 % CI -0.4 to 0.6, 4 pairs, same mount)",
        ),
        (
            {"finding": "higher", "difference_db": 2.04, "lower_db": 1.5, "upper_db": 2.55, "pairing": "same-session"},
            "raised by 2.0 dB (95 % CI 1.5 to 2.5, 4 pairs, same session)",
        ),
        (
            {"finding": "equivalent", "difference_db": 0.0, "lower_db": -0.2, "upper_db": 0.3, "pairing": "remounted"},
            "within 0.5 dB of each other (95 % CI -0.2 to 0.3, 4 pairs, remounted)",
        ),
        (
            {"finding": "bound", "difference_db": None, "lower_db": None, "upper_db": -2.1},
            "difference at most -2.1 dB (background-limited, 4 pairs, same mount)",
        ),
        (
            {"treatment_runs": ["t1"], "doubtful": True, "doubt": ["hum: t1"]},
            "reduced by 1.3 dB (95 % CI 0.8 to 1.8, 4 reference and 1 treatment runs, same mount, "
            "Seam taped at $5 & $6 a roll rests on t1 alone, doubtful: mains lines stand out: t1)",
        ),
        ({"state": "none"}, "reduced by 1.3 dB (95 % CI 0.8 to 1.8, 4 pairs, same mount, no background subtracted)"),
    ],
)
def test_wording(changed: dict[str, Any], words: str) -> None:
    """The first two are the examples of the demands on reports; the others follow their form."""
    assert difference_words(CAMPAIGN, row(**changed)) == words


def test_the_rule_picks_the_largest_of_each_kind(tmp_path: Path) -> None:
    rows = [
        row(position="P02", weighting="Z", difference_db=-9.0),
        row(position="P03", difference_db=-2.0),
        row(position="P04", difference_db=3.0, finding="higher", lower_db=2.0, upper_db=4.0),
        row(position="P05", difference_db=-8.0, doubtful=True, doubt=["hum: t1"]),
        row(position="P06", difference_db=-7.0, finding="not shown", lower_db=-9.0, upper_db=1.0),
        row(position="P07", difference_db=0.2, finding="not shown", lower_db=-0.4, upper_db=0.8),
        band(500.0, position="P02", difference_db=-4.0),
        band(800.0, position="P02", difference_db=-5.0),
        band(800.0, position="P02", comparison="front-part", treatment="front", difference_db=-6.0),
    ]
    findings = main_findings(with_comparisons(tmp_path, rows), CAMPAIGN)
    assert [(finding.kind, finding.comparison, finding.position) for finding in findings] == [
        ("overall difference", "whole-seam", "P04"),
        ("band difference", "front-part", "P02"),
        ("band difference", "whole-seam", "P02"),
        ("not shown", "whole-seam", "P07"),
    ]
    assert "800 Hz band" in findings[2].sentence
    assert "Front half taped against Seam open" in findings[1].sentence


def test_a_doubtful_channel_is_taken_where_there_is_no_other(tmp_path: Path) -> None:
    (finding,) = main_findings(with_comparisons(tmp_path, [row(doubtful=True, doubt=["hum: t1"])]), CAMPAIGN)
    assert finding.sentence.endswith("same mount, doubtful: mains lines stand out: t1).")


def test_three_to_five_findings_whose_numbers_stand_in_the_tables(report: Report) -> None:
    findings = findings_of(report.tables, report.campaign)
    assert 3 <= len(findings) <= MOST_FINDINGS
    differences = {(r["comparison"], r["position"], r["difference_db"]): r for r in report.tables.comparisons}
    tests = Counter(r["quantity"] for r in report.tables.comparisons if r["p_value"] is not None)
    contributions = {
        (r["position"], r["contribution_db"], r["selected_lower_db"], r["selected_upper_db"])
        for r in report.tables.ranking
    }
    kinds = [finding.kind for finding in findings]
    assert kinds == ["overall difference", "band difference", "band difference", "work on first", "not shown"]
    for finding in findings:
        assert finding.sentence in "".join(report.tree.itertext())
        numbers = (finding.value_db, finding.lower_db, finding.upper_db)
        if finding.kind == "work on first":
            assert (finding.position, *numbers) in contributions
        else:
            plain = differences[finding.comparison, finding.position, finding.value_db]
            assert finding.lower_db is not None and finding.lower_db < plain["lower_db"]
            assert finding.upper_db is not None and finding.upper_db > plain["upper_db"]
            assert f" from {tests[plain['quantity']]:,} as " in finding.sentence
        assert f"{number(abs(finding.value_db or 0.0))}" in finding.sentence or finding.kind == "not shown"


def test_a_bound_is_an_example_where_there_is_room(tmp_path: Path) -> None:
    write_empty(tmp_path)
    levels = [
        {"run": "r1", "position": "P01", "weighting": "A", "lowest_band_hz": 100.0, "highest_band_hz": 5000.0,
         "state": state, "corrected_level_db": level, "upper_bound_db": bound, "quality": quality}
        for state, level, bound, quality in [("bound", None, 61.04, "good")]
    ]  # fmt: skip
    levels.append({**levels[0], "position": "P02", "upper_bound_db": 75.0, "quality": "unusable"})
    levels.append({**levels[0], "position": "P03", "state": "clear", "upper_bound_db": None})
    path = tmp_path / "tables" / "overall" / "session=april" / "part-0.parquet"
    parquet.write_rows(tables.OVERALL, path, levels, **STAMP)
    runs = [{"run": "r1", "session": "april", "condition": "sealed", "speed_mps": 100 / 3.6, "yaw_deg": 5.0}]
    parquet.write_rows(tables.RUNS, tmp_path / "tables" / "runs.parquet", runs, **STAMP)
    (finding,) = findings_of(read_finished(tmp_path), CAMPAIGN)
    assert finding.kind == "upper bound"
    assert finding.sentence == (
        "Seam taped at $5 & $6 a roll, at P01, 100 km/h, yaw 5°, session april: A-weighted level 100 Hz to 5 kHz "
        "at most 61.0 dB (background-limited, run r1)."
    )
    assert (finding.value_db, finding.upper_db) == (None, 61.04)


def test_the_terminal_table_has_a_line_each(tmp_path: Path) -> None:
    rows = [row(), row(position="P02", finding="not shown", lower_db=-0.4, upper_db=0.6, difference_db=0.1)]
    lines = terminal_table(main_findings(with_comparisons(tmp_path, rows), CAMPAIGN)).splitlines()
    assert len(lines) == 4
    words = "overall difference whole-seam P01, 100 km/h, yaw 0°, april "
    words += "A, 100 Hz to 5 kHz -1.3 -1.8 to -0.8 4 + 4 same mount"
    assert " ".join(lines[2].split()) == words
    assert "+0.1" in lines[3]
    assert all(len(line) <= 120 for line in lines)


def test_no_findings_are_said(tmp_path: Path) -> None:
    write_empty(tmp_path)
    assert main_findings(tmp_path, CAMPAIGN) == []
    assert terminal_table([]).startswith("No findings:")


def overall_level(run: str, **changed: Any) -> dict[str, Any]:
    return {
        "run": run,
        "position": "P01",
        "weighting": "A",
        "lowest_band_hz": 100.0,
        "highest_band_hz": 5000.0,
        "lower_hz": 89.1,
        "upper_hz": 5623.4,
        "marks": [],
        "state": "clear",
        "quality": "good",
        **changed,
    }


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "A-weighted level 100 Hz to 5 kHz reduced"),
        (
            {"upper_hz": 2818.4, "absent_bands_hz": [3150.0, 4000.0, 5000.0], "marks": ["narrower-range"]},
            "A-weighted level 89 to 2818 Hz (asked for: 100 Hz to 5 kHz) reduced",
        ),
        (
            {"absent_bands_hz": [200.0, 1250.0], "marks": ["narrower-range"]},
            "A-weighted level 100 Hz to 5 kHz without the bands at 200 Hz, 1.25 kHz reduced",
        ),
    ],
)
def test_a_headline_names_the_range_that_was_summed(tmp_path: Path, changed: dict[str, Any], words: str) -> None:
    results = with_comparisons(tmp_path, [row()])
    levels = [overall_level(run, **changed) for run in ("r1", "t1")]
    path = results / "tables" / "overall" / "session=april" / "part-0.parquet"
    parquet.write_rows(tables.OVERALL, path, levels, **STAMP)
    finished = read_finished(results)
    (found, *_) = findings_of(finished, CAMPAIGN)
    assert words in found.sentence
    (cells,) = overall_table(finished, CAMPAIGN, "whole-seam", finished.comparisons).rows
    assert (
        any(words.removeprefix("A-weighted level ").removesuffix(" reduced") in cell for cell in cells) or not changed
    )
    said = narrower_words(finished, "A", (100.0, 5000.0), {"r1"})
    assert said.startswith(" Summed at P01: ") if changed else said == ""


@pytest.mark.parametrize("second", ["s05", "s07", None])
def test_a_sensor_changed_between_the_sides_is_told_beside_the_result(tmp_path: Path, second: str | None) -> None:
    across = {"treatment_session": "may", "session_label": "april + may"}
    rows = [row(**across), row(position="P02", **across)]
    results = with_comparisons(tmp_path, rows)
    calibration = [
        {"session": session, "position": position, "sensor": sensor}
        for session, position, sensor in (
            ("april", "P01", "s05"), ("may", "P01", second), ("april", "P02", "s06"), ("may", "P02", "s06"),
        )
    ]  # fmt: skip
    parquet.write_rows(tables.CALIBRATION, results / "tables" / "calibration.parquet", calibration, **STAMP)
    finished = read_finished(results)
    (found, *_) = findings_of(finished, CAMPAIGN)
    lines = swapped_lines(finished)
    told = "The sensor was changed between the two: s05 in april, s07 in may."
    assert found.sentence.endswith(told) == (second == "s07")
    assert [line.where for line in lines] == (
        ["comparison whole-seam, sessions april and may"] if second == "s07" else []
    )
    assert all("P01 (s05 in april, s07 in may)" in line.found and "P02" not in line.found for line in lines)


def bands_tested(count: int, **changed: Any) -> list[dict[str, Any]]:
    """As many tested bands of P02, the first one changed, the others with nothing shown."""
    known = {"standard_error_db": 0.2, "degrees_of_freedom": None, "p_value": 0.5}
    others = {**known, "finding": "not shown", "difference_db": 0.1, "lower_db": -0.29, "upper_db": 0.49}
    rows = [band(100.0 + k, position="P02", **others) for k in range(1, count)]
    return [band(100.0, position="P02", **{**known, **changed}), *rows]


def test_a_headline_holds_although_it_was_picked(tmp_path: Path) -> None:
    """One of 300 with infinite degrees of freedom: 3.76 standard errors (normal distribution at 0.025 / 300)."""
    first = {"difference_db": -1.3, "lower_db": -1.69, "upper_db": -0.91, "p_value": 1e-9, "shrunken_db": -1.04}
    (found, *_) = main_findings(with_comparisons(tmp_path, bands_tested(300, **first)), CAMPAIGN)
    assert found.upper_db == pytest.approx(-1.3 + 3.76 * 0.2, abs=0.002)
    assert found.lower_db == pytest.approx(-1.3 - 3.76 * 0.2, abs=0.002)
    assert "reduced by 1.3 dB (95 % CI 0.5 to 2.1, 4 pairs" in found.sentence
    assert found.sentence.endswith(
        "The interval holds although this one was picked from 300 as the largest. "
        "Allowing for chance, expect 1.0 dB less."
    )


def test_the_interval_of_the_family_is_never_narrowed(tmp_path: Path) -> None:
    first = {"difference_db": -1.3, "lower_db": -1.69, "upper_db": -0.91, "selected_upper_db": 0.0, "shrunken_db": 0.02}
    (found, *_) = main_findings(with_comparisons(tmp_path, bands_tested(10, **first)), CAMPAIGN)
    assert found.upper_db == 0.0
    assert found.sentence.endswith("Allowing for chance, expect no difference.")


def test_what_stays_beyond_zero_is_preferred(tmp_path: Path) -> None:
    """The larger one has two degrees of freedom: picked from 20 its interval holds zero."""
    rows = bands_tested(20, difference_db=-1.3, lower_db=-1.69, upper_db=-0.91)
    unsure = {"difference_db": -2.0, "lower_db": -2.86, "upper_db": -1.14, "degrees_of_freedom": 2.0}
    rows[1] |= {**unsure, "finding": "lower", "position": "P03"}
    (found, *_) = main_findings(with_comparisons(tmp_path, rows), CAMPAIGN)
    assert found.position == "P02"


def test_the_equivalent_keeps_the_interval_it_is_judged_by(tmp_path: Path) -> None:
    known = {"standard_error_db": 0.1, "degrees_of_freedom": None, "p_value": 0.5, "finding": "equivalent"}
    ends = {"difference_db": 0.1, "lower_db": -0.1, "upper_db": 0.3}
    rows = [row(position=f"P0{k}", **known, **ends) for k in range(1, 7)]
    (found,) = main_findings(with_comparisons(tmp_path, rows), CAMPAIGN)
    assert "within 0.5 dB of each other (95 % CI -0.1 to 0.3, 4 pairs" in found.sentence
    assert found.sentence.endswith(" Picked from 6 as the narrowest, its interval is -0.2 to 0.4 dB.")


def test_the_widest_run_is_told_of_the_plain_interval(tmp_path: Path) -> None:
    widest = {"widest_run": "r2", "half_width_without_db": 0.2}
    rows = bands_tested(20, difference_db=-1.3, lower_db=-1.69, upper_db=-0.91, **widest)
    (found, *_) = main_findings(with_comparisons(tmp_path, rows), CAMPAIGN)
    assert found.sentence.count("r2") == 1
    assert found.sentence.endswith(" Its plain half-width is 0.4 dB, and would be 0.2 dB without run r2.")
