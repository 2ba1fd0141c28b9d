"""The reference values name where they are from, and none of them is in doubt."""

from __future__ import annotations

from pathlib import Path

import pytest

from reference_tables import COMMENT, VALUES, reference_rows


@pytest.mark.parametrize("table", sorted(VALUES.iterdir()), ids=lambda path: path.name)
def test_a_table_names_source_and_provenance_above_its_rows(table: Path) -> None:
    head = [line for line in table.read_text(encoding="utf-8").splitlines() if line.startswith(COMMENT)]
    for word in ("Source", "Provenance"):
        assert sum(line.startswith(f"{COMMENT} {word}: ") for line in head) == 1, f"{table.name} without its {word}"
    rows = reference_rows(table.name)
    assert not any("doubtful" in (cell or "").lower() for row in rows for cell in row.values())
    assert all(None not in row and None not in row.values() for row in rows), "every row has the header's columns"
