"""Large sets of open data that stay outside the repository; a test that needs one skips where it is missing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

VARIABLE = "TAPELINE_OPEN_DATA"
"""Environment variable: the folder that holds the data sets, where it is another than the one beside the repository."""

FOLDER = Path(os.environ.get(VARIABLE) or Path(__file__).resolve().parents[2] / "shared" / "opendata")


def open_data(name: str) -> Path:
    """A file of the open data; skips the test where it is missing."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"{name} is not there; {VARIABLE} names the folder of the open data")
    return path
