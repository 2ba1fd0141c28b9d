"""The job `repeat`: hold repeats and sessions against each other."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Repeatability
from tapeline.campaign.tables import Run
from tapeline.jobs.job import Job
from tapeline.jobs.table_files import campaign_tables, session_levels


@dataclass(frozen=True)
class RepeatRun:
    """One measured run whose repeats are held against each other."""

    run: str
    session: str
    condition: str
    speed_mps: float
    yaw_deg: float


@dataclass(frozen=True)
class RepeatNeeds:
    """Repeatability of the campaign. `runs` stand in order of time, all of one session together."""

    campaign: str
    runs: tuple[RepeatRun, ...]
    mounts: tuple[tuple[str, str, str | None], ...]
    reference_condition: str
    references: tuple[str, ...]
    repeats_pooled: bool
    window: Literal["hann", "flattop", "rectangular"]
    overlap: float
    confidence: float
    repeatability: Repeatability


def needs(plan: Plan, key: str = "") -> RepeatNeeds:
    """Measured runs in order of time, and how their repeats are held against each other."""
    settings = plan.settings
    measured = [used for used in plan.used.values() if used.kind == "measurement"]
    first = {session: min(_moment(run) for run in measured if run.session == session)
             for session in {run.session for run in measured}}  # fmt: skip
    in_time = sorted(measured, key=lambda run: (first[run.session], run.session, _moment(run)))
    return RepeatNeeds(
        campaign=settings.campaign,
        runs=tuple(
            RepeatRun(run.run, run.session, run.condition or "", *plan.campaign.operating_points[run.run])
            for run in in_time
        ),
        mounts=plan.mounts(),
        reference_condition=settings.reference_condition,
        references=settings.background.references,
        repeats_pooled=settings.compare.repeats_pooled,
        window=settings.spectra.window,
        overlap=settings.spectra.overlap,
        confidence=settings.confidence,
        repeatability=settings.repeatability,
    )


def _moment(run: Run) -> tuple[bool, float, str]:
    """Sorts runs by when they were recorded; those that do not say it after the others, by name."""
    at = datetime.datetime.fromisoformat(run.recorded_at) if run.recorded_at else None
    # Local times without an offset are read as one common zone: only their order counts.
    when = at.replace(tzinfo=at.tzinfo or datetime.UTC).timestamp() if at else 0.0
    return at is None, when, run.run


JOB = Job(
    name="repeat",
    per="campaign",
    does="hold repeats and sessions against each other",
    version=5,
    needs=needs,
    inputs=lambda plan, key: session_levels(plan),
    outputs=campaign_tables("repeatability", "control_values", "repeat_tests"),
)
