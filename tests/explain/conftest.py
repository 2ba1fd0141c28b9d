"""The small sample, made once for all tests that only look at it."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_sample import small_sample


@pytest.fixture(scope="session")
def explained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A campaign folder with results. Nobody may write into it."""
    return small_sample(tmp_path_factory.mktemp("explained"))
