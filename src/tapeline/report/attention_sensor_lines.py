"""Points for attention: lines of sensors that contradict what is stated of them."""

from __future__ import annotations

from tapeline.report.attention_item import Attention
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.wording import listed

MOST_RUNS = 4


def sensor_line_lines(tables: FinishedTables) -> list[Attention]:
    """Lines along which pressure runs against the stated order, or polarities differ, with the runs that show it."""
    found: dict[tuple[str, str, str], set[str]] = {}
    for row in tables.lines:
        for column in ("against_positions", "opposite_positions"):
            for pair in row[column] or ():
                found.setdefault((row["line"], column, pair), set()).add(row["run"])
    said = {
        "against_positions": (
            "pressure runs up the stated order of the line",
            "check line_order and the channels",
        ),
        "opposite_positions": ("the two sensors have opposite polarity", "check the polarity in the fittings"),
    }
    return [
        Attention("doubtful", f"line {line}, {pair}", f"{said[column][0]}, runs {listed(sorted(runs), MOST_RUNS)}",
                  said[column][1], "#sensor-lines")
        for (line, column, pair), runs in sorted(found.items())
    ]  # fmt: skip
