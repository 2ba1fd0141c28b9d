"""The explanation of what a treated condition gains and leaves: a row of the table `treatments`."""

from __future__ import annotations

import math
from typing import Any

from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import AskedItem, known_name
from tapeline.explain.compared_sides import Repeats, Row, load_repeats, scatter_chapter, side_chapter
from tapeline.explain.difference_explanation import (
    AskedView,
    basis_words,
    chosen_row,
    finding_rule,
    table_rows,
)
from tapeline.explain.explanation import Chapter, Explanation, Fact, Listing, Part, Value
from tapeline.explain.level_chapters import DECISION_HEADINGS, doubt_rule
from tapeline.explain.made_results import require_made, shown
from tapeline.jobs import compare
from tapeline.jobs.table_files import campaign_table
from tapeline.report.wording import interval, operating_point
from tapeline.statistics.significance import student_factor

ASKED = {
    "gain": ("untreated", "level of {other} less that of {own}"),
    "remainder": ("best", "level of {own} less that of {other}"),
}
"""Of each difference the column of the other condition, and which is subtracted from which."""


def explain_treatment(plan: Plan, name: str, position: str, item: AskedItem, view: AskedView) -> Explanation:
    """Where the gain of a condition, and what it leaves to be gained, come from.

    Raises NotExplainedError where the results are not made, and with what there is where several rows fit the view, or
    none.
    """
    require_made(plan, compare.JOB)
    found = [_labelled(row) for row in table_rows(plan, "treatments", {"condition": name, **item.columns})]
    positions = sorted({row["position"] for row in found})
    known_name(f"position of condition {name}", position, positions or plan.campaign.positions)
    row = chosen_row(plan, name, [each for each in found if each["position"] == position], view)
    repeats = load_repeats(plan, position, item)
    own = repeats.key(row["session"], name, row)
    chapters = [side_chapter(plan, repeats, "condition", own, position, item, row["runs"])]
    for asked, (column, _) in ASKED.items():
        if row[f"{asked}_finding"] is None:
            continue
        other = repeats.key(row["other_session"], row[column], row)
        chapters.append(side_chapter(plan, repeats, column, other, position, item, row[f"{column}_runs"]))
        chapters.append(_judged_chapter(plan, row, asked))
        if row[f"{asked}_standard_error_db"] is not None:
            chapters.append(_scatter(plan, repeats, {column: other, "condition": own}, asked))
    point = operating_point(row["speed_mps"], row["yaw_deg"], plan.settings.report.speed_unit)
    words = item.words(plan.settings.bands.fraction)
    title = f"Condition {name} (session {row['session_label']}, {point}) at {position}, {words}"
    subject: dict[str, Value] = {key: row[key] for key in SUBJECT}
    answer = (*_answer(plan, row), f"Row of {shown(plan, campaign_table(plan.results, 'treatments'))}.")
    return Explanation(title, subject, answer, (*chapters, _decisions_chapter(plan, row)))


SUBJECT = (
    "condition",
    "session",
    "other_session",
    "untreated",
    "best",
    "position",
    "speed_mps",
    "yaw_deg",
    "quantity",
    "weighting",
    "band_hz",
    "lowest_band_hz",
    "highest_band_hz",
)


def _labelled(row: Row) -> Row:
    both = row["session"], row["other_session"]
    return {**row, "session_label": both[0] if both[0] == both[1] else " + ".join(both)}


def _scatter(plan: Plan, repeats: Repeats, sides: dict[str, Any], asked: str) -> Chapter:
    found = scatter_chapter(plan, repeats, sides)
    return Chapter(f"{asked}_scatter", f"{found.title}, {asked}", found.parts)


def _answer(plan: Plan, row: Row) -> tuple[str, ...]:
    said = []
    for asked, (column, words) in ASKED.items():
        if row[f"{asked}_finding"] is None:
            continue
        meant = words.format(own=row["condition"], other=row[column])
        if row[f"{asked}_standard_error_db"] is None:
            said.append(f"{asked.capitalize()} ({meant}): not given, {row[f'{asked}_why_not']}.")
            continue
        value = "" if row[f"{asked}_db"] is None else f"{row[f'{asked}_db']:.2f} dB, "
        ends = interval(row[f"{asked}_lower_db"], row[f"{asked}_upper_db"], 2)
        confidence = f"{100.0 * plan.settings.confidence:g} %"
        said.append(f"{asked.capitalize()} ({meant}): {value}{confidence} interval {ends} dB.")
    return tuple(said)


def _judged_chapter(plan: Plan, row: Row, asked: str) -> Chapter:
    """The difference with its interval, its test, and the comparison that has the same numbers."""
    column, words = ASKED[asked]
    cell = {name: row[f"{asked}_{name}"] for name in CELLS}
    meant = words.format(own=row["condition"], other=row[column])
    parts: list[Part] = [Fact("db", asked, cell["db"], "dB", meant)]
    if cell["standard_error_db"] is not None:
        degrees = cell["degrees_of_freedom"]
        factor = float(student_factor(math.inf if degrees is None else degrees, plan.settings.confidence))
        parts += [
            Fact("standard_error_db", "standard error", cell["standard_error_db"], "dB"),
            Fact("degrees_of_freedom", "degrees of freedom", degrees, source="Welch-Satterthwaite, at least 1"),
            Fact("interval_basis", "scatter is known by", cell["interval_basis"], source=basis_words(plan, cell)),
            Fact("t", "Student's t", factor, source=f"confidence {plan.settings.confidence:g}"),
            Fact("lower_db", "interval from", cell["lower_db"], "dB"),
            Fact("upper_db", "to", cell["upper_db"], "dB"),
            Fact("p_value", "p-value, two-sided", cell["p_value"]),
            Fact(
                "family_size",
                "tests in the family",
                cell["family_size"],
                source=f"all tests of {row['condition']} against {row[column]}",
            ),
            Fact(
                "adjusted_p_value",
                "adjusted p-value",
                cell["adjusted_p_value"],
                source=f"compare.adjustment {plan.settings.compare.adjustment}",
            ),
        ]
    if cell["comparison"] is not None:
        parts.append(
            f"The comparison {cell['comparison']} has the same two conditions; explained by its name it has every term."
        )
    return Chapter(asked, f"{asked.capitalize()}: {meant}", tuple(parts))


CELLS = (
    "db",
    "lower_db",
    "upper_db",
    "standard_error_db",
    "degrees_of_freedom",
    "interval_basis",
    "p_value",
    "adjusted_p_value",
    "family_size",
    "comparison",
)


def _decisions_chapter(plan: Plan, row: Row) -> Chapter:
    rows: list[dict[str, Any]] = [
        {"decision": "untreated", "found": row["untreated"], "rule": row["untreated_by"]},
        {"decision": "best", "found": row["best"] or "", "rule": row["best_by"] or "no condition has more applied"},
    ]
    for asked in ASKED:
        finding = row[f"{asked}_finding"]
        if finding is not None:
            rule = finding_rule(plan, finding, row[f"{asked}_why_not"])
            rows.append(
                {"decision": f"finding, {asked}", "found": finding, "rule": f"of the level with this condition: {rule}"}
            )
        rows += [
            {"decision": f"doubt, {asked}", "found": code, "rule": doubt_rule(code.partition(":")[0])}
            for code in row[f"{asked}_doubt"] or ()
        ]
    if row["share"] is not None:
        ends = interval(row["share_lower"], row["share_upper"], 2)
        rows.append({"decision": "share of the best gain", "found": f"{row['share']:.2f} ({ends})", "rule": "in power"})
    return Chapter("decisions", "Decisions", (Listing("decisions", "", DECISION_HEADINGS, tuple(rows)),))
