"""Columns for the terminal."""

from __future__ import annotations

from tapeline.text_columns import aligned_columns, wrapped_columns


def test_columns_stand_below_each_other() -> None:
    rows = [("what", "n"), ("1e5", "12,000"), ("seam taped", "7")]
    assert aligned_columns(rows, {1}) == ["  what             n", "  1e5         12,000", "  seam taped       7"]
    assert aligned_columns([], {1}) == []


def test_long_cells_are_wrapped_and_each_row_keeps_its_lines() -> None:
    rows = [("what", "n"), ("seam taped\u2028all along the roof", "12,000"), ("open", "7")]
    head, taped, opened = wrapped_columns(rows, {1}, 22)
    assert head == ["  what             n"]
    assert taped == ["  seam taped  12,000", "  all along", "  the roof"]
    assert opened == ["  open             7"]
