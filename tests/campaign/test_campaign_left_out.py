"""Frequencies left out by hand: whom a row counts for, which jobs depend on it, and every mistake located."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, faults_of, write

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.catalogue import needs as catalogue_needs
from tapeline.jobs.spectra import needs as spectra_needs
from tapeline.jobs.tables import needs as tables_needs

HEAD = "run,start_s,stop_s,position,lower_hz,upper_hz,reason\n"


def left_out(rows: str, head: str = HEAD) -> Files:
    return {**MINIMAL, "config/left_out.csv": head + rows}


def plan_of(root: Path, files: Files) -> Plan:
    write(root, files)
    return Plan(load_campaign(root))


def test_a_range_of_all_runs_touches_tables_and_no_spectra(tmp_path: Path) -> None:
    plain = plan_of(tmp_path / "plain", MINIMAL)
    position = next(iter(plain.campaign.positions))
    plan = plan_of(tmp_path / "out", left_out(f"*,,,{position},49,51,hum\nm1,,,,100,100,hum\n"))
    (session,) = plan.measured_sessions
    by_run = {item.run: item.left_out for item in tables_needs(plan, session).runs}
    assert by_run["m1"] == (("", 100.0, 100.0), (position, 49.0, 51.0))
    assert {ranges for run, ranges in by_run.items() if run != "m1"} == {((position, 49.0, 51.0),)}
    assert JOBS["tables"].digest(plan, session) != JOBS["tables"].digest(plain, session)
    for run in plan.recordings:
        assert JOBS["spectra"].digest(plan, run) == JOBS["spectra"].digest(plain, run)
        assert spectra_needs(plan, run).left_out == ()
    rows = {row.run: row.left_out for row in catalogue_needs(plan).runs}
    assert rows["m1"] == (f"49 to 51 Hz at {position}: hum", "100 Hz: hum")
    assert {kind.kind for kind in catalogue_needs(plan).runs if not kind.left_out} == {"calibration"}


def test_what_is_left_out_of_a_background_counts_where_it_is_subtracted(tmp_path: Path) -> None:
    lines = MINIMAL["config/runs.csv"].splitlines()
    cells = dict(zip(lines[0].split(","), next(r for r in lines if r.startswith("m1,")).split(","), strict=True))
    cells |= {"run": "b1", "recording": "b1.wav", "kind": "background", "condition": ""}
    files = left_out("b1,,,,49,51,hum\n") | {
        "config/runs.csv": "\n".join([*lines, ",".join(cells.values())]) + "\n",
    }
    plan = plan_of(tmp_path, files)
    (session,) = plan.measured_sessions
    by_run = {item.run: item.left_out for item in tables_needs(plan, session).runs}
    assert by_run["b1"] == by_run["m1"] == (("", 49.0, 51.0),)


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        ("m1,,,nowhere,49,51,hum", "position", '"nowhere"'),
        ("*,,,nowhere,49,51,hum", "position", '"nowhere"'),
        ("m1,,,,51,49,hum", "upper_hz", "49 Hz"),
        ("m1,,,,51,,hum", "upper_hz", "an empty cell"),
        ("m1,,,,,51,hum", "lower_hz", "an empty cell"),
        ("m1,1,,,49,51,hum", "start_s", "1 s"),
        ("*,1,2,,,,gust", "run", '"*" with a stretch of time'),
        ("m1,1,,,,,gust", "stop_s", "an empty cell"),
        ("cal1,,,,49,51,hum", "run", "a calibration"),
        (",,,,49,51,hum", "run", "an empty cell"),
        ("m1,,,,forty,51,hum", "lower_hz", '"forty"'),
    ],
)
def test_mistakes_are_located(tmp_path: Path, row: str, column: str, found: str) -> None:
    write(tmp_path, left_out(f"# why\n{row}\n"))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == ("config/left_out.csv", 3, column)
    assert found in fault.found


def test_a_stretch_names_no_position(tmp_path: Path) -> None:
    position = MINIMAL["config/positions.csv"].splitlines()[1].split(",")[0]
    write(tmp_path, left_out(f"m1,1,2,{position},,,gust\n"))
    (fault,) = faults_of(tmp_path)
    assert fault.column == "position"
