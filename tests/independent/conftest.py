"""The invented rig, written once and run once through the real command on two cores."""

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from jobs_in_order import run_jobs
from rig_campaign import RigTruth, write_rig
from rig_faults import FaultTruth, write_faulty_rig

from tapeline.cli import main

SEED = 1


@dataclass(frozen=True)
class Finished:
    """What the command said of a campaign."""

    status: int
    output: str


def tapeline(*arguments: object) -> Finished:
    """Run the command that belongs to this Python, its folder first on the path."""
    beside = Path(sys.executable).parent
    path = f"{beside}{os.pathsep}{os.environ.get('PATH', '')}"
    command = [str(beside / "tapeline"), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, "PATH": path})
    return Finished(done.returncode, done.stdout + done.stderr)


@pytest.fixture(scope="session")
def run_tapeline() -> Callable[..., Finished]:
    return tapeline


@pytest.fixture
def call_tapeline(capfd: pytest.CaptureFixture[str]) -> Callable[..., Finished]:
    """The command in this process, for what it says before it starts anything."""

    def call(*arguments: object) -> Finished:
        status = main([*map(str, arguments)])
        said = capfd.readouterr()
        return Finished(status, said.out + said.err)

    return call


@pytest.fixture(scope="session")
def written_rig(tmp_path_factory: pytest.TempPathFactory) -> RigTruth:
    return write_rig(tmp_path_factory.mktemp("rig"), SEED)


@pytest.fixture(scope="session")
def rig(written_rig: RigTruth) -> RigTruth:
    """The finished rig, its jobs done in this process: a third of the time of the command, and the same tables."""
    run_jobs(written_rig.folder)
    return written_rig


@pytest.fixture(scope="session")
def bad_day_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[FaultTruth, Finished]:
    truth = write_faulty_rig(tmp_path_factory.mktemp("bad-day"), SEED)
    return truth, tapeline("run", truth.folder, "--cores", 2)
