"""Coverage in words: the terminal's text, the page's table, the table of comma-separated values."""

from __future__ import annotations

import csv
import dataclasses
import sys
from pathlib import Path

import pytest
from built_report import Report
from built_results import Size, built_campaign, calibration_rows, quality_rows, run_rows

from tapeline import cli
from tapeline.campaign.coverage import Coverage, coverage
from tapeline.campaign.coverage_results import Measured, measured, view_of
from tapeline.campaign.model import Campaign
from tapeline.campaign.tables import Override
from tapeline.quality.reasons import REASONS
from tapeline.report.coverage_rows import points_words
from tapeline.report.coverage_text import MOST_SENTENCES, WIDTH, coverage_text, write_coverage
from tapeline.report.page_table import plain
from tapeline.report.sections.coverage import compared_table, usable_table
from tapeline.report.sections.record_next import not_needed, recordings
from tapeline.report.usable_runs import measured_by, read_measured
from tapeline.report.wording import listed

AT_100, AT_140 = 100 / 3.6, 140 / 3.6


def line_of(text: str, *starts: str) -> str:
    """The one row of a text that starts with these words, with the remarks below it."""
    lines = text.splitlines()
    [at] = [n for n, line in enumerate(lines) if tuple(line.split()[: len(starts)]) == starts]
    below = next((n for n in range(at + 1, len(lines)) if not lines[n].startswith(" " * 6)), len(lines))
    return " ".join(" ".join(lines[at:below]).split())


def text_of(found: Coverage) -> str:
    """The text on a terminal that is so wide that nothing is wrapped."""
    return coverage_text(found, 300)


def in_folder(folder: Path, campaign: Campaign) -> Campaign:
    """The campaign with its results below a folder."""
    return dataclasses.replace(campaign, root=folder)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(AT_100, 0.0)], "100 km/h, yaw 0°"),
        ([(AT_140, 0.0), (AT_100, 0.0)], "100, 140 km/h, yaw 0°"),
        ([(AT_100, 0.0), (AT_100, -5.0), (AT_140, 0.0), (AT_140, -5.0)], "100, 140 km/h, yaw -5°, 0°"),
        ([(n / 3.6, 0.0) for n in range(100, 180, 10)], "8 speeds from 100 to 170 km/h, yaw 0°"),
        ([(AT_100, 0.0), (AT_140, 2.5)], "100 km/h, yaw 0°; 140 km/h, yaw 2.5°"),
    ],
)
def test_operating_points_with_the_same_speeds_are_said_once(points: list[tuple[float, float]], words: str) -> None:
    assert points_words(points, "km/h") == words


def test_before_measuring_the_text_says_that_it_is_planned() -> None:
    text = text_of(coverage(built_campaign()))
    assert "planned, from the run table (there are no results)" in text
    assert "how many of 9 positions" in text
    assert line_of(text, "open", "100,") == "open 100, 140 km/h, yaw 0° april may 0 0 9 –"
    assert line_of(text, "filled", "100,") == "filled 100, 140 km/h, yaw 0° – 9 0 0 –"
    assert line_of(text, "front-part", "140") == (
        "front-part 140 km/h, yaw 0° april same session 0 9 0 repeats of the session may has open alone"
    )
    assert line_of(text, "filler", "100,").endswith("0 0 9 – no filled run (open in april, may)")
    assert (
        "filled at 100, 140 km/h, yaw 0°, session april or may: one run makes the comparison, two give repeats" in text
    )
    assert "front at 140 km/h, yaw 0°, session april: one run more gives repeats on both sides (front-part)" in text
    assert "no usable run of filled" in text


def test_results_take_away_what_is_unusable(report: Report) -> None:
    """Two of three open runs of april at 140 km/h are overloaded at P03, and a-cut is no whole recording."""
    campaign = in_folder(report.results.parent, built_campaign())
    results = read_measured(campaign)
    assert results is not None
    text = text_of(coverage(campaign, results))
    assert "measured, from the results" in text
    assert line_of(text, "whole-seam", "140", "km/h,", "yaw", "0°", "april") == (
        "whole-seam 140 km/h, yaw 0° april same session 8 1 0 repeats of the session single runs: P03"
    )
    assert "one run more at P03 gives repeats on both sides (whole-seam) and on one side (front-part)" in text
    assert "older than" not in text


def test_results_that_are_older_than_the_files_are_said_to_be_and_verdicts_set_since_count(report: Report) -> None:
    campaign = in_folder(report.results.parent, built_campaign())
    runs = dict(campaign.runs)
    runs["a-front-01"] = dataclasses.replace(runs["a-front-01"], condition="sealed")
    del runs["m-open-01"]
    by_hand = Override("a-sealed-02", "P05", "unusable", "cable", "A", 2)
    changed = dataclasses.replace(campaign, runs=runs, overrides=(by_hand,))
    text = text_of(coverage(changed, read_measured(changed)))
    runs_said = "older than the run table, which has these runs otherwise or not at all: a-front-01, m-open-01"
    assert f"the results are {runs_said}; run `tapeline run`" in text
    verdicts = "older than config/overrides.csv, whose verdicts are counted: a-sealed-02 P05; run `tapeline run`"
    assert verdicts in text


def test_bands_that_rest_on_fewer_runs_than_counted_are_said_in_the_remarks() -> None:
    """Of two runs that can be used, one has no background: most bands rest on the other alone."""
    campaign = built_campaign()
    point = (AT_140, 0.0)
    names = [run.run for run in campaign.used_runs() if run.condition == "sealed" and run.session == "april"]
    sealed = [name for name in names if campaign.operating_points[name] == point]
    reference = [name for name in names if name not in sealed]
    every = {(name, p): True for name in campaign.runs for p in campaign.positions}
    opened = frozenset(n for n, r in campaign.runs.items() if r.condition == "open" and r.session == "april")
    left = frozenset(sealed[:1])
    bands = {("P01", opened, left): 20, ("P02", opened, left): 23, ("P03", opened, frozenset(sealed)): 66}
    found = coverage(
        campaign, Measured(every, bands={view_of("whole-seam", ("april", "april"), (AT_140 + 1e-9, 0.0)): bands})
    )
    assert reference
    without = ", ".join(sealed[1:])
    line = line_of(text_of(found), "whole-seam", "140", "km/h,", "yaw", "0°", "april")
    assert line.endswith(f"9 0 0 repeats sealed: 43 of 109 band levels without {without}, on {sealed[0]} alone")


def test_across_sessions_one_session_is_advised_and_the_interval_rests_on_sessions() -> None:
    campaign = built_campaign(comparisons={"whole-seam": {"reference": "open", "treatment": "sealed"}})
    apart = {"open": "april", "sealed": "may"}
    runs = {n: run for n, run in campaign.runs.items() if apart.get(run.condition or "", run.session) == run.session}
    text = text_of(coverage(dataclasses.replace(campaign, runs=runs)))
    row = "whole-seam 100, 140 km/h, yaw 0° april + may 9 remounted 9 0 0 sessions (assumed)"
    assert line_of(text, "whole-seam", "100,") == row
    assert (
        "sealed at 100, 140 km/h, yaw 0°, session april, or open, session may: one run makes it same-session "
        "(whole-seam), two with repeats on both sides\n"
    ) in text
    assert "repeats do not make that part smaller" in text
    both = {
        n: dataclasses.replace(run, condition="front") for n, run in campaign.runs.items() if run.run == "m-sealed-01"
    }
    measured_too = dataclasses.replace(campaign, runs={**runs, **both})
    assert line_of(text_of(coverage(measured_too)), "whole-seam", "100,").endswith("0 0 sessions (measured)")


@pytest.mark.parametrize("width", [60, 80, 100])
def test_lines_are_as_wide_as_the_terminal(report: Report, width: int) -> None:
    campaign = in_folder(report.results.parent, built_campaign())
    text = coverage_text(coverage(campaign, read_measured(campaign)), width)
    assert max(map(len, text.splitlines())) <= width
    if width >= 80:  # words stay whole
        assert sorted(text.split()) == sorted(text_of(coverage(campaign, read_measured(campaign))).split())


def test_the_width_does_not_hang_on_the_surroundings_where_there_is_no_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    campaign = in_folder(tmp_path, built_campaign())
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setattr(sys, "meta_path", [*sys.meta_path])
    monkeypatch.setattr("tapeline.campaign.load.load_campaign", lambda folder: campaign)
    assert cli.main(["coverage"]) == 0
    assert capsys.readouterr().out == f"{coverage_text(coverage(campaign), WIDTH)}\n"


def test_a_channel_whose_calibration_is_unusable_counts_in_no_run_of_its_session() -> None:
    size = Size()
    calibration = [
        row | ({"verdict": "unusable"} if (row["session"], row["position"]) == ("may", "P02") else {})
        for row in calibration_rows(size)
    ]
    campaign = built_campaign()
    quality = [{"found_verdict": None, **row} for row in quality_rows(size)]
    found = coverage(campaign, measured(campaign, run_rows(size), quality, calibration, ()))
    assert found.out_of_use == {"may": ("P02",)}
    assert "P02: no run of session may can be used" in text_of(found)
    assert all("P02" not in each.positions for each in found.missing)


def test_results_that_are_older_than_the_run_table_are_said_to_be(report: Report) -> None:
    campaign = in_folder(report.results.parent, built_campaign(Size(repeats=4)))
    text = text_of(coverage(campaign, read_measured(campaign)))
    later = [
        row["run"] for row in run_rows(Size(repeats=4)) if row["run"].endswith("4") and row["kind"] == "measurement"
    ]
    assert f"the results are older than the run table: {len(later)} runs without a result ({listed(later, 4)})" in text
    assert "run `tapeline run`" in text


@pytest.mark.parametrize("missing", ["quality.parquet", "calibration.parquet", "bands"])
def test_results_that_are_not_finished_are_none(own_results: Path, missing: str) -> None:
    path = own_results / "tables" / missing
    path.rename(own_results / "away")
    assert read_measured(in_folder(own_results.parent, built_campaign())) is None


def test_a_complete_campaign_lacks_nothing() -> None:
    campaign = built_campaign(comparisons={"whole-seam": {"reference": "open", "treatment": "sealed"}})
    assert "Every comparison has repeats on both sides." in text_of(coverage(campaign))


def test_no_comparison_is_not_taken_for_complete() -> None:
    campaign = built_campaign()
    text = text_of(coverage(dataclasses.replace(campaign, runs={})))
    assert "There is nothing to compare." in text
    assert "repeats on both sides" not in text


def test_many_missing_runs_are_cut_to_a_screen() -> None:
    speeds = tuple(10.0 + 2.0 * n for n in range(3 * MOST_SENTENCES))
    campaign = built_campaign(Size(speeds_mps=speeds))
    runs = {name: run for n, (name, run) in enumerate(campaign.runs.items()) if n % 5}
    text = text_of(coverage(dataclasses.replace(campaign, runs=runs)))
    sentences = text.partition("Runs that would complete it\n")[2].partition("\n\n")[0].splitlines()
    assert len(sentences) <= MOST_SENTENCES + 1


def test_the_page_says_what_can_be_compared(report: Report) -> None:
    table = compared_table(coverage(report.campaign, measured_by(report.tables, report.campaign)))
    cells = {row[:3]: row[3:] for row in table.rows}
    assert set(cells["whole-seam", "140 km/h, yaw 0°", "april"]) >= {"8", "1", "0", "single runs: P03"}
    section = report.tree.find(".//section[@id='coverage']")
    assert section is not None
    assert "single runs: P03" in "".join(section.itertext())


def next_words(report: Report, **changed: object) -> list[str]:
    tables = dataclasses.replace(report.tables, **changed)  # type: ignore[arg-type]
    found = coverage(report.campaign, measured_by(tables, report.campaign))
    return [plain(one.words) for one in recordings(tables, report.campaign, found)]


def test_what_to_record_next_is_said_in_order_with_the_reason(report: Report) -> None:
    words = next_words(report)
    assert words[0].startswith("Never measured at 100, 140 km/h, yaw 0°, session april or may: two runs. filler has no")
    starts = ("Never measured", "Background at 140 km/h", "P02, session may", "Seam open at 140 km/h")
    places = [next(place for place, text in enumerate(words) if text.startswith(start)) for start in starts]
    assert places == sorted(places)
    lost = words[places[3]]
    assert "one more run at P03" in lost
    assert f"Lost: run a-open-11: {REASONS['overload'].meaning}; {REASONS['overload'].action}." in lost
    rests = sum(
        bool(row["doubtful"])
        and row["position"] == "P02"
        and "may" in (row["reference_session"], row["treatment_session"])
        for row in report.tables.comparisons
        if row["finding"] != "not known"
    )
    drift = words[places[2]]
    assert "drift of the sensitivity: -0.72 dB" in drift
    assert (f"{rests} difference" in drift) == (rests > 0)


def test_what_most_differences_rest_on_comes_first_and_channels_with_one_cause_share_a_line(report: Report) -> None:
    """A doubt that all of april rests on comes before the background of few runs; a note is no doubt."""
    alike = {"verdict": "doubtful", "reasons": ["tone-range", "no-check-after"], "sentences": None}
    calibration = tuple(
        row if row["session"] == "may" or row["position"] == "P01" else {**row, **alike}
        for row in report.tables.calibration
    )
    comparisons = tuple({**row, "doubt": ["no-check-after: a-open-01"]} for row in report.tables.comparisons)
    words = next_words(report, calibration=calibration, comparisons=comparisons)
    (said,) = [text for text in words if ", session april, sensors" in text]
    assert said.startswith("P02, P03, P04, P05 and 4 more, session april, sensors")
    assert REASONS["no-check-after"].meaning in said
    assert said.endswith(f"Next: {REASONS['no-check-after'].action}.")
    assert words.index(said) < next(n for n, text in enumerate(words) if text.startswith("Background at"))
    never = next(n for n, text in enumerate(words) if text.startswith("Never measured"))
    assert never < words.index(said), "a comparison without any answer comes before doubts"
    elsewhere = tuple({**row, "comparison": "filler"} for row in comparisons)
    words = next_words(report, calibration=calibration, comparisons=(*comparisons, *elsewhere))
    doubt, never = (
        next(n for n, text in enumerate(words) if part in text)
        for part in (", session april, sensors", "Never measured")
    )
    assert doubt < never, "one that has answers elsewhere comes behind"


def test_a_session_with_fewer_positions_says_how_many(report: Report) -> None:
    campaign = built_campaign()
    results = measured_by(report.tables, campaign)
    usable = {key: use and not (key[0].startswith("m-") and key[1] > "P02") for key, use in results.usable.items()}
    table = usable_table(campaign, coverage(campaign, dataclasses.replace(results, usable=usable)))
    assert "april may (2 of 9 positions)" in {plain(row[2]) for row in table.rows}


def test_more_repeats_are_asked_for_where_the_ranking_says_how_many(report: Report) -> None:
    row = {**report.tables.ranking[0], "comparison": "whole-seam", "position": "P07"}
    wanted = tuple({**row, "next_step": "repeat", "runs_needed": runs} for runs in (5.0, 9.0))
    (said,) = [text for text in next_words(report, ranking=wanted) if "a side" in text]
    assert said == "whole-seam at P07: about 5 to 9 runs a side would show a difference as large as found."


def test_one_session_asks_for_another(report: Report) -> None:
    assert not [text for text in next_words(report) if "second session" in text]
    alone = tuple(row for row in report.tables.runs if row["session"] == "april")
    assert next_words(report, runs=alone)[-1].startswith("open in a second session")


def test_a_lost_run_with_repeats_enough_needs_none(report: Report) -> None:
    """a-cut is no whole recording; the other runs of its condition are usable."""
    found = coverage(report.campaign, measured_by(report.tables, report.campaign))
    lost = {row["run"] for row in report.tables.runs if row["status"] == "unusable"}
    assert lost
    for run in lost:
        cells = [cell for cell in found.cells if run in cell.there_are]
        assert (run in not_needed(report.tables, found)) == (bool(cells) and all(len(c.usable) > 1 for c in cells))


def test_every_cell_is_a_row_of_the_table(tmp_path: Path) -> None:
    found = coverage(built_campaign())
    write_coverage(found, tmp_path / "cells.csv")
    rows = list(csv.DictReader((tmp_path / "cells.csv").open(encoding="utf-8")))
    assert len(rows) == 4 * 2 * 9 == len(found.cells)
    [row] = [r for r in rows if (r["condition"], r["speed_mps"], r["position"]) == ("open", "27.7778", "P01")]
    assert (row["usable_runs"], row["runs"], row["sessions"], row["yaw_deg"]) == ("7", "9", "april may", "0.00")
    assert "a-old" in row["there_are"].split()
    assert "a-old" not in row["usable"].split()
