"""What `tapeline run` says: lines of its own on whatever reads them, and of a failed step the reason and its log."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from sample_runs import COMMAND, CampaignRun, tapeline, two_recordings

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.cli.run_lines import ERASE_LINE
from tapeline.cli.run_verdicts import run_said, verdicts_said
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT
from tapeline.jobs.due_tasks import do_step
from tapeline.jobs.steps import STEPS

MANAGERS_WORDS = ("Building DAG", "Error in rule", "Finished jobid", "Select jobs", "Traceback", "jobid", "snakemake")

PLANTED = """
import os, signal, sys
if "tables" in sys.orig_argv and "run" not in sys.orig_argv:
    import tapeline.jobs.tables.run as job
    def run(*given, **more):
        if os.environ["PLANTED"] == "killed":
            os.kill(os.getpid(), signal.SIGKILL)
        raise ValueError("planted")
    job.run = run
"""


def without_managers_words(text: str) -> bool:
    return not [words for words in MANAGERS_WORDS if words in text]


def events_of(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


@pytest.mark.workflow
def test_the_sample_says_each_runs_verdict_and_where_the_rest_is(sample: CampaignRun) -> None:
    assert without_managers_words(sample.output)
    said = dict(re.findall(r"^([am]\d\d)  (.*)$", sample.output, re.M))
    assert len(said) == 26
    assert said["a05"] == "good, 8 channels  (open, 100 km/h, yaw 0°)"
    assert said["a18"] == "1 of 8 channels unusable  (front, 130 km/h, yaw 0°)"
    assert said["a19"].startswith("left out: a19.wav: the header declares 34816 frames (2.720 s), the last 15667")
    assert "\nmay  calibrated: 1 of 8 sensors doubtful\n      seam-right: drift of the sensitivity" in sample.output
    assert re.search(r"; logs in \S+/results/logs\n", sample.output)
    assert "Main findings of Camper van" in sample.output
    assert "\nreport  " in sample.output
    assert "Building DAG of jobs" in (sample.results / "logs" / "workflow.log").read_text(encoding="utf-8")


@pytest.mark.workflow
def test_events_of_a_whole_run_are_json_line_by_line(tmp_path: Path) -> None:
    root = two_recordings(tmp_path)
    (root / "recordings" / "m2.raw").write_bytes(b"")
    done = tapeline("run", root, "--cores", "2", "--json-log")
    assert (done.returncode, done.stderr) == (EXIT_LEFT_OUT, "")
    events = events_of(done.stdout)
    by_kind: dict[str, list[dict[str, Any]]] = {}
    for event in events:
        by_kind.setdefault(event["event"], []).append(event)
    assert by_kind["planned"][0]["jobs"]["spectra"] == 2
    runs = {event["run"]: (event["verdict"], event["left_out"]) for event in by_kind["run"]}
    assert runs == {"m1": ("good", False), "m2": ("unusable", True)}
    assert [event["reason"] for event in by_kind["run"][1]["found"]] == ["recording-empty"]
    assert [event["step"] for event in by_kind["step"]] == ["tables", "findings"]
    assert [event["run"] for event in by_kind["left-out"]] == ["m2"]
    assert Path(by_kind["results"][0]["report"]).name == "report.html"
    assert (events[-1]["event"], events[-1]["status"]) == ("ended", EXIT_LEFT_OUT)
    assert without_managers_words(done.stdout)

    again = events_of(tapeline("run", root, "--json-log").stdout)
    assert "nothing to do" in [event.get("text") for event in again]
    dry = events_of(tapeline("run", root, "--json-log", "--dry-run").stdout)
    assert [event["jobs"] for event in dry if event["event"] == "would-do"] == [{}]


def test_faults_of_the_files_are_events_too(tmp_path: Path) -> None:
    root = two_recordings(tmp_path)
    settings = root / "config" / "campaign.yaml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("overall:", "overal:"), encoding="utf-8")
    done = tapeline("run", root, "--json-log")
    assert done.returncode == EXIT_FAULTS
    fault, ended = events_of(done.stdout)
    assert (fault["event"], fault["file"], fault["found"]) == (
        "fault",
        "config/campaign.yaml",
        'the unknown key "overal"',
    )
    assert (ended["event"], ended["status"]) == ("ended", EXIT_FAULTS)


KILLED = "ended without a word: it was killed, maybe for want of memory; free memory or run with fewer --cores"


@pytest.mark.workflow
@pytest.mark.parametrize(
    ("planted", "reason"),
    [
        ("raised", "an error in tapeline itself (ValueError: planted): report it with the log"),
        (
            "killed",
            "ended without a word: it was killed, maybe for want of memory; free memory or run with fewer --cores",
        ),
    ],
)
def test_a_failed_step_says_why_and_where_its_log_is(tmp_path: Path, planted: str, reason: str) -> None:
    root = two_recordings(tmp_path / "campaign")
    (tmp_path / "sitecustomize.py").write_text(PLANTED, encoding="utf-8")
    paths = os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH")]))
    done = subprocess.run(
        [str(COMMAND), "run", ".", "--cores", "2"],
        check=False,
        capture_output=True,
        text=True,
        cwd=root,
        env=os.environ | {"PYTHONPATH": paths, "PLANTED": planted},
    )
    assert done.returncode == EXIT_FAILED
    assert done.stderr.splitlines()[-3:] == [
        f"failed: step tables april: {reason}",
        "      log: results/logs/tables/april.log",
        "tapeline run: 1 step failed; what follows from it is not computed: mend it, then `tapeline run` goes on from "
        "there",
    ]
    assert without_managers_words(done.stderr + done.stdout)
    assert ("ValueError: planted" in (root / "results/logs/tables/april.log").read_text()) == (planted == "raised")


@pytest.mark.workflow
def test_a_faulty_recording_of_a_strict_run_is_named_with_what_to_do(tmp_path: Path) -> None:
    root = two_recordings(tmp_path)
    (root / "recordings" / "m2.raw").write_bytes(b"")
    done = tapeline("run", root, "--cores", "2", "--strict", "--", "--until", "spectra")
    assert done.returncode == EXIT_FAILED
    (failed,) = [line for line in done.stderr.splitlines() if line.startswith("failed: ")]
    assert failed == (
        "failed: spectra m2 (step spectra april-1): run m2: recording-empty: m2.raw is empty: it has no bytes, "
        "expected a whole recording; find the right file or repeat the run, or run without --strict to leave it out"
    )
    assert without_managers_words(done.stderr + done.stdout)


@pytest.mark.workflow
def test_a_manager_that_does_not_start_is_heard_in_its_last_lines(tmp_path: Path) -> None:
    done = tapeline("run", two_recordings(tmp_path), "--", "--no-such-option")
    assert done.returncode == EXIT_FAILED
    said = done.stderr.splitlines()
    assert "unrecognized arguments: --no-such-option" in said[-2]
    assert said[-1].startswith("      log: ")
    assert said[-1].endswith("results/logs/workflow.log")


def test_a_verdict_that_the_session_changed_is_said_once_more(tmp_path: Path) -> None:
    root = two_recordings(tmp_path)
    overrides = "run,position,verdict,reason,who\nm2,p1,doubtful,tape lifted,A. Nyone\n"
    (root / "config" / "overrides.csv").write_text(overrides, encoding="utf-8")
    plan = Plan(load_campaign(root, check=False))
    for step, key in (("calibrate", "april"), ("spectra", "april-1"), ("verdicts", "april")):
        list(do_step(plan, STEPS[step], key))
    text, values = run_said(plan, "m2")
    assert (text, values["verdict"]) == ("m2  good, 1 channel  (open, 100 km/h, yaw 0°)", "good")
    ((text, values),) = verdicts_said(plan, "april")
    assert text.splitlines() == [
        "m2  1 of 1 channel doubtful, judged with the whole session",
        "      p1: doubtful by hand: tape lifted (A. Nyone)",
    ]
    assert (values["run"], values["verdict"]) == ("m2", "doubtful")


@pytest.mark.workflow
def test_a_terminal_shows_one_line_of_progress_that_is_taken_away(tmp_path: Path) -> None:
    root = two_recordings(tmp_path)
    ours, theirs = pty.openpty()
    running = subprocess.Popen(
        [str(COMMAND), "run", str(root), "--cores", "2", "--", "--until", "calibrate"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=os.environ | {"TERM": "xterm"},
    )
    os.close(theirs)
    content = b""
    # At its end a terminal gives an error.
    try:
        while piece := os.read(ours, 65_536):
            content += piece
    except OSError:
        pass
    os.close(ours)
    assert running.wait() == 0
    text = content.decode()
    assert re.search(r"0 of 2 recordings, 0 of \d+ jobs", text)
    left = [line.rpartition(ERASE_LINE)[2] for line in text.replace("\r\n", "\n").split("\n")]
    assert not [line for line in left if re.search(r"of \d+ jobs", line)]
    assert "april  calibrated: good, 1 sensor" in left
    assert without_managers_words(text)
