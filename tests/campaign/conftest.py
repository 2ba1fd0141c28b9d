"""Fixtures of the campaign tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, write


@pytest.fixture
def minimal(tmp_path: Path) -> Path:
    """The folder of the small campaign."""
    write(tmp_path, dict(MINIMAL))
    return tmp_path
