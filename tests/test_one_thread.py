"""Jobs keep to one thread of the linear algebra: as many of them run as there are cores, with the same bytes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

THREADS = Path("/proc/self/task")
COUNTED = """
import os
from tapeline import cli
try:
    cli.main(["--version"])
except SystemExit:
    pass
import numpy
square = numpy.ones((600, 600))
square @ square
print(len(os.listdir("/proc/self/task")))
"""


@pytest.mark.skipif(not THREADS.is_dir(), reason="the system does not list the threads of a process")
@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core: no library starts more than one thread")
@pytest.mark.parametrize("stated", [None, "2"])
def test_threads_of_the_linear_algebra(stated: str | None) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    if stated is not None:
        environment |= {"OPENBLAS_NUM_THREADS": stated, "OMP_NUM_THREADS": stated}
    done = subprocess.run(
        [sys.executable, "-c", COUNTED], check=True, capture_output=True, text=True, env=environment, timeout=60
    )
    assert int(done.stdout.split()[-1]) == int(stated or 1)
