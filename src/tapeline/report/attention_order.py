"""What the order of runs and the two sides of the body show: references that drift, partners that do not agree."""

from __future__ import annotations

from collections.abc import Iterable

from tapeline.report.attention_item import Attention, comparison_place
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import counted, listed, number

MOST_NAMED = 4

ACTIONS = {
    "differ": "check cables, sensors and mounts of the two sides",
    "yaw-or-exchange": "check the sign of the yaw angle in the run table, and the cables of the two sides",
}


def order_lines(tables: FinishedTables, threshold_db: float) -> list[Attention]:
    """Drifts of references and partners that do not agree, by overall levels.

    A drift counts where all of its interval lies beyond the practical threshold.
    """
    return [*_drifts(tables, threshold_db), *_mirrors(tables), *_not_returned(tables)]


def _drifts(tables: FinishedTables, threshold_db: float) -> list[Attention]:
    found: dict[tuple[str, str], list[Row]] = {}
    for row in tables.overall_rows("reference_drift"):
        shown = row["finding"] in ("lower", "higher")
        if shown and max(row["lower_db"], -row["upper_db"]) > threshold_db:
            found.setdefault((row["session"], row["condition"]), []).append(row)
    return [
        Attention(
            "doubtful",
            f"session {session}, {condition}",
            f"the reference drifts over the session, by {_largest(rows, 'difference_db')}; at {_places(rows)}",
            "measure the reference before and after each treatment; look for moisture, tape and a warming conditioner",
        )
        for (session, condition), rows in sorted(found.items())
    ]


def _mirrors(tables: FinishedTables) -> list[Attention]:
    found: dict[tuple[str, str], list[Row]] = {}
    for row in tables.overall_rows("mirror_differences"):
        if row["agreement"] in ACTIONS:
            found.setdefault((row["session"], row["agreement"]), []).append(row)
    lines = []
    for (session, agreement), rows in sorted(found.items()):
        pairs = sorted({f"{row['position']} and {row['mirror']}" for row in rows})
        words = "left and right do not agree as usual"
        if agreement == "yaw-or-exchange":
            words = "both sides look alike at opposite yaw angles"
        found_words = f"{words}: {listed(pairs, MOST_NAMED)}, by {_largest(rows, 'difference_db')}"
        lines.append(Attention("doubtful", f"session {session}", found_words, ACTIONS[agreement]))
    return lines


def _not_returned(tables: FinishedTables) -> list[Attention]:
    """Conditions that were measured before and after another one and did not come back."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in tables.comparisons:
        if row["quantity"] == "overall" and any(code.startswith("not-returned") for code in row["doubt"] or ()):
            found.setdefault((row["comparison"], row["session_label"]), []).append(row)
    return [
        Attention(
            "doubtful",
            f"comparison {name}, session {sessions}",
            "a condition did not come back to its level after the other one, in "
            f"{counted(len(rows), 'difference')}, by "
            f"{_largest(rows, 'return_db')}; at {_places(rows)}",
            "see whether tape or a mount changed in between; repeat in the order reference, treatment, reference",
            comparison_place(name),
        )
        for (name, sessions), rows in sorted(found.items())
    ]


def _largest(rows: Iterable[Row], name: str) -> str:
    """The largest of some values, named as picked: chance made it larger."""
    values = [float(row[name]) for row in rows if row[name] is not None]
    picked = f", the largest of {len(values)}" if len(values) > 1 else ""
    return f"{number(max(values, key=abs, default=0.0), signed=True)} dB at most{picked}"


def _places(rows: Iterable[Row]) -> str:
    return listed(sorted({row["position"] for row in rows}), MOST_NAMED)
