"""The job `calibrate`: find and measure the calibrator tones of a session."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Channel, Plan, Source, picked
from tapeline.campaign.tables import Run
from tapeline.jobs.job import Job


@dataclass(frozen=True)
class CalibratorCheck:
    """One calibrator recording and the calibrator used in it."""

    source: Source
    stage: str
    positions: tuple[str, ...]
    calibrator: str
    closed_coupler: bool
    level_db: float
    frequency_hz: float
    level_uncertainty_db: float | None
    adapter_correction_db: float
    adapter_uncertainty_db: float | None
    static_pressure_hpa: float | None


@dataclass(frozen=True)
class CalibrateLimits:
    """The settings of the section `calibration` that the measuring of tones depends on."""

    shortest_steady_s: float
    steady_within_db: float
    frequency_within_pct: float
    least_tone_to_noise_db: float
    unsteadiness_limit_db: float
    distortion_limit_pct: float
    application_spread_limit_db: float
    background_tone_limit_db: float
    level_off_db: float
    leak_low_db: float
    leak_unsteadiness_db: float
    static_pressure_missing_db: float
    static_pressure_uncertainty_hpa: float
    calibrator_uncertainty_db: float
    adapter_uncertainty_db: float
    chart_reach_uncertainty_db: float


@dataclass(frozen=True)
class CalibrateNeeds:
    """The calibrator recordings of one session.

    `calibrators` are those that used runs of the campaign name, with their frequencies. Their levels are re 20 uPa
    (IEC 60942), whatever the reference pressure of the campaign's own levels is.
    """

    campaign: str
    session: str
    checks: tuple[CalibratorCheck, ...]
    channels: tuple[Channel, ...]
    calibrators: tuple[tuple[str, float], ...]
    limits: CalibrateLimits


def needs(plan: Plan, session: str) -> CalibrateNeeds:
    """The calibrator recordings of a session and what they are measured with."""
    return CalibrateNeeds(
        campaign=plan.settings.campaign,
        session=session,
        checks=tuple(_check(plan, run) for run in plan.checks_of(session)),
        channels=plan.channels(session, charts=True),
        calibrators=_calibrators(plan),
        limits=picked(CalibrateLimits, plan.settings.calibration),
    )


def _check(plan: Plan, run: Run) -> CalibratorCheck:
    used = plan.campaign.calibrators[run.calibrator or ""]
    return CalibratorCheck(
        source=plan.source(run),
        stage=run.stage or "before",
        positions=run.positions,
        calibrator=used.calibrator,
        closed_coupler=used.kind == "closed-coupler",
        level_db=used.level_db,
        frequency_hz=used.frequency_hz,
        level_uncertainty_db=used.level_uncertainty_db,
        adapter_correction_db=used.adapter_correction_db,
        adapter_uncertainty_db=used.adapter_uncertainty_db,
        static_pressure_hpa=run.static_pressure_hpa,
    )


def _calibrators(plan: Plan) -> tuple[tuple[str, float], ...]:
    """The calibrators that used runs name, with their frequencies: a row that no run names changes no result."""
    named = {run.calibrator for run in plan.used.values() if run.kind == "calibration"}
    rows = (row for row in plan.campaign.calibrators.values() if row.calibrator in named)
    return tuple(sorted((row.calibrator, row.frequency_hz) for row in rows))


def checks_file(results: Path, session: str) -> Path:
    """What was found in a session's calibrator recordings."""
    return results / "calibration" / "checks" / f"{session}.parquet"


def _sources(plan: Plan, session: str) -> tuple[str, ...]:
    """Files of a session's calibrator recordings that are there and may be read."""
    return tuple(path for run in plan.checks_of(session) for path in plan.source_files(run.run))


JOB = Job(
    name="calibrate",
    per="session",
    does="find and measure the calibrator tones of a session",
    version=9,
    needs=needs,
    outputs=lambda plan, session: [checks_file(plan.results, session)],
    sources=_sources,
)
