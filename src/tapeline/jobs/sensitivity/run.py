"""Job `sensitivity`: decide which checks count and the sensitivity of every channel of a session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from tapeline.calibration.all_together import exchanged_sensors, median_of
from tapeline.calibration.data_sheet import DataSheet, DataSheetError, read_data_sheet
from tapeline.calibration.decision import Decision, InCommon, Limits, choose_sensitivity, decide
from tapeline.calibration.evidence import (
    Check,
    Evidence,
    Policy,
    Stage,
    Summary,
    level_mean,
    linearity_of,
    summary_of,
)
from tapeline.calibration.sensor_certificate import SensorCertificate, certificate_doubts, chart_age_days
from tapeline.campaign.plan import Channel, Plan, picked
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.cell_values import given
from tapeline.jobs.sensitivity import (
    JOB,
    Papers,
    SensitivityNeeds,
    calibration_file,
    data_sheet_files,
    judged_checks_file,
)
from tapeline.jobs.sensitivity import needs as needs_of
from tapeline.jobs.sensitivity.judged_checks import (
    COUNTED,
    REFUSED,
    JudgedChecks,
    is_fit,
    is_measured,
    judged_checks,
    note_ranges,
    refusing_codes,
)
from tapeline.jobs.sources import watching
from tapeline.jobs.term_columns import term_columns, terms_of
from tapeline.limits import INFINITE_DOF
from tapeline.quality.reasons import FILE_FAULTS, worst
from tapeline.statistics.combined_uncertainty import Term
from tapeline.statistics.uncertainty_terms import CHART
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow, ChecksRow


def run(plan: Plan, session: str) -> None:
    """Write the session's calibration table, and its checks with what was decided on them."""
    needs = needs_of(plan, session)
    results = plan.results
    judged = judged_session(needs, parquet.read_rows(tables.CHECKS, checks_file(results, session)))
    path = calibration_file(results, session)
    with watching(path, plan.campaign.root, data_sheet_files(plan, session)):
        papers = {item.sensor: read_papers(plan.campaign.root, item) for item in needs.papers}
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan, session)}
    rows = session_rows(needs, judged, papers)
    parquet.write_rows(tables.CALIBRATION, path, rows, **stamp)
    decided = decided_checks(judged.rows, rows)
    parquet.write_rows(tables.CHECKS, judged_checks_file(results, session), decided, **stamp)


def judged_session(needs: SensitivityNeeds, checks: Sequence[ChecksRow]) -> JudgedChecks:
    """The session's checks with what is decided on them, and notes on the range that their tones use."""
    judged = judged_checks(checks, needs.channels, needs.overrules)
    limits = needs.calibration
    note_ranges(judged.rows, limits.least_below_full_scale_db, limits.most_below_full_scale_db)
    return judged


def sensitivities(
    checks: Sequence[ChecksRow], channels: Sequence[Channel], policy: Policy, chart_uncertainty_db: float
) -> dict[str, float]:
    """The sensitivity of every position that has one, from a session's judged checks: what `pressure` uses."""
    found: dict[str, float] = {}
    for channel in channels:
        value = 1.0
        if channel.unit == "V":
            chosen, _ = choose_sensitivity(evidence_of(channel, checks, chart_uncertainty_db), policy)
            if chosen is None:
                continue
            value = chosen
        found[channel.position] = value
    return found


def why_without(checks: Sequence[ChecksRow], channel: Channel, chart_uncertainty_db: float) -> tuple[str, str]:
    """Why a channel has no sensitivity: a reason code and its words."""
    if evidence_of(channel, checks, chart_uncertainty_db).contradicted:
        return "contradicted", f"the checks of sensor {channel.sensor} contradict the sensor table"
    return "no-sensitivity", f"sensor {channel.sensor} has neither a usable check nor a stated sensitivity"


def evidence_of(
    channel: Channel,
    checks: Sequence[ChecksRow],
    chart_uncertainty_db: float,
    alternatives_db: tuple[float, ...] = (),
) -> Evidence:
    """What the judged checks and the sensor table say of one channel."""
    own = [row for row in checks if row["position"] == channel.position]
    fit = [row for row in own if is_fit(row)]
    refused = {
        stage: tuple(_unfit_codes([row for row in own if row["stage"] == stage])) for stage in ("before", "after")
    }
    stated = channel.sensitivity_uncertainty_db
    return Evidence(
        checks=tuple(
            Check(
                stage=cast(Stage, row["stage"]),
                sensitivity_v_per_pa=given(row["sensitivity_v_per_pa"]),
                terms=terms_of(row),
                doubts=_doubts_of_fit(row),
                run=row["run"],
                calibrator=row["calibrator"],
                level_db=row["level_db"],
            )
            for row in fit
        ),
        chart_v_per_pa=channel.sensitivity_v_per_pa,
        chart_term=Term(CHART.name, chart_uncertainty_db, "default")
        if stated is None
        else Term(CHART.name, stated, "certificate"),
        refused=refused,
        alternatives_db=alternatives_db,
    )


def _doubts_of_fit(row: ChecksRow) -> dict[str, str]:
    """What doubts a check that counts; where somebody lets it count, nothing but that."""
    every = dict(zip(row["reasons"], row["sentences"], strict=True))
    return {COUNTED: every[COUNTED]} if COUNTED in every else every


def _unfit_codes(rows: Sequence[ChecksRow]) -> list[str]:
    return list(dict.fromkeys(code for row in rows if not is_fit(row) for code in refusing_codes(row)))


def read_papers(root: Path, item: Papers) -> SensorCertificate:
    """A sensor's papers with its data sheet decoded; what cannot be read is said, not raised."""
    sheet: DataSheet | None = None
    fault = None
    if item.data_sheet is not None:
        try:
            sheet = read_data_sheet(root / item.data_sheet)
        except (DataSheetError, OSError) as error:
            fault = f"{item.data_sheet}: {error.strerror if isinstance(error, OSError) else error}"
    return SensorCertificate(
        sensor=item.sensor,
        serial=item.serial,
        calibrated_on=item.calibrated_on,
        has_chart=item.has_chart,
        chart_serial=item.chart_serial,
        response_kind=item.response_kind,
        data_sheet=sheet,
        data_sheet_fault=fault,
    )


def session_rows(
    needs: SensitivityNeeds, judged: JudgedChecks, papers: Mapping[str, SensorCertificate]
) -> list[CalibrationRow]:
    """Rows of the calibration table: each channel on its own and beside all others of the session."""
    limits, checks = needs.calibration, judged.rows
    volts = [c for c in needs.channels if c.unit == "V"]
    evidence = {
        c.position: evidence_of(c, checks, limits.chart_uncertainty_db, judged.alternatives_db.get(c.position, ()))
        for c in volts
    }
    known = {position: summary_of(item) for position, item in evidence.items()}
    common = InCommon(
        median_of([item.deviation_db for item in known.values()]), median_of([item.drift_db for item in known.values()])
    )
    measured = _measured(checks)
    charts = {c.position: c.sensitivity_v_per_pa for c in volts if c.sensitivity_v_per_pa}
    partners = exchanged_sensors(measured, charts, limits.deviation_limit_db)
    rows: list[CalibrationRow] = []
    for channel in needs.channels:
        row: CalibrationRow = {
            "session": needs.session,
            "position": channel.position,
            "sensor": channel.sensor,
            "channel": channel.channel,
            "mount": channel.mount,
        }
        if channel.unit != "V":
            words = "the recording is in pascal"
            row |= {"source": "pascal", "why": words, "verdict": "good", "standard_uncertainty_db": 0.0}
            rows.append(row | {"reasons": [], "sentences": []} | term_columns(()))
            continue
        item = evidence[channel.position]
        decision = decide(
            item,
            limits.sensitivity,
            picked(Limits, limits),
            common,
        )
        own = papers.get(channel.sensor or "")
        doubts = _all_doubts(needs, channel, judged, decision, own, partners.get(channel.position))
        row |= _decision_columns(known[channel.position], decision, common) | _paper_columns(needs, own)
        row |= _linearity_columns(item) | _use_columns(channel, checks, decision.source)
        row |= {
            "chart_v_per_pa": channel.sensitivity_v_per_pa,
            "verdict": worst([code for code in doubts if code not in FILE_FAULTS]),
            "reasons": list(doubts),
            "sentences": list(doubts.values()),
        }
        rows.append(row)
    return rows


def _measured(checks: Sequence[ChecksRow]) -> dict[str, float]:
    """What the checks of each position give, also those that contradict the sensor table."""
    found: dict[str, list[float]] = {}
    for row in checks:
        if is_measured(row):
            found.setdefault(row["position"], []).append(given(row["sensitivity_v_per_pa"]))
    return {position: mean for position, values in found.items() if (mean := level_mean(values)) is not None}


def _all_doubts(
    needs: SensitivityNeeds,
    channel: Channel,
    judged: JudgedChecks,
    decision: Decision,
    papers: SensorCertificate | None,
    partner: str | None,
) -> dict[str, str]:
    """Reasons with their sentences: of refused checks, of the decision, of sensors exchanged, of the papers."""
    where = f"position {channel.position}"
    doubts: dict[str, str] = {}
    for row in judged.rows:
        if row["position"] == channel.position and not is_fit(row):
            doubts |= dict(zip(row["reasons"], row["sentences"], strict=True))
    doubts |= judged.doubts.get(channel.position, {})
    for code, words in decision.doubts.items():
        doubts.setdefault(code, words if words.startswith(("position ", "run ")) else f"{where}: {words}")
    if partner is not None:
        doubts["charts-exchanged"] = (
            f"{where}: its sensor fits the chart of the one at {partner} and the other way round: they are likely "
            "exchanged"
        )
        if not judged.heard_as_listed(channel.position, partner):
            words = f"no list shows that {partner} and it were heard in place: their positions may be exchanged"
            doubts.setdefault("positions-exchanged", f"{where}: {words}")
    if papers is not None:
        found = certificate_doubts(papers, needs.measured_on, needs.calibration.chart_age_limit_days)
        doubts |= {code: f"{where}: {words}" for code, words in found.items()}
    return doubts


def _decision_columns(known: Summary, decision: Decision, common: InCommon) -> CalibrationRow:
    dof = decision.degrees_of_freedom
    return {
        "sensitivity_v_per_pa": decision.sensitivity_v_per_pa,
        "source": decision.source,
        "why": decision.why,
        "before_v_per_pa": known.before_v_per_pa,
        "after_v_per_pa": known.after_v_per_pa,
        "deviation_db": known.deviation_db,
        "drift_db": known.drift_db,
        "session_deviation_db": common.deviation_db,
        "session_drift_db": common.drift_db,
        "standard_uncertainty_db": decision.standard_uncertainty_db,
        "degrees_of_freedom": dof if dof is not None and dof < INFINITE_DOF else None,
        **term_columns(decision.terms),
    }


def _linearity_columns(evidence: Evidence) -> CalibrationRow:
    found = linearity_of(evidence.checks)
    return {} if found is None else {"linearity_db": found.difference_db, "linearity_step_db": found.step_db}


def _use_columns(channel: Channel, checks: Sequence[ChecksRow], source: str) -> CalibrationRow:
    """The runs whose checks are in the sensitivity used, and those whose checks are refused, with why and by whom."""
    own = [row for row in checks if row["position"] == channel.position]
    return {
        "used_checks": [row["run"] for row in own if is_fit(row) and source in ("mean", row["stage"])],
        "refused_checks": [
            f"{row['run']}: {', '.join(row['reasons'])}{_by_whom(row)}" for row in own if not is_fit(row)
        ],
    }


def _by_whom(row: ChecksRow) -> str:
    return f" (by {row['decided_by']})" if REFUSED in row["reasons"] else ""


def decided_checks(checks: Sequence[ChecksRow], calibration: Sequence[CalibrationRow]) -> list[ChecksRow]:
    """Rows of the checks table that say whether each check is in the sensitivity used."""
    used = {(run, row["position"]) for row in calibration for run in row.get("used_checks") or ()}
    return [{**row, "used": (row["run"], row["position"]) in used} for row in checks]


def _paper_columns(needs: SensitivityNeeds, papers: SensorCertificate | None) -> CalibrationRow:
    if papers is None:
        return {}
    sheet = papers.data_sheet
    return {
        "serial": papers.serial,
        "chart_serial": papers.chart_serial,
        "data_sheet_serial": sheet.serial if sheet else None,
        "calibrated_on": papers.calibrated_on,
        "data_sheet_calibrated_on": sheet.calibrated_on.isoformat() if sheet and sheet.calibrated_on else None,
        "chart_age_days": chart_age_days(papers.calibrated_on, needs.measured_on),
        "response_kind": papers.response_kind if papers.has_chart else None,
    }
