"""The job `verdicts`: judge a session's channels beside each other and take overrides into account."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Overrule, Plan
from tapeline.jobs.job import Job
from tapeline.jobs.spectra import quality_file


@dataclass(frozen=True)
class JudgedRun:
    """What the verdicts of a session need to know of one run; `order` counts the session's runs in order of time.

    `logged_mps` is the measured speed where the run table has one, else the set one; `gain_db` the run's own gain.
    """

    run: str
    kind: str
    condition: str | None
    speed_mps: float | None
    yaw_deg: float
    order: int
    logged_mps: float | None
    gain_db: float | None


@dataclass(frozen=True)
class VerdictsNeeds:
    """The final verdicts on one session's channels; `gains_db` are the fittings' gains, by position."""

    campaign: str
    session: str
    runs: tuple[JudgedRun, ...]
    areas: tuple[tuple[str, str], ...]
    gains_db: tuple[tuple[str, float], ...]
    odd_level_db: float
    silent_level_db: float
    area_level_db: float
    speed_level_db: float
    overrules: tuple[Overrule, ...]


def needs(plan: Plan, session: str) -> VerdictsNeeds:
    """The runs of a session beside each other, and the verdicts set by hand."""
    quality = plan.settings.quality
    names = plan.recordings_of(session)
    in_time = sorted(names, key=lambda name: (plan.used[name].recorded_at or "", name))
    runs = tuple(_judged(plan, name, in_time.index(name)) for name in names)
    fitted = sorted({fitting.position for fitting in plan.campaign.fittings_of(session)})
    areas = ((name, plan.campaign.positions[name].area or "") for name in fitted)
    return VerdictsNeeds(
        campaign=plan.settings.campaign,
        session=session,
        runs=runs,
        areas=tuple((name, area) for name, area in areas if area),
        gains_db=_fitted_gains(plan, session),
        odd_level_db=quality.odd_level_db,
        silent_level_db=quality.silent_level_db,
        area_level_db=quality.area_level_db,
        speed_level_db=quality.speed_level_db,
        overrules=plan.overrules(names),
    )


def _judged(plan: Plan, name: str, order: int) -> JudgedRun:
    used = plan.used[name]
    speed, yaw = plan.campaign.operating_points.get(name, (used.speed_mps, used.yaw_deg))
    logged = speed if used.measured_speed_mps is None else used.measured_speed_mps
    return JudgedRun(name, used.kind, used.condition, speed, yaw, order, logged, used.gain_db)


def _fitted_gains(plan: Plan, session: str) -> tuple[tuple[str, float], ...]:
    """Gains of a session's fittings whose samples are volts: those in pascal are not divided by a gain."""
    rows = plan.channels(session, charts=False)
    return tuple(sorted((row.position, row.gain_db) for row in rows if row.unit == "V"))


def verdicts_file(results: Path, session: str) -> Path:
    """Final verdicts on the channels of a session's runs."""
    return results / "verdicts" / f"{session}.parquet"


JOB = Job(
    name="verdicts",
    per="measured session",
    does="judge a session's channels beside each other and take overrides into account",
    version=4,
    needs=needs,
    inputs=lambda plan, session: [quality_file(plan.results, run) for run in plan.recordings_of(session)],
    outputs=lambda plan, session: [verdicts_file(plan.results, session)],
)
