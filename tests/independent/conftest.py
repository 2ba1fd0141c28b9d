"""The invented rig, written once and run once through the real command on two cores."""

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from rig_campaign import RigTruth, write_rig
from rig_faults import FaultTruth, write_faulty_rig

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


@pytest.fixture(scope="session")
def rig_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[RigTruth, Finished]:
    truth = write_rig(tmp_path_factory.mktemp("rig"), SEED)
    return truth, tapeline("run", truth.folder, "--cores", 2)


@pytest.fixture(scope="session")
def rig(rig_run: tuple[RigTruth, Finished]) -> RigTruth:
    truth, finished = rig_run
    if finished.status not in (0, 3):
        pytest.fail(f"the rig campaign did not run to its end:\n{finished.output[-3000:]}")
    return truth


@pytest.fixture(scope="session")
def bad_day_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[FaultTruth, Finished]:
    truth = write_faulty_rig(tmp_path_factory.mktemp("bad-day"), SEED)
    return truth, tapeline("run", truth.folder, "--cores", 2)
