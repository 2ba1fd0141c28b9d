"""Chapters after the background: operating point, sensor size, uncertainty, and the decisions on a level."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from tapeline.campaign.plan import Plan
from tapeline.explain.explanation import Chapter, Fact, Heading, Listing, Part
from tapeline.explain.measured_level import LevelRow, MeasuredLevel
from tapeline.explain.signal_path import SignalPath
from tapeline.jobs.levels.run_conditions import achieved_speed_mps, density_kgm3
from tapeline.jobs.tables.level_uncertainty import reach_of_other_terms
from tapeline.quality.reasons import REASONS
from tapeline.quality.use_of_levels import doubts_level
from tapeline.report.attention_range import SAID
from tapeline.report.wording import speed
from tapeline.statistics.uncertainty_terms import CALIBRATION, LEVEL_TERMS, part_of_calibration
from tapeline.store.tables import BANDS

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow, QualityRow

USES = {
    column.name: column.description for column in BANDS.columns if column.name in ("usable", "comparable", "pooled")
}


def operating_point_chapter(level: MeasuredLevel, row: LevelRow) -> Chapter:
    """Speed and air of the run and what brings its level to the nominal point."""
    plan, achieved = level.plan, level.session_run.achieved
    point, run = plan.settings.operating_point, plan.used[level.run]
    if not achieved.nominal_mps or row["nominal_correction_db"] is None:
        return Chapter("operating_point", "Speed and air", ("The run has no flow: no nominal level.",))
    where, unit = f"{plan.settings.tables.runs}:{run.line}", plan.settings.report.speed_unit
    speed_mps = achieved_speed_mps(achieved, achieved.nominal_mps)
    from_what = "measured_speed_mps" if achieved.speed_mps is not None else "dynamic_pressure_pa"
    if achieved.speed_mps is None and achieved.dynamic_pressure_pa is None:
        from_what = "none measured: the nominal speed"
    missing = "not stated: the standard's"
    air = (
        ("temperature_c", "air temperature", achieved.temperature_c, "°C"),
        ("static_pressure_hpa", "air pressure", achieved.static_pressure_hpa, "hPa"),
        ("humidity_pct", "relative humidity", achieved.humidity_pct, "%"),
    )
    formula = (
        "-10 n lg(U / U_nominal) - 20 lg(rho / rho_reference)"
        if point.held == "speed"
        else "-5 n lg(q / q_nominal), q the dynamic pressure"
    )
    parts: list[Part] = [
        Fact("nominal_mps", "nominal speed", achieved.nominal_mps, "m/s", speed(achieved.nominal_mps, unit)),
        Fact("achieved_mps", "achieved speed", speed_mps, "m/s", f"{from_what} ({where})"),
        *(Fact(key, words, value, unit_, where if value is not None else missing) for key, words, value, unit_ in air),
        Fact("density_kgm3", "density of the air", density_kgm3(achieved), "kg/m^3", "CIPM-2007"),
        Fact("reference_density_kgm3", "reference density", point.reference_density_kgm3, "kg/m^3", "operating_point"),
        Fact("speed_exponent", "exponent n of power on speed", point.speed_exponent, source="operating_point"),
        Fact("held", "held in the facility", point.held, source="operating_point.held"),
        Fact("nominal_correction_db", "added to the level", row["nominal_correction_db"], "dB", formula),
        Fact("nominal_level_db", "nominal level", row["nominal_level_db"], "dB"),
    ]
    return Chapter("operating_point", "Speed and air", tuple(parts))


def size_chapter(level: MeasuredLevel, path: SignalPath, row: LevelRow) -> Chapter | None:
    """What the sensor's size may have taken off; None where it plays no part."""
    if row["size_correction_db"] is None:
        return None
    diameter = path.sensor.diameter_mm if path.sensor else None
    sensors = f"{level.plan.settings.tables.sensors}:{path.sensor.line}" if path.sensor else ""
    parts: tuple[Part, ...] = (
        Fact("diameter_mm", "diameter of the sensor", diameter, "mm", sensors),
        *(
            [Fact("convection_speed_mps", "convection speed", row["convection_speed_mps"], "m/s")]
            if row.get("convection_speed_mps") is not None
            else []
        ),
        Fact(
            "size_correction_db",
            "attenuation by size, estimated",
            row["size_correction_db"],
            "dB",
            "Corcos; docs/methods.md",
        ),
        Fact("size_corrected_level_db", "level with it", row["size_corrected_level_db"], "dB"),
        "It is in none of the levels above; its possible size is a term of the uncertainty.",
    )
    return Chapter("size", "Sensor size", parts)


TERM_HEADINGS = (
    Heading("term", "term"),
    Heading("standard_uncertainty_db", "uncertainty", "dB"),
    Heading("degrees_of_freedom", "degrees of freedom"),
    Heading("shared_by", "shared by"),
    Heading("averages", "averages"),
    Heading("evidence", "evidence"),
)

MADE_FROM = {
    "random": "averages of the run",
    "background": "its averages and scatter",
    "calibration": "see below",
    "response": "uncertainty.response_db, no_chart_db",
    "environment": "air since the check, section uncertainty",
    "mounting": "uncertainty.mounting_db",
    "size": "section sensor_size",
    "speed": "uncertainty.speed_pct",
    "steadiness": "level against time",
}
"""What each term of a level is made from, by its column."""

PART_HEADINGS = (
    Heading("term", "term"),
    Heading("standard_uncertainty_db", "uncertainty", "dB"),
    Heading("evidence", "evidence"),
)


def uncertainty_chapter(level: MeasuredLevel, path: SignalPath, row: LevelRow) -> Chapter:
    """Each term with what shares it, its degrees of freedom and evidence, and how they make the interval."""
    if row["standard_uncertainty_db"] is None:
        return Chapter(
            "uncertainty", "Uncertainty", ("A bound holds its own uncertainty; terms are given for levels.",)
        )
    stated, found = level.plan.settings.uncertainty.stated_settings, level.terms
    of_check = dict(zip(path.calibration["terms"], path.calibration["terms_evidence"], strict=True))
    rows: list[dict[str, object]] = []
    for k, term in enumerate(LEVEL_TERMS):
        evidence: str = term.evidence_where(stated)
        if term is CALIBRATION:
            evidence = ", ".join(dict.fromkeys(of_check.values()))
        if term.column in MADE_FROM:
            evidence = f"{evidence}: {MADE_FROM[term.column]}"
        degrees = level.at(found.degrees_of_freedom[k])
        rows.append(
            {
                "term": term.name,
                "standard_uncertainty_db": level.at(found.uncertainty_db[k]),
                "degrees_of_freedom": degrees if math.isfinite(degrees) else None,
                "shared_by": term.shared_by,
                "averages": term.averages,
                "evidence": evidence,
            }
        )
    factor, reach = reach_of_other_terms(found, level.job.needs.confidence)
    parts: list[Part] = [
        Listing(
            "terms",
            "Averages: whether repeats lessen it; a dash stands for infinite degrees of freedom",
            TERM_HEADINGS,
            tuple(rows),
        ),
        Listing(
            "calibration_terms", "The term calibration is made of", PART_HEADINGS, _calibration_rows(path.calibration)
        ),
        Fact(
            "standard_uncertainty_db",
            "standard uncertainty",
            row["standard_uncertainty_db"],
            "dB",
            "root of the sum of squares",
        ),
        Fact(
            "degrees_of_freedom",
            "degrees of freedom",
            row["degrees_of_freedom"],
            source="Welch-Satterthwaite",
        ),
        Fact("confidence", "confidence", level.job.needs.confidence, source="confidence"),
        Fact("other_terms_db", "all but random error and background", level.at(reach), "dB"),
        Fact("coverage_factor", "their factor by Student's t", level.at(factor)),
        Fact("absolute_lower_db", "interval of the absolute level, from", row["absolute_lower_db"], "dB"),
        Fact("absolute_upper_db", "to", row["absolute_upper_db"], "dB"),
        "Each end lies sqrt(a^2 + b^2) from the level: a to the interval by run and background (chapter background), b "
        "the other terms times their factor.",
    ]
    return Chapter("uncertainty", "Uncertainty of the level as an absolute one", tuple(parts))


def _calibration_rows(found: CalibrationRow) -> tuple[dict[str, object], ...]:
    cells = zip(found["terms"], np.asarray(found["terms_db"]), found["terms_evidence"], strict=True)
    return tuple(
        {"term": part_of_calibration(name), "standard_uncertainty_db": float(db), "evidence": evidence}
        for name, db, evidence in cells
    )


DECISION_HEADINGS = (Heading("decision", "decision"), Heading("found", "found"), Heading("rule", "rule"))


def decisions_chapter(plan: Plan, quality: QualityRow, calibration: CalibrationRow, row: LevelRow | None) -> Chapter:
    """Each verdict, use, mark and doubt with the rule behind it."""
    rows = [
        _decision("channel in this run", quality["verdict"], _verdict_rule(plan, quality)),
        *_reason_rows("reason of the channel", quality["reasons"], quality["sentences"]),
        _decision("calibration", calibration["verdict"], _calibration_rule(calibration)),
        *_reason_rows("reason of the calibration", calibration["reasons"], calibration["sentences"]),
    ]
    if row is not None:
        rows += [_decision(name, "yes" if row[name] else "no", rule) for name, rule in USES.items()]
        rows += [_decision("mark", mark, _mark_rule(mark)) for mark in row["marks"]]
        rows += [_decision("doubt", code, doubt_rule(code)) for code in row["doubt"]]
    return Chapter("decisions", "Decisions", (Listing("decisions", "", DECISION_HEADINGS, tuple(rows)),))


def _decision(decision: str, found: str, rule: str) -> dict[str, object]:
    return {"decision": decision, "found": found, "rule": rule}


def _verdict_rule(plan: Plan, quality: QualityRow) -> str:
    if quality["overruled_by"]:
        before = f"found: {quality['found_verdict']}" if quality["found_verdict"] else "found otherwise"
        why = quality["override_reason"] or "no reason given"
        return f"set by hand by {quality['overruled_by']}: {why} ({plan.settings.tables.overrides}; {before})"
    return "worst of the reasons of the channel" if quality["reasons"] else "nothing found; limits: section quality"


def _calibration_rule(calibration: CalibrationRow) -> str:
    found = len(calibration["reasons"]) > 0
    return "worst of the reasons of the sensitivity" if found else "nothing found; limits: section calibration"


def _reason_rows(decision: str, codes: Iterable[str], sentences: Iterable[str]) -> list[dict[str, object]]:
    said = list(sentences)
    codes = list(codes)
    rows = [_decision(decision, code, doubt_rule(code)) for code in codes]
    return rows + [_decision("", "", sentence) for sentence in said]


def _mark_rule(mark: str) -> str:
    if mark in SAID:
        what, why, action = SAID[mark]
        return f"{what}: {why}; {action}"
    return "see docs/tables.md, column marks"


OF_DIFFERENCES = {
    "less-background-taken-off": "less background was subtracted from this side, and it matters: it is taken for an "
    "upper bound; record its background",
    "reference-drift": "a steady drift of the reference would fake as much; put reference runs on both sides",
    "not-returned": "the condition measured on both sides of the other did not come back; repeat it",
    "sensor-size": "this side's level is more uncertain by the size of its sensor; fit sensors of one size",
}
"""Doubts that differences alone have: what they mean and what to do."""


def doubt_rule(code: str) -> str:
    """What a reason code or mark of the background means for a level, and what to do."""
    if code in OF_DIFFERENCES:
        return OF_DIFFERENCES[code]
    if code in REASONS:
        reason = REASONS[code]
        weight = "a note" if reason.verdict == "good" else f"makes it {reason.verdict}"
        weight = "doubts the level itself" if doubts_level([code]) else weight
        return f"{reason.meaning} ({weight}); {reason.action}"
    return _mark_rule(code)
