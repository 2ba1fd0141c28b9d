"""Curves of thousands of points: as many as can be told apart, in a path of few bytes."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tapeline.arrays import Reals


def envelope(across_px: Reals, values: Reals, column_px: float = 0.5) -> tuple[Reals, Reals]:
    """The lowest and highest value of each column of pixels, in their order; a column of one or two keeps its points.

    No peak is lost. Points without a finite place are left out; values that are NaN stay as gaps.

    >>> [found.tolist() for found in envelope(np.array([0.0, 0.1, 0.2, 0.3]), np.array([1.0, 9.0, -4.0, 2.0]))]
    [[0.1, 0.2], [9.0, -4.0]]
    """
    known = np.isfinite(across_px)
    across, held = across_px[known], values[known]
    if not across.size:
        return across, held
    column = np.floor(across / column_px)
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1.0))
    kept: list[int] = []
    for start, end in zip(starts, [*starts[1:], across.size], strict=True):
        own = held[start:end]
        if end - start <= 2 or not np.isfinite(own).all():
            kept += range(start, end)
        else:
            kept += sorted({int(start + own.argmin()), int(start + own.argmax())})
    return across[kept], held[kept]


def dense_path(places: Iterable[tuple[float, float]]) -> str:
    """The path through places in pixels, to a tenth of one, by steps from each to the next; NaN breaks it.

    >>> dense_path([(1.0, 2.0), (1.5, 0.5), (2.0, 0.5), (float("nan"), 0.0), (3.0, 1.0)])
    'M1 2l.5-1.5 .5 0M3 1'
    """
    made = ""
    x = y = 0
    last = ""
    for across, down in places:
        if not (np.isfinite(across) and np.isfinite(down)):
            last = ""
            continue
        place = round(across * 10.0), round(down * 10.0)
        letter = "M" if not last else "l" if last == "M" else ""
        step = place if letter == "M" else (place[0] - x, place[1] - y)
        first, second = _tenths(step[0]), _tenths(step[1])
        between = "" if second.startswith("-") else " "
        before = letter or ("" if first.startswith("-") else " ")
        made += f"{before}{first}{between}{second}"
        (x, y), last = place, letter or "l"
    return made


def _tenths(value: int) -> str:
    whole, part = divmod(abs(value), 10)
    sign = "-" if value < 0 else ""
    return f"{sign}{whole or ''}.{part}" if part else f"{sign}{whole}"
