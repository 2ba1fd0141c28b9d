"""The job `tables`: subtract backgrounds and write a session's tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.backgrounds import Backgrounds
from tapeline.campaign.plan import Achieved, Filters, Plan
from tapeline.campaign.settings import Background, Bands, Lines, OperatingPoint, Overall, SensorSize, Uncertainty
from tapeline.jobs import spectra
from tapeline.jobs.job import Job
from tapeline.jobs.sensitivity import calibration_file
from tapeline.jobs.table_files import session_table
from tapeline.jobs.verdicts import verdicts_file

TABLES = ("narrowband", "bands", "overall", "history")
"""The tables that every session gets, beside those on request."""


@dataclass(frozen=True)
class CheckAir:
    """Mean temperature and pressure at a session's calibrator checks, None where none is stated."""

    temperature_c: float | None
    static_pressure_hpa: float | None


@dataclass(frozen=True)
class SessionRun:
    """One run of a session, what is subtracted from it, and the state of the flow.

    Measurements of one `condition` and operating `point` (m/s, degrees) are repeats.
    `left_out` holds ranges of frequencies that get no level: position (empty: all), lower and upper end in Hz.
    """

    run: str
    kind: str
    condition: str | None
    point: tuple[float, float] | None
    backgrounds: Backgrounds
    achieved: Achieved
    left_out: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class SensorLine:
    """One line of sensors: its positions, downstream, and their coordinates (m), None where one is not given."""

    line: str
    positions: tuple[str, ...]
    places_m: tuple[tuple[float, float, float], ...] | None


@dataclass(frozen=True)
class TablesNeeds:
    """One session's tables. `sessions` are those of its runs and backgrounds, whose verdicts count.

    `diameters_mm` are of the sensors under attached flow, by position.
    """

    campaign: str
    session: str
    runs: tuple[SessionRun, ...]
    backgrounds: tuple[str, ...]
    sessions: tuple[str, ...]
    on_request: tuple[str, ...]
    window: Literal["hann", "flattop", "rectangular"]
    range_hz: tuple[float, float]
    filters: Filters
    bands: Bands
    overall: tuple[Overall, ...]
    background: Background
    uncertainty: Uncertainty
    sensor_size: SensorSize
    diameters_mm: tuple[tuple[str, float], ...]
    line_settings: Lines
    lines: tuple[SensorLine, ...]
    operating_point: OperatingPoint
    check_air: CheckAir
    spikes_left_out: bool
    confidence: float
    reference_pressure_pa: float


def needs(plan: Plan, session: str) -> TablesNeeds:
    """The runs of a session with what is subtracted from each, and how levels are put together."""
    names = plan.recordings_of(session)
    return TablesNeeds(
        campaign=plan.settings.campaign,
        session=session,
        runs=tuple(_session_run(plan, name) for name in names),
        backgrounds=tuple(n for n in plan.recordings_for_tables(session) if n not in names),
        sessions=plan.sessions_for_tables(session),
        on_request=plan.on_request,
        window=plan.settings.spectra.window,
        range_hz=plan.settings.spectra.range_hz,
        filters=plan.filters(session),
        bands=plan.settings.bands,
        overall=plan.settings.overall,
        background=plan.settings.background,
        uncertainty=plan.settings.uncertainty,
        sensor_size=plan.settings.sensor_size,
        diameters_mm=plan.diameters_mm(session),
        line_settings=plan.settings.lines,
        lines=tuple(_line(plan, line, names) for line, names in plan.lines(session)),
        operating_point=plan.settings.operating_point,
        check_air=_check_air(plan, session),
        spikes_left_out=plan.settings.spectra.leave_out_spikes,
        confidence=plan.settings.confidence,
        reference_pressure_pa=plan.settings.reference_pressure_pa,
    )


def _line(plan: Plan, line: str, names: tuple[str, ...]) -> SensorLine:
    rows = [plan.campaign.positions[name] for name in names]
    places = tuple(
        (row.x_m, row.y_m, row.z_m)
        for row in rows
        if row.x_m is not None and row.y_m is not None and row.z_m is not None
    )
    return SensorLine(line, names, places if len(places) == len(names) else None)


def _session_run(plan: Plan, name: str) -> SessionRun:
    run, point = plan.used[name], plan.campaign.operating_points.get(name)
    left_out = _ranges_left_out(plan, name)
    return SessionRun(name, run.kind, run.condition, point, plan.backgrounds[name], plan.achieved(run), left_out)


def _check_air(plan: Plan, session: str) -> CheckAir:
    def mean(values: Iterable[float | None]) -> float | None:
        known = [value for value in values if value is not None]
        return sum(known) / len(known) if known else None

    checks = plan.checks_of(session)
    return CheckAir(mean(run.temperature_c for run in checks), mean(run.static_pressure_hpa for run in checks))


def _ranges_left_out(plan: Plan, run: str) -> tuple[tuple[str, float, float], ...]:
    """Ranges of frequencies left out of a run or of what is subtracted from it: position (or ""), ends in Hz."""
    found = {
        (row.position or "", *row.range_hz)
        for name in (run, *plan.backgrounds[run].runs)
        for row in plan.left_out(name)
        if row.range_hz is not None
    }
    return tuple(sorted(found))


def _inputs(plan: Plan, session: str) -> Sequence[Path]:
    results = plan.results
    averaged = [path for run in plan.recordings_for_tables(session) for path in spectra.JOB.outputs(plan, run)]
    judged = [verdicts_file(results, name) for name in plan.sessions_for_tables(session)]
    return [*averaged, *judged, calibration_file(results, session)]


def _outputs(plan: Plan, session: str) -> Sequence[Path]:
    return [session_table(plan.results, name, session) for name in (*TABLES, *plan.on_request)]


JOB = Job(
    name="tables",
    per="measured session",
    does="subtract backgrounds and write a session's tables",
    version=14,
    needs=needs,
    inputs=_inputs,
    outputs=_outputs,
)
