"""Plain text in columns, for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence

LEAST_WIDTH = 8
"""Columns are made no narrower than this by wrapping; words are cut only where whole ones leave no room."""


def aligned_columns(rows: Sequence[Sequence[str]], numeric: Collection[int]) -> list[str]:
    """Columns below each other, two spaces in; the columns `numeric` to the right. Every row has as many cells."""
    if not rows:
        return []
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return [
        "  "
        + "  ".join(
            cell.rjust(width) if place in numeric else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def wrapped_columns(rows: Sequence[Sequence[str]], numeric: Collection[int], width: int) -> list[list[str]]:
    """The same within `width` characters, as far as columns of 8 allow: the lines of each row, long cells wrapped.

    The columns `numeric` stay whole.
    """
    if not rows:
        return []
    places = range(len(rows[0]))
    widths = [max(len(row[place]) for row in rows) for place in places]
    words = [max(len(word) for row in rows for word in row[place].split() or [""]) for place in places]
    for least in (words, [LEAST_WIDTH] * len(widths)):
        while sum(widths) + 2 * len(widths) > width:
            wide = [
                place for place in places if place not in numeric and widths[place] > max(least[place], LEAST_WIDTH)
            ]
            if not wide:
                break
            widths[max(wide, key=lambda place: widths[place])] -= 1
    return [_wrapped_row(row, numeric, widths) for row in rows]


def _wrapped_row(row: Sequence[str], numeric: Collection[int], widths: Sequence[int]) -> list[str]:
    cells = [
        textwrap.wrap(cell, width, break_on_hyphens=False) or [""] for cell, width in zip(row, widths, strict=True)
    ]
    lines = []
    for line in range(max(len(cell) for cell in cells)):
        parts = [cell[line] if line < len(cell) else "" for cell in cells]
        aligned = (
            part.rjust(width) if place in numeric else part.ljust(width)
            for place, (part, width) in enumerate(zip(parts, widths, strict=True))
        )
        lines.append(f"  {'  '.join(aligned)}".rstrip())
    return lines


def wrapped(text: str, width: int, indent: int = 2) -> list[str]:
    """A sentence within `width` characters, further lines two more in than the first."""
    return textwrap.wrap(
        text,
        max(width, LEAST_WIDTH + indent),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2 if indent else 0),
        break_on_hyphens=False,
    )
