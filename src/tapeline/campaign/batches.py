"""Which recordings one process reads: some together, so that its start weighs little, not so many that cores wait."""

from __future__ import annotations

import math
from collections.abc import Mapping


def batched(sizes: Mapping[str, int], most: float) -> list[tuple[str, ...]]:
    """Names in their order, in batches of about the same size; one that is larger than `most` stands alone.

    `sizes` (bytes) are by name. No batch of several is larger than `most`.
    """
    batches: list[list[str]] = []
    for stretch in _stretches(sizes, most):
        total = sum(sizes[name] for name in stretch)
        share = total / max(1, math.ceil(total / most))
        held = 0
        batches.append([])
        for name in stretch:
            # A batch is full where going on would leave it further from its share than stopping does.
            if batches[-1] and (held + sizes[name] / 2 > share or held + sizes[name] > most):
                batches.append([])
                held = 0
            batches[-1].append(name)
            held += sizes[name]
    return [tuple(batch) for batch in batches]


def _stretches(sizes: Mapping[str, int], most: float) -> list[list[str]]:
    """Names that follow each other between those that stand alone, and these."""
    found: list[list[str]] = []
    for name, size in sizes.items():
        if size > most or not found or sizes[found[-1][-1]] > most:
            found.append([])
        found[-1].append(name)
    return found
