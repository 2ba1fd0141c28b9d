"""Stretches left out, flow series, line spacing and asked positions: every mistake located, with what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, changed, faults_of, write

from tapeline.campaign.faults import Fault
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.spectra import flow_series_files
from tapeline.jobs.spectra import needs as spectra_needs

SERIES = "time_s,speed_mps,yaw_deg\n0,27.1,0.5\n1,27.9,\n2,28.4,-1.5\n"


def road(series: str | None = SERIES, cell: str = "m1_flow.csv", left_out: str = "") -> Files:
    """The small campaign with a flow series for run m1 and stretches left out."""
    lines = MINIMAL["config/runs.csv"].splitlines()
    ends = {"m1": cell}
    rows = [f"{line},{ends.get(line.split(',')[0], '')}" for line in lines[1:]]
    files = {**MINIMAL, "config/runs.csv": "\n".join([f"{lines[0]},flow_series", *rows]) + "\n"}
    if series is not None:
        files["recordings/m1_flow.csv"] = series
    if left_out:
        files["config/left_out.csv"] = left_out
    return files


def only_fault(root: Path, files: Files) -> Fault:
    """The one fault of a campaign."""
    write(root, files)
    faults = faults_of(root)
    assert len(faults) == 1, faults
    return faults[0]


def test_a_sound_road_campaign_plans_its_tables(tmp_path: Path) -> None:
    out = "run,start_s,stop_s,reason\nm1,5,6.5,gust\nm1,1,2,lorry\n"
    write(tmp_path, road(left_out=out))
    plan = Plan(load_campaign(tmp_path))
    assert plan.on_request == ("flow_bins",)
    needs = spectra_needs(plan, "m1")
    assert needs.left_out == ((1.0, 2.0), (5.0, 6.5))
    assert needs.flow is not None
    assert flow_series_files(plan, "m1") == (needs.flow.path,) == ("recordings/m1_flow.csv",)
    assert spectra_needs(plan, "m2").flow is None
    assert JOBS["spectra"].digest(plan, "m1") != JOBS["spectra"].digest(plan, "m2")


def test_times_are_counted_from_the_recordings_start(tmp_path: Path) -> None:
    files = road(left_out="run,start_s,stop_s,reason\nm1,5,6.5,gust\n")
    rows = files["config/runs.csv"].splitlines()
    rows = [f"{row},{'start_s' if i == 0 else '2' if row.startswith('m1') else ''}" for i, row in enumerate(rows)]
    write(tmp_path, {**files, "config/runs.csv": "\n".join(rows) + "\n"})
    needs = spectra_needs(Plan(load_campaign(tmp_path)), "m1")
    assert needs.left_out == ((3.0, 4.5),)
    assert needs.flow is not None
    assert needs.flow.start_s == 2.0


@pytest.mark.parametrize(
    ("left_out", "line", "column", "found"),
    [
        ("run,start_s,stop_s,reason\nm3,1,2,gust\n", 2, "run", '"m3"'),
        ("run,start_s,stop_s,reason\ncal1,1,2,gust\n", 2, "run", "a calibration"),
        ("run,start_s,stop_s,reason\nm1,1,2,gust\nm1,4,4,gust\n", 3, "stop_s", "4 s, with a start at 4 s"),
        ("run,start_s,stop_s,reason\nm1,1,2,\n", 2, "reason", "an empty cell"),
        ("run,start_s,stop_s,reason\nm1,-1,2,gust\n", 2, "start_s", "-1"),
    ],
)
def test_mistakes_in_what_is_left_out(tmp_path: Path, left_out: str, line: int, column: str, found: str) -> None:
    fault = only_fault(tmp_path, road(left_out=left_out))
    assert (fault.file, fault.line, fault.column) == ("config/left_out.csv", line, column)
    assert found in fault.found


@pytest.mark.parametrize(
    ("series", "line", "column", "found"),
    [
        ("time_s,speed_mps\n0,20\n0,21\n", 3, "time_s", "0 s"),
        ("time_s,speed_mps\n0,20\n1,fast\n", 3, "speed_mps", '"fast"'),
        ("time_s,speed_kmh\n0,20\n", 1, None, "speed_kmh"),
        ("time_s,speed_mps\n", None, None, "no rows"),
        ("time_s,speed_mps,yaw_deg\n0,20,200\n", 2, "yaw_deg", "200"),
    ],
)
def test_mistakes_in_a_flow_series(
    tmp_path: Path, series: str, line: int | None, column: str | None, found: str
) -> None:
    write(tmp_path, road(series))
    faults = faults_of(tmp_path)
    assert faults
    assert all(fault.file == "recordings/m1_flow.csv" for fault in faults)
    assert any(found in fault.found and (line is None or fault.line == line) for fault in faults)
    assert column is None or any(fault.column == column for fault in faults)


@pytest.mark.parametrize(
    ("cell", "found"),
    [("m2_flow.csv", "no file"), ("../m1_flow.csv", "../m1_flow.csv"), ("/m1_flow.csv", "/m1_flow.csv")],
)
def test_a_flow_series_that_is_not_there(tmp_path: Path, cell: str, found: str) -> None:
    fault = only_fault(tmp_path, road(cell=cell))
    assert (fault.file, fault.column) == ("config/runs.csv", "flow_series")
    assert found in fault.found


@pytest.mark.parametrize("section", ["band_history", "spectrogram", "cross_spectra"])
def test_unknown_positions_that_are_asked_for(tmp_path: Path, section: str) -> None:
    files = changed(
        "config/campaign.yaml", "campaign: roof\n", f"campaign: roof\n{section}: {{positions: [seam1, seam3]}}\n"
    )
    fault = only_fault(tmp_path, files)
    assert (fault.file, fault.line) == ("config/campaign.yaml", 2)
    assert fault.found == '"seam3"'
    assert "seam" in (fault.mend or "")


def test_all_positions_may_be_asked_for(tmp_path: Path) -> None:
    files = changed("config/campaign.yaml", "campaign: roof\n", "campaign: roof\nspectrogram: {positions: all}\n")
    write(tmp_path, files)
    assert Plan(load_campaign(tmp_path)).on_request == ("spectrogram",)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("spectra: {resolution_hz: 5}", "lines 5 Hz apart, of which the band at 25 Hz holds 1.2"),
        ("bands: {range_hz: [10, 8000]}", "lines 1 Hz apart, of which the band at 10 Hz holds 2.3"),
        ("bands: {fraction: 12}", "lines 1 Hz apart, of which the band at 25 Hz holds 1.4"),
    ],
)
def test_bands_that_the_line_spacing_leaves_empty_are_said_before_the_run(
    tmp_path: Path, settings: str, words: str
) -> None:
    """A third octave is 0.2316 of its midband wide, a twelfth 0.0576 (IEC 61260-1)."""
    write(tmp_path, changed("config/campaign.yaml", "campaign: roof\n", f"campaign: roof\n{settings}\n"))
    (warning,) = (w for w in load_campaign(tmp_path).warnings if "apart" in w.found)
    assert warning.found == words
    assert "resolution_hz" in (warning.mend or "")


@pytest.mark.parametrize("settings", ["", "spectra: {resolution_hz: 5}\nbands: {range_hz: [125, 8000]}\n"])
def test_no_word_where_every_band_has_its_lines(tmp_path: Path, settings: str) -> None:
    write(tmp_path, changed("config/campaign.yaml", "campaign: roof\n", f"campaign: roof\n{settings}"))
    assert not [w for w in load_campaign(tmp_path).warnings if "apart" in w.found]
