"""The explanation of one difference: the levels of both sides, the interval, the test among its family, the finding."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.campaign.faults import listed, quoted
from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import NOT_MADE, UNKNOWN_NAME, AskedItem, known_name
from tapeline.explain.compared_sides import Row, load_repeats, scatter_chapter, side_chapter
from tapeline.explain.explanation import Chapter, Explanation, Fact, Heading, Listing, NotExplainedError, Part, Value
from tapeline.explain.level_chapters import DECISION_HEADINGS, doubt_rule
from tapeline.explain.made_results import require_made, shown
from tapeline.jobs import compare
from tapeline.jobs.table_files import campaign_table
from tapeline.report.wording import interval, number, operating_point
from tapeline.statistics.significance import ADJUSTMENTS, student_factor
from tapeline.statistics.uncertainty_terms import TERM_BY_NAME, whole_term
from tapeline.store import parquet

FACTOR = {"km/h": 3.6, "m/s": 1.0}


@dataclass(frozen=True)
class AskedView:
    """Which of several differences is meant, as written; None leaves it open."""

    speed: str | None = None
    yaw: str | None = None
    session: str | None = None


def explain_difference(plan: Plan, name: str, position: str, item: AskedItem, view: AskedView) -> Explanation:
    """Where a comparison's difference at a position comes from.

    Raises NotExplainedError where the results are not made, and with what there is where several differences fit the
    view, or none.
    """
    require_made(plan, compare.JOB)
    found = table_rows(plan, "comparisons", {"comparison": name, **item.columns})
    positions = sorted({row["position"] for row in found})
    known_name(f"position in comparison {name}", position, positions or plan.campaign.positions)
    row = chosen_row(plan, name, [each for each in found if each["position"] == position], view)
    repeats = load_repeats(plan, position, item)
    sides = {side: repeats.key(row[f"{side}_session"], row[side], row) for side in ("reference", "treatment")}
    chapters = [
        side_chapter(plan, repeats, side, key, position, item, row[f"{side}_runs"]) for side, key in sides.items()
    ]
    if row["standard_error_db"] is not None:
        chapters += [
            _difference_chapter(row),
            scatter_chapter(plan, repeats, sides),
            _interval_chapter(plan, row, item),
            _test_chapter(plan, row, found_family(plan, row)),
        ]
    chapters += [_contribution_chapter(row)] if row["contribution_state"] is not None else []
    subject: dict[str, Value] = {name: row[name] for name in SUBJECT}
    return Explanation(_title(plan, row, item), subject, _answer(plan, row), (*chapters, _decisions_chapter(plan, row)))


SUBJECT = (
    "comparison",
    "reference_session",
    "treatment_session",
    "reference",
    "treatment",
    "position",
    "speed_mps",
    "yaw_deg",
    "quantity",
    "weighting",
    "band_hz",
    "lowest_band_hz",
    "highest_band_hz",
)


def table_rows(plan: Plan, table: str, wanted: dict[str, Any]) -> list[Row]:
    """The rows of a table of the campaign that have these cells; columns wanted empty are not looked at."""
    path = campaign_table(plan.results, table)
    at = [(name, "==", value) for name, value in wanted.items() if value is not None]
    rows: list[Row] = parquet.read_where(path, at).to_pylist()
    return rows


def chosen_row(plan: Plan, name: str, rows: Sequence[Row], view: AskedView) -> Row:
    """The one row that fits the view; raises NotExplainedError with all that there are for none or several."""
    unit = plan.settings.report.speed_unit
    speed_mps, yaw = asked_number("--speed", view.speed), asked_number("--yaw", view.yaw)

    def fits(row: Row) -> bool:
        same_speed = speed_mps is None or abs(row["speed_mps"] * FACTOR[unit] - speed_mps) < 0.05 * FACTOR[unit]
        same_yaw = yaw is None or abs(row["yaw_deg"] - yaw) < 0.05
        return same_speed and same_yaw and view.session in (None, row["session_label"])

    found = [row for row in rows if fits(row)]
    if len(found) == 1:
        return found[0]
    if not rows:
        raise NotExplainedError(f"{name} has no row at this position and band", NOT_MADE)
    there = listed(
        (
            f"{operating_point(row['speed_mps'], row['yaw_deg'], unit)}, session {row['session_label']}"
            for row in found or rows
        ),
        8,
    )
    said = f"{len(found)} differences of {name} fit" if found else f"no difference of {name} fits"
    raise NotExplainedError(
        f"{said}; choose one by --speed (in {unit}), --yaw and --session; there are: {there}", UNKNOWN_NAME
    )


def asked_number(option: str, text: str | None) -> float | None:
    """A number as written, None for none; raises NotExplainedError for what is no number."""
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise NotExplainedError(f"{option}: found {quoted(text)}, expected a number such as 100", UNKNOWN_NAME)
    return value


def _title(plan: Plan, row: Row, item: AskedItem) -> str:
    point = operating_point(row["speed_mps"], row["yaw_deg"], plan.settings.report.speed_unit)
    words = item.words(plan.settings.bands.fraction)
    return (
        f"Comparison {row['comparison']} ({row['treatment']} minus {row['reference']}, session {row['session_label']}, "
        f"{point}) at {row['position']}, {words}"
    )


def _answer(plan: Plan, row: Row) -> tuple[str, ...]:
    where = f"Row of {shown(plan, campaign_table(plan.results, 'comparisons'))}."
    if row["standard_error_db"] is None:
        return (f"No difference is given: {row['why_not']}.", where)
    confidence = f"{100.0 * plan.settings.confidence:g} %"
    ends = interval(row["lower_db"], row["upper_db"], 2)
    if row["difference_db"] is None:
        return (f"Treatment minus reference {ends} dB ({confidence} interval; one side is a bound).", where)
    size = abs(row["difference_db"])
    louder = "louder" if row["difference_db"] > 0 else "quieter"
    said = f"{row['treatment']} is {size:.2f} dB {louder} than {row['reference']}"
    sure = f"{confidence} interval of the difference {ends} dB"
    return (f"{said} ({sure}), finding: {row['finding']}.", where)


def _difference_chapter(row: Row) -> Chapter:
    parts: tuple[Part, ...] = (
        Fact("level_basis", "levels compared", row["level_basis"], source="compare.at_nominal"),
        Fact("reference_level_db", "mean of the reference, as measured", row["reference_level_db"], "dB"),
        Fact("treatment_level_db", "mean of the treatment, as measured", row["treatment_level_db"], "dB"),
        Fact("nominal_correction_db", "added by nominal speed and air", row["nominal_correction_db"], "dB"),
        Fact("difference_db", "difference", row["difference_db"], "dB"),
        "Difference = treatment - reference + what nominal speed and air add.",
    )
    return Chapter("difference", "Difference", parts)


TERM_HEADINGS = (
    Heading("term", "term"),
    Heading("standard_uncertainty_db", "uncertainty", "dB"),
    Heading("degrees_of_freedom", "degrees of freedom"),
    Heading("shared_by", "shared by"),
    Heading("evidence", "evidence"),
    Heading("said", ""),
)


def _interval_chapter(plan: Plan, row: Row, item: AskedItem) -> Chapter:
    """The terms of the standard error and the interval by Student's t."""
    names = ("comparison", "session_label", "position", "speed_mps", "yaw_deg")
    at = {"budget": "difference", **{name: row[name] for name in names}, **item.columns}
    budget = next(iter(table_rows(plan, "budgets", at)), None)
    confidence = plan.settings.confidence
    degrees = row["degrees_of_freedom"]
    factor = float(student_factor(math.inf if degrees is None else degrees, confidence))
    parts: list[Part] = []
    if budget is not None:
        where = shown(plan, campaign_table(plan.results, "budgets"))
        parts.append(
            Listing(
                "terms",
                f"Terms of the standard error ({where}); a dash stands for infinite",
                TERM_HEADINGS,
                _term_rows(budget),
            )
        )
    parts += [
        Fact("standard_error_db", "standard error", row["standard_error_db"], "dB", "root of the sum of squares"),
        Fact("degrees_of_freedom", "degrees of freedom", degrees, source="Welch-Satterthwaite, at least 1"),
        Fact("interval_basis", "scatter is known by", row["interval_basis"], source=basis_words(plan, row)),
        Fact("confidence", "confidence", confidence, source="confidence"),
        Fact("t", "Student's t", factor),
        Fact("half_width_db", "half-width, t times standard error", factor * row["standard_error_db"], "dB"),
        Fact("lower_db", "interval from", row["lower_db"], "dB"),
        Fact("upper_db", "to", row["upper_db"], "dB"),
    ]
    if row["difference_db"] is None:
        parts.append(
            "The end that is known is the distance of the one side's mean from the other's bound, half-width included."
        )
    if row["widest_run"] is not None:
        parts.append(
            Fact(
                "half_width_without_db",
                f"half-width without {row['widest_run']}",
                row["half_width_without_db"],
                "dB",
                "this run makes the interval wide",
            )
        )
    return Chapter("interval", "Interval", tuple(parts))


def _term_rows(budget: Row) -> tuple[dict[str, Any], ...]:
    columns = (budget[name] for name in ("terms", "terms_db", "terms_degrees_of_freedom", "terms_evidence"))
    return tuple(
        {
            "term": name,
            "standard_uncertainty_db": float(db),
            "degrees_of_freedom": degrees,
            "shared_by": TERM_BY_NAME[whole_term(name)].shared_by,
            "evidence": evidence,
            "said": "" if db > 0.0 else "nothing is left of it",
        }
        for name, db, degrees, evidence in zip(*columns, strict=True)
    )


def basis_words(plan: Plan, row: Row) -> str:
    """What the interval of a row rests on, in words."""
    settings = plan.settings.compare
    words = {
        "pooled repeats": "repeats at the position of all cells of the session that scatter alike, and near bands",
        "own repeats": "repeats of the two compared conditions alone",
        "assumed repeats": f"no repeats anywhere: compare.repeat_sd_db, {settings.repeat_sd_db:g} dB",
        "random error": "no repeats: averages of the runs alone",
        "measured sessions": "conditions that were measured in both sessions",
        "assumed sessions": "nothing was measured in both: compare.session_sd_db, compare.remount_sd_db",
    }
    return words.get(row["interval_basis"] or "", "")


def found_family(plan: Plan, row: Row) -> list[Row]:
    """The rows whose tests are adjusted together with the row's, itself among them."""
    wanted = {"comparison": row["comparison"], "quantity": row["quantity"]}
    if plan.settings.compare.family == "operating-point":
        names = ("speed_mps", "yaw_deg", "reference_session", "treatment_session")
        wanted |= {name: row[name] for name in names}
    return [each for each in table_rows(plan, "comparisons", wanted) if each["p_value"] is not None]


def _test_chapter(plan: Plan, row: Row, family: Sequence[Row]) -> Chapter:
    """The p-value, its family, and which p-value of it decides the adjusted one."""
    settings = plan.settings.compare
    kind = "overall levels" if row["quantity"] == "overall" else "bands"
    among = "of the comparison" if settings.family == "comparison" else "of the operating point and sessions"
    parts: list[Part] = []
    if row["difference_db"] is not None and row["standard_error_db"] > 0.0:
        parts.append(Fact("t_value", "difference over standard error", row["difference_db"] / row["standard_error_db"]))
    parts += [
        Fact("p_value", "p-value, two-sided", row["p_value"], source="Student's t, no difference"),
        Fact("family", "family", f"all {kind} {among}", source="compare.family"),
        Fact("family_size", "tests in the family", row["family_size"]),
    ]
    if row["p_value"] is not None:
        parts += _adjusted_facts(settings.adjustment, row, np.array([each["p_value"] for each in family]))
    limit = 1.0 - plan.settings.confidence
    parts.append(
        Fact("adjusted_p_value", "adjusted p-value", row["adjusted_p_value"], source=f"shown up to {limit:.4g}")
    )
    return Chapter("test", "Test", tuple(parts))


def _adjusted_facts(adjustment: str, row: Row, p_values: Any) -> Iterable[Part]:
    """The row's place in its family and the place whose p-value decides the adjusted one."""
    ordered = np.sort(p_values)
    rank = int(np.searchsorted(ordered, row["p_value"], side="right"))
    adjusted = ADJUSTMENTS[adjustment](ordered)
    stepwise = adjustment == "false-discovery"
    size = ordered.size
    factors = size / np.arange(1, size + 1) if stepwise else np.arange(size, 0, -1.0)
    beside = slice(rank - 1, None) if stepwise else slice(0, rank)
    scaled = (ordered * factors)[beside]
    decides = (beside.start or 0) + int(np.argmin(scaled) if stepwise else np.argmax(scaled))
    words = "Benjamini-Hochberg" if stepwise else "Holm"
    yield Fact("adjustment", "adjusted by", words, source=f"compare.adjustment {adjustment}")
    yield Fact("rank", "place by p-value, 1 the smallest", rank)
    yield Fact("deciding_rank", "place that decides", decides + 1, source=f"adjusted {adjusted[rank - 1]:.6g}")
    yield Fact("deciding_p_value", "p-value there", float(ordered[decides]))
    yield Fact(
        "deciding_factor", "times", float(factors[decides]), source="tests over place" if stepwise else "tests left"
    )


def _contribution_chapter(row: Row) -> Chapter:
    opened = row["opened"] or "the louder condition"
    parts: tuple[Part, ...] = (
        Fact("opened", "condition with the gap open", row["opened"], source="the list `applied` of the conditions"),
        Fact(
            "contribution_level_db",
            "contributed level",
            row["contribution_level_db"],
            "dB",
            f"power of {opened} less the other's",
        ),
        Fact("contribution_lower_db", "from", row["contribution_lower_db"], "dB"),
        Fact("contribution_upper_db", "to", row["contribution_upper_db"], "dB"),
        Fact("contribution_share", "share of the opened state's power", row["contribution_share"]),
        Fact("contribution_state", "state", row["contribution_state"], source="by the margin, as of a background"),
    )
    return Chapter("contribution", "Contribution", parts)


def _decisions_chapter(plan: Plan, row: Row) -> Chapter:
    rows = [
        {"decision": "finding", "found": row["finding"], "rule": finding_rule(plan, row["finding"], row["why_not"])},
        {"decision": "pairing", "found": row["pairing"], "rule": "which terms cancel follows from it"},
        {
            "decision": "doubtful",
            "found": "yes" if row["doubtful"] else "no",
            "rule": "a level in it is doubtful, or the order of runs: see below",
        },
        *({"decision": "doubt", "found": code, "rule": doubt_rule(code.partition(":")[0])} for code in row["doubt"]),
    ]
    if row["bracketed"] is not None:
        words = "every treatment run has reference runs before and after it"
        rows.append({"decision": "bracketed", "found": "yes" if row["bracketed"] else "no", "rule": words})
    if row["drift_effect_db"] is not None:
        found = f"{number(row['drift_effect_db'], 2, signed=True)} dB"
        rows.append(
            {
                "decision": "drift of the reference",
                "found": found,
                "rule": "what a steady drift would add; not subtracted",
            }
        )
    if row["common_part"] is not None:
        rows.append({"decision": "compared part", "found": "", "rule": row["common_part"]})
    return Chapter("decisions", "Decisions", (Listing("decisions", "", DECISION_HEADINGS, tuple(rows)),))


def finding_rule(plan: Plan, finding: str, why_not: str | None) -> str:
    """Why a difference has its finding, with the limits."""
    threshold = f"{plan.settings.compare.practical_threshold_db:g} dB (compare.practical_threshold_db)"
    limit = f"{1.0 - plan.settings.confidence:.4g}"
    shown_ = f"adjusted p-value up to {limit}, and the interval is not within ±{threshold}"
    rules = {
        "higher": shown_,
        "lower": shown_,
        "equivalent": f"the interval lies within ±{threshold}",
        "not shown": f"adjusted p-value above {limit}, and the interval is not within ±{threshold}",
        "bound": "one side is an upper bound: one end is known",
    }
    return rules.get(finding) or why_not or ""
