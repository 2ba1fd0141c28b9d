"""Reading the reference tables that may lie beside the repository."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

BESIDE = Path(__file__).resolve().parents[3] / "shared"
WHERE = "the reference tables beside the repository are not here"


def reference_rows(name: str) -> list[dict[str, str]]:
    """Rows of one reference table without those marked doubtful; skips the test where the table is missing."""
    path = BESIDE / "references" / name
    if not path.is_file():
        pytest.skip(WHERE)
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    kept = [row for row in rows if "doubtful" not in row.get("provenance", "")]
    assert kept, f"{name} holds no rows to check against"
    return kept


def open_data(name: str) -> Path:
    """A file of the open data; skips the test where it is missing."""
    path = BESIDE / "opendata" / name
    if not path.exists():
        pytest.skip(WHERE)
    return path
