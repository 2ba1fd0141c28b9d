"""Through what each table moved: what it was asked for, what it is made from, or neither of them."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.changes.causes import Differences
from tapeline.changes.table_changes import TableChanges

STAGES = (
    ("runs", "positions"),
    ("checks",),
    ("calibration", "quality"),
    (
        "narrowband",
        "history",
        "band_history",
        "spectrogram",
        "cross_spectra",
        "conditioned_spectra",
        "flow_bins",
    ),
    ("bands", "overall"),
)
"""Tables in the order in which they are made, each from those of stages before; all others are made from the last."""

OWN = "Their own rows, settings or step differ"
THROUGH = "Moved through what they are made from"
NEITHER = "Moved though they were asked for alike and no table that they are made from moved"


def moved_through(moved: Sequence[TableChanges], different: Differences) -> list[str]:
    """Sentences that say of the tables `moved`, all that changed, within a tolerance or beyond, what moved them.

    An input whose content differs counts among what a table is made from.
    """
    inputs = any(cause.kind == "input" for cause in different.causes)
    first = min((_stage(table.table) for table in moved), default=0)
    by_words: dict[str, list[str]] = {OWN: [], THROUGH: [], NEITHER: []}
    for table in sorted(moved, key=lambda each: each.table):
        below = inputs or first < _stage(table.table)
        by_words[OWN if table.own_needs_differ else THROUGH if below else NEITHER].append(table.table)
    return [f"{words}: {', '.join(names)}" for words, names in by_words.items() if names]


def _stage(table: str) -> int:
    return next((place for place, names in enumerate(STAGES) if table in names), len(STAGES))
