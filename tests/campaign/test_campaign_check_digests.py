"""Which jobs depend on a verdict on a check and on a row of the calibrators table."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, write

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.pressure import needs as pressure_needs

SECOND_SESSION = {
    **MINIMAL,
    "config/runs.csv": MINIMAL["config/runs.csv"]
    + "m3,m3.wav,measurement,may,open,100,,\ncal2,cal2.wav,calibration,may,,,speaker,before\n",
    "config/fittings.csv": MINIMAL["config/fittings.csv"] + "may,1,seam1,s1\nmay,2,seam2,s2\n",
}
TASKS = (
    ("calibrate", "april"),
    ("calibrate", "may"),
    ("sensitivity", "april"),
    ("sensitivity", "may"),
    ("pressure", "m1"),
    ("pressure", "m3"),
    ("verdicts", "april"),
    ("spectra", "m1"),
)


def digests(root: Path, files: Files) -> dict[tuple[str, str], str]:
    write(root, files)  # type: ignore[arg-type]
    plan = Plan(load_campaign(root))
    return {(name, key): JOBS[name].digest(plan, key) for name, key in TASKS}


def changed_jobs(root: Path, files: Files) -> set[tuple[str, str]]:
    before = digests(root, SECOND_SESSION)
    after = digests(root, {**SECOND_SESSION, **files})
    return {job for job in TASKS if before[job] != after[job]}


def overrides(rows: str) -> Files:
    return {"config/overrides.csv": "run,position,verdict,reason,who\n" + rows}


def test_a_refused_check_makes_its_session_anew_and_reads_no_calibrator_recording(tmp_path: Path) -> None:
    found = changed_jobs(tmp_path, overrides("cal1,seam1,unusable,wrong adapter,A. Nyone\n"))
    assert found == {("sensitivity", "april"), ("pressure", "m1"), ("spectra", "m1")}


def test_a_mark_on_a_check_changes_no_pressure(tmp_path: Path) -> None:
    found = changed_jobs(tmp_path, overrides("cal1,seam1,doubtful,it rattled,A. Nyone\n"))
    assert found == {("sensitivity", "april")}


def test_other_words_for_a_refused_check_change_no_pressure(tmp_path: Path) -> None:
    refused = overrides("cal1,seam1,unusable,wrong adapter,A. Nyone\n")
    first = digests(tmp_path, {**SECOND_SESSION, **refused})
    second = digests(tmp_path, {**SECOND_SESSION, **overrides("cal1,seam1,unusable,the adapter slipped,B. Body\n")})
    assert {job for job in TASKS if first[job] != second[job]} == {("sensitivity", "april")}


def test_a_mark_that_keeps_a_position_in_use_reaches_pressure(tmp_path: Path) -> None:
    """All of the run is refused but for one position, which is marked only."""
    rows = "cal1,,unusable,wrong adapter,A. Nyone\n"
    write(tmp_path, {**SECOND_SESSION, **overrides(rows + "cal1,seam1,doubtful,right adapter,A. Nyone\n")})  # type: ignore[arg-type]
    needs = pressure_needs(Plan(load_campaign(tmp_path)), "m1")
    assert [(row.position, row.verdict, row.who) for row in needs.overrules] == [
        (None, "unusable", ""),
        ("seam1", "doubtful", ""),
    ]


@pytest.mark.parametrize(("used", "jobs"), [(False, set()), (True, {("calibrate", "april"), ("calibrate", "may")})])
def test_a_calibrator_that_no_run_names_changes_nothing(tmp_path: Path, used: bool, jobs: set[tuple[str, str]]) -> None:
    """One that a run names is looked for wherever the stated one is silent."""
    files = {"config/calibrators.csv": MINIMAL["config/calibrators.csv"] + "spare,feedback,114,500\n"}
    if used:
        files["config/runs.csv"] = SECOND_SESSION["config/runs.csv"] + ("cal3,cal3.wav,calibration,may,,,spare,after\n")
    assert changed_jobs(tmp_path, files) - {("sensitivity", "may")} == jobs
