"""A disk that is full or read-only: one sentence on the terminal, whatever becomes of the logs."""

from __future__ import annotations

import errno
import os
import subprocess
from pathlib import Path

import pytest
from background_campaign import write_background_campaign
from sample_runs import COMMAND

from tapeline import cli, unwritable
from tapeline.cli.statuses import EXIT_FAILED

FULL_DISK = """
import errno, os, sys
if "calibrate" in sys.orig_argv and "run" not in sys.orig_argv:
    import tapeline.jobs.calibrate.run as job
    def run(*given):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    job.run = run
"""
FULL = "{}: cannot be written, its disk is full: make room on it, then run again"
SAID = f"tapeline step calibrate: {FULL}"


@pytest.fixture
def campaign(tmp_path: Path) -> Path:
    (tmp_path / "path").mkdir()
    (tmp_path / "path" / "sitecustomize.py").write_text(FULL_DISK, encoding="utf-8")
    return write_background_campaign(tmp_path / "campaign")


def environment(campaign: Path) -> dict[str, str]:
    paths = [str(campaign.parent / "path"), *filter(None, [os.environ.get("PYTHONPATH")])]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths)}


@pytest.mark.workflow
def test_a_run_says_on_the_terminal_that_the_disk_is_full(campaign: Path) -> None:
    command = [str(COMMAND), "run", str(campaign), "--cores", "2", "--", "--until", "calibrate"]
    done = subprocess.run(command, check=False, capture_output=True, text=True, env=environment(campaign))
    assert done.returncode == EXIT_FAILED
    said = done.stderr.splitlines()
    for session in ("rolling", "tunnel"):
        assert said.count(f"failed: step calibrate {session}: {FULL.format('results')}") == 1
    assert "Traceback" not in done.stderr
    assert "Error in rule" not in done.stderr
    log = campaign / "results" / "logs" / "calibrate" / "rolling.log"
    assert log.read_text(encoding="utf-8").splitlines() == [SAID.format("results")]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_step_whose_log_takes_no_more_tells_the_terminal(campaign: Path) -> None:
    reader, writer = os.pipe()
    with Path("/dev/full").open("w") as log:
        done = subprocess.run(
            [str(COMMAND), "step", "calibrate", "rolling", "--campaign", str(campaign)],
            check=False,
            stdout=log,
            stderr=log,
            pass_fds=[writer],
            env=environment(campaign) | {unwritable.TERMINAL_VARIABLE: str(writer)},
        )
    os.close(writer)
    with os.fdopen(reader, encoding="utf-8") as terminal:
        assert terminal.read() == SAID.format(campaign / "results") + "\n"
    assert done.returncode == EXIT_FAILED


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.ENOSPC, "its disk is full: make room on it, then run again"),
        (errno.EDQUOT, "its disk is full: make room on it, then run again"),
        (errno.EROFS, "it is read-only: allow writing, or work on a copy of the campaign"),
        (errno.EACCES, "it is read-only: allow writing, or work on a copy of the campaign"),
    ],
)
def test_nothing_starts_where_nothing_can_be_written(
    campaign: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], number: int, why: str
) -> None:
    def refuse(descriptor: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    assert cli.main(["run", str(campaign)]) == EXIT_FAILED
    last = capsys.readouterr().err.splitlines()[-1]
    assert last == f"tapeline run: {campaign / '.snakemake'}: cannot be written, {why}"
    assert list(campaign.rglob("*.part")) == []


def test_a_folder_that_is_there_and_free_is_no_hindrance(tmp_path: Path) -> None:
    assert unwritable.unwritable(tmp_path / "results") is None
    assert list((tmp_path / "results").iterdir()) == []
