"""The job `compare`: compare conditions and rank what to work on."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.operating_points import named_points
from tapeline.campaign.plan import Achieved, Plan
from tapeline.campaign.settings import Background, Compare, Comparison, OperatingPoint, Ranking
from tapeline.campaign.tables import Run
from tapeline.jobs.job import Job
from tapeline.jobs.table_files import campaign_table, campaign_tables, session_levels


@dataclass(frozen=True)
class CompareRun:
    """One run that comparisons may use; `hours` since the first used one of its session, None without a time.

    `achieved` holds its speed and air, None where nothing is known of them.
    """

    run: str
    session: str
    condition: str
    speed_mps: float
    yaw_deg: float
    background: tuple[str, ...]
    speed_is_measured: bool
    hours: float | None = None
    achieved: Achieved | None = None


@dataclass(frozen=True)
class CompareNeeds:
    """All comparisons of the campaign.

    `mirrors` names the partners of positions on the other side, `lines` the comparison that is given line by line.
    `ranking_points` are the nominal speeds (m/s) and yaw angles that the ranking is over; none: all.
    `stated_settings` are those of the section `uncertainty` by which the campaign states a term itself.
    """

    campaign: str
    comparisons: dict[str, Comparison]
    lines: str
    applied: dict[str, tuple[str, ...]]
    runs: tuple[CompareRun, ...]
    mounts: tuple[tuple[str, str, str | None], ...]
    areas: tuple[tuple[str, str], ...]
    mirrors: tuple[tuple[str, str], ...]
    confidence: float
    compare: Compare
    ranking: Ranking
    background: Background
    reference_pressure_pa: float
    operating_point: OperatingPoint
    ranking_points: tuple[tuple[float, float], ...] = ()
    stated_settings: tuple[str, ...] = ()


def needs(plan: Plan, key: str = "") -> CompareNeeds:
    """The runs that comparisons may use, and how they are compared."""
    settings, first = plan.settings, _first_times(plan)
    runs = tuple(
        CompareRun(
            name,
            used.session,
            used.condition or "",
            *plan.campaign.operating_points[name],
            plan.backgrounds[name].runs,
            used.measured_speed_mps is not None or used.dynamic_pressure_pa is not None,
            _hours(used, first),
            plan.achieved(used),
        )
        for name, used in sorted(plan.used.items())
        if used.kind == "measurement"
    )
    return CompareNeeds(
        campaign=settings.campaign,
        comparisons=dict(sorted(settings.comparisons.items())),
        lines=settings.compare.lines or next(iter(settings.comparisons), ""),
        applied={name: condition.applied for name, condition in sorted(settings.conditions.items())},
        runs=runs,
        mounts=plan.mounts(),
        areas=tuple((name, p.area or "") for name, p in sorted(plan.campaign.positions.items())),
        mirrors=tuple((name, p.mirror) for name, p in sorted(plan.campaign.positions.items()) if p.mirror),
        confidence=settings.confidence,
        compare=settings.compare,
        ranking=settings.ranking,
        background=settings.background,
        reference_pressure_pa=settings.reference_pressure_pa,
        operating_point=settings.operating_point,
        ranking_points=_ranking_points(plan, (run.run for run in runs)),
        stated_settings=settings.uncertainty.stated_settings,
    )


def _ranking_points(plan: Plan, runs: Iterable[str]) -> tuple[tuple[float, float], ...]:
    """The operating points that the ranking is over; none where it is over all."""
    chosen = plan.settings.ranking.operating_points
    known = [plan.campaign.operating_points[name] for name in runs]
    return tuple(sorted({point for point in named_points(chosen, known, plan.settings) if point is not None}))


def _hours(run: Run, first: Mapping[str, datetime.datetime]) -> float | None:
    """Hours since the first used recording of the same session; None where the run has no time."""
    if run.recorded_at is None:
        return None
    since = datetime.datetime.fromisoformat(run.recorded_at) - first[run.session]
    return since.total_seconds() / 3600.0


def _first_times(plan: Plan) -> dict[str, datetime.datetime]:
    """When the first used recording of each session was made."""
    first: dict[str, datetime.datetime] = {}
    for name in plan.recordings:
        run = plan.used[name]
        if run.recorded_at is not None:
            when = datetime.datetime.fromisoformat(run.recorded_at)
            first[run.session] = min(when, first.get(run.session, when))
    return first


def _inputs(plan: Plan, key: str) -> Sequence[Path]:
    return [*session_levels(plan), campaign_table(plan.results, "calibration")]


JOB = Job(
    name="compare",
    per="campaign",
    does="compare conditions and rank what to work on",
    version=10,
    needs=needs,
    inputs=_inputs,
    outputs=campaign_tables(
        "comparisons",
        "ranking",
        "areas",
        "area_differences",
        "mirror_differences",
        "additivity",
        "reference_drift",
        "session_means",
        "line_differences",
        "budgets",
    ),
)
