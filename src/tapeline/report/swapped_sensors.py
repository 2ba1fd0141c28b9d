"""Comparisons whose two sides were measured by different sensors at the same position."""

from __future__ import annotations

from tapeline.report.attention_item import Attention, comparison_place
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import listed, printable

MOST_NAMED = 6


def swapped(tables: FinishedTables, row: Row) -> str:
    """Which sensors the two sides of a difference have, where they differ: "s05 in april, s07 in may"; else empty."""
    sessions = row["reference_session"], row["treatment_session"]
    sensors = [tables.sensor_by_place.get((session, row["position"])) for session in sessions]
    if None in sensors or sensors[0] == sensors[1]:
        return ""
    return ", ".join(f"{sensor} in {session}" for sensor, session in zip(sensors, sessions, strict=True))


def swapped_sentence(tables: FinishedTables, row: Row) -> str:
    """The same as a sentence that follows a finding."""
    words = swapped(tables, row)
    return f" The sensor was changed between the two: {words}." if words else ""


def swapped_lines(tables: FinishedTables) -> list[Attention]:
    """What needs attention: one line a comparison and pair of sessions with changed sensors."""
    found: dict[tuple[str, str, str], dict[str, str]] = {}
    for row in tables.comparisons:
        words = swapped(tables, row)
        if words:
            key = (row["comparison"], row["reference_session"], row["treatment_session"])
            found.setdefault(key, {})[row["position"]] = words
    return [
        Attention(
            "note",
            f"comparison {comparison}, sessions {first} and {second}",
            printable(
                "the sensor was changed between the two sides at "
                f"{listed((f'{name} ({words})' for name, words in sorted(positions.items())), MOST_NAMED)}: "
                "differences hold how the two sensors differ beyond their calibration"
            ),
            "compare within a session, or fit the same sensor at the position again",
            comparison_place(comparison),
        )
        for (comparison, first, second), positions in sorted(found.items())
    ]
