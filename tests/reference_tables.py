"""Reading the reference values in `published/values/`: a table a file, source and provenance as comments above it."""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path

import pytest

VALUES = Path(__file__).parent / "published" / "values"
COMMENT = "#"


def reference_rows(name: str) -> list[dict[str, str]]:
    """Rows of one reference table; there is at least one."""
    with (VALUES / name).open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith(COMMENT)))
    assert rows, f"{name} holds no rows to check against"
    return rows


def installed_data_set(folder: str, name: str) -> list[str]:
    """Lines of a data set of NIST StRD (a work of the US Government), one of the test data that scipy installs."""
    path = resources.files("scipy") / "stats" / "tests" / "data" / folder / f"{name}.dat"
    if not path.is_file():
        pytest.skip("the installed scipy comes without its test data")
    return path.read_text(encoding="ascii").splitlines()
