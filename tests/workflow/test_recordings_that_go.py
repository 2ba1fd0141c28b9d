"""Runs whose recordings may not be read, go away or come back: the others are finished, and nothing stays stale."""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
from pathlib import Path

import pytest
from sample_runs import COMMAND, two_recordings

from tapeline import cli, workflow
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.cli import run
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT
from tapeline.jobs.due_tasks import do_step
from tapeline.jobs.steps import STEPS

PATIENCE_S = 600


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return two_recordings(tmp_path)


def test_a_recording_that_goes_away_during_the_run(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The manager stops at an input that was there when it planned; it plans anew without."""
    calls = []

    def stop_once(_: Path, **asked: object) -> int:
        calls.append(asked)
        (root / "recordings" / "m2.raw").unlink(missing_ok=True)
        return 1 if len(calls) == 1 else 0

    monkeypatch.setattr(workflow, "run", stop_once)
    monkeypatch.setattr(run, "summary", lambda *_, **__: EXIT_LEFT_OUT)
    assert cli.main(["run", str(root)]) == EXIT_LEFT_OUT
    assert len(calls) == 2
    assert "recordings/m2.raw went away or may no longer be read: the run goes on without" in capsys.readouterr().err


def test_a_run_is_not_tried_again_where_nothing_can_be_written(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls = []

    def stop(_: Path, **asked: object) -> int:
        calls.append(asked)
        (root / "recordings" / "m2.raw").unlink()
        monkeypatch.setattr(run, "unwritable", lambda folder: f"{folder}: cannot be written, its disk is full")
        return 1

    monkeypatch.setattr(workflow, "run", stop)
    assert cli.main(["run", str(root)]) == EXIT_FAILED
    assert len(calls) == 1
    assert capsys.readouterr().err.splitlines()[-1].endswith("its disk is full")


def test_a_run_that_fails_for_another_reason_is_not_tried_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    monkeypatch.setattr(workflow, "run", lambda _, **asked: calls.append(asked) or 1)
    assert cli.main(["run", str(root)]) == EXIT_FAILED
    assert [asked["again"] for asked in calls] == [[]]


def test_results_of_a_recording_that_came_back_are_made_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    away = (root / "recordings" / "m2.raw").rename(root / "away")
    plan = Plan(load_campaign(root, check=False))
    for step, key in (("calibrate", "april"), ("spectra", "april-1")):
        list(do_step(plan, STEPS[step], key))
    away.rename(root / "recordings" / "m2.raw")
    calls: list[list[str]] = []
    monkeypatch.setattr(workflow, "_work", lambda command, *_: calls.append(list(command)) or 0)
    assert cli.main(["run", str(root), "--dry-run", "--", "--until", "spectra"]) == 0
    (command,) = calls
    at = command.index("--forcerun")
    # Nothing but an option may follow: the manager takes every other word into the list.
    assert command[at + 1] == "results/steps/spectra/april-1.json"
    assert command[at + 2].startswith("--")
    assert command[-2:] == ["--until", "spectra"]


def give_up_passing_over_permissions() -> None:
    """Root reads everything but for these two rights."""
    for right in (1, 2):
        if ctypes.CDLL(None).prctl(24, right, 0, 0, 0):
            raise PermissionError("the right to pass over permissions cannot be given up")


def run_bound_by_permissions(root: Path, *more: str) -> tuple[int, str]:
    try:
        done = subprocess.run(
            [str(COMMAND), "run", str(root), "--cores", "2", *more],
            capture_output=True,
            text=True,
            check=False,
            timeout=PATIENCE_S,
            preexec_fn=give_up_passing_over_permissions if os.geteuid() == 0 else None,
        )
    except subprocess.SubprocessError as error:
        pytest.skip(f"permissions do not bind this user: {error}")
    return done.returncode, done.stdout + done.stderr


@pytest.mark.workflow
def test_a_recording_without_permission_is_left_out_and_taken_once_it_may_be_read(root: Path) -> None:
    locked = root / "recordings" / "m2.raw"
    locked.chmod(0)
    status, said = run_bound_by_permissions(root)
    assert status == EXIT_LEFT_OUT, said
    assert "left out: run m2, its recording has a fault" in said
    assert "m2.raw may not be read (Permission denied): give yourself permission to read it" in said
    locked.chmod(0o644)
    status, said = run_bound_by_permissions(root, "--dry-run")
    assert (status, re.findall(r"^would be computed, at most: spectra (\d+)", said, re.M)) == (0, ["1"]), said


@pytest.mark.parametrize("place", ["tables", "logs/calibrate", "spectra/m1", "tables/.written"])
def test_a_closed_folder_among_the_results_is_named_before_anything_runs(root: Path, place: str) -> None:
    (root / "results" / place).mkdir(parents=True)
    (root / "results" / place).chmod(0o500)
    status, said = run_bound_by_permissions(root)
    assert status == EXIT_FAILED
    last = said.strip().splitlines()[-1]
    assert last.startswith(f"tapeline run: {root / 'results' / place}: cannot be written, it is read-only")
    assert not (root / "results" / "calibration").exists()


def test_a_folder_that_may_not_be_entered_is_named(root: Path) -> None:
    (root / "results" / "tables" / "bands").mkdir(parents=True)
    (root / "results" / "tables").chmod(0)
    status, said = run_bound_by_permissions(root)
    (root / "results" / "tables").chmod(0o755)
    assert status == EXIT_FAILED
    last = said.strip().splitlines()[-1]
    assert last.startswith(f"tapeline run: {root / 'results' / 'tables'}: cannot be written, it is read-only")
    assert "Traceback" not in said


def test_a_pattern_in_the_path_of_a_campaign_is_named(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = root.rename(root.with_name("{wildcards.run} van"))
    assert cli.main(["run", str(root)]) == EXIT_FAILED
    assert f"{root}: the workflow manager cannot work in a folder called {{wildcards.run}}" in capsys.readouterr().err
    assert not (root / "results").exists()


@pytest.mark.parametrize("place", ["tables", "report.html", "logs/spectra/april-1.log", "logs/workflow.log"])
def test_a_pipe_among_the_results_is_named_before_anything_runs(
    root: Path, place: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (root / "results" / place).parent.mkdir(parents=True)
    os.mkfifo(root / "results" / place)
    assert cli.main(["run", str(root)]) == EXIT_FAULTS
    assert f"results/{place}: found a pipe, socket or device" in capsys.readouterr().err


def test_a_folder_in_the_place_of_a_result_is_named(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = root / "results" / "tables" / "comparisons.parquet"
    place.mkdir(parents=True)
    assert cli.main(["run", str(root)]) == EXIT_FAILED
    assert f"{place}: is a folder, and a result is written there: move it away" in capsys.readouterr().err
