"""A run that is killed goes on where it was, and ends with the same bytes."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import pytest
from sample_runs import COMMAND, CampaignRun, copy_sample, outputs, run_campaign

pytestmark = [pytest.mark.workflow, pytest.mark.long]

PATIENCE_S = 120.0


def test_a_killed_run_resumes_to_the_same_bytes(sample: CampaignRun, tmp_path: Path) -> None:
    folder = copy_sample(tmp_path / "sample")
    running = subprocess.Popen(
        [str(COMMAND), "run", str(folder), "--cores", "2"],
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    until = time.monotonic() + PATIENCE_S
    while len(list((folder / "results").glob("spectra/*/history.parquet"))) < 4 and time.monotonic() < until:
        time.sleep(0.05)
    os.killpg(running.pid, signal.SIGKILL)
    running.wait()
    done_before = len(list((folder / "results").glob("spectra/*/history.parquet")))
    assert 4 <= done_before < 26
    resumed = run_campaign(folder, 2)
    assert resumed.status == 3, resumed.output
    assert outputs(resumed) == outputs(sample)
    assert list((folder / "results").rglob("*.part")) == []


def test_two_runs_of_one_folder_do_not_mix(sample: CampaignRun) -> None:
    from tapeline.workflow import BusyError, held

    lock = sample.folder / ".snakemake" / "tapeline.lock"
    with held(lock), pytest.raises(BusyError, match="another `tapeline run` works on"), held(lock):
        pass
