"""Plain text in columns, for the terminal."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Collection, Sequence

from tabulate import tabulate

LEAST_WIDTH = 8
"""Columns are made no narrower than this by wrapping; words are cut only where whole ones leave no room."""


def aligned_columns(rows: Sequence[Sequence[str]], numeric: Collection[int]) -> list[str]:
    """Columns below each other, two spaces in; the columns `numeric` to the right. Every row has as many cells."""
    if not rows:
        return []
    sides = ["right" if place in numeric else "left" for place in range(len(rows[0]))]
    table = tabulate(rows, tablefmt="plain", colalign=sides, disable_numparse=True)
    return [f"  {line}".rstrip() for line in table.split("\n")]


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
    cells = [
        [
            "\n".join(textwrap.wrap(" ".join(cell.split()), width, break_on_hyphens=False))
            for cell, width in zip(row, widths, strict=True)
        ]
        for row in rows
    ]
    lines = iter(aligned_columns(cells, numeric))
    return [list(itertools.islice(lines, 1 + max(cell.count("\n") for cell in row))) for row in cells]


def wrapped(text: str, width: int, indent: int = 2) -> list[str]:
    """A sentence within `width` characters, further lines two more in than the first."""
    return textwrap.wrap(
        text,
        max(width, LEAST_WIDTH + indent),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2 if indent else 0),
        break_on_hyphens=False,
    )
