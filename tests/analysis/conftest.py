"""Results of two small campaigns, with a value, a bound and an unusable channel (synthetic)."""

from __future__ import annotations

from pathlib import Path

import pytest
from few_results import write_results


@pytest.fixture
def roof(tmp_path: Path) -> Path:
    """The results folder of the campaign roof; a test may write there."""
    return write_results(tmp_path / "roof" / "results", "roof")


@pytest.fixture
def doors(tmp_path: Path) -> Path:
    """The results folder of the campaign doors, whose runs are called the same."""
    return write_results(tmp_path / "doors" / "results", "doors", higher_db=5.0)
