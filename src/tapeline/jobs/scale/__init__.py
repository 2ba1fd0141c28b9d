"""The job `scale`: fit exponents of speed and hold spectra against Strouhal number."""

from __future__ import annotations

from dataclasses import dataclass

from tapeline.campaign.plan import Achieved, Plan
from tapeline.campaign.settings import Scaling
from tapeline.campaign.tables import Position
from tapeline.jobs.job import Job
from tapeline.jobs.table_files import campaign_tables, session_levels


@dataclass(frozen=True)
class ScaleRun:
    """One measurement run that exponents of speed may use."""

    run: str
    session: str
    condition: str
    yaw_deg: float
    achieved: Achieved


@dataclass(frozen=True)
class ScaleLength:
    """The length in a position's Strouhal number, and where it is from."""

    position: str
    length_m: float
    source: str


@dataclass(frozen=True)
class ScaleNeeds:
    """Exponents of speed and collapses of all sessions. `references` are positions that hear and are not scaled."""

    campaign: str
    runs: tuple[ScaleRun, ...]
    lengths: tuple[ScaleLength, ...]
    references: tuple[str, ...]
    scaling: Scaling
    reference_density_kgm3: float
    reference_pressure_pa: float
    confidence: float


def needs(plan: Plan, key: str = "") -> ScaleNeeds:
    """Runs with their speeds, and the lengths of positions; runs without a flow speed have nothing to scale."""
    settings, points = plan.settings, plan.campaign.operating_points
    runs = tuple(
        ScaleRun(name, used.session, used.condition or "", points[name][1], plan.achieved(used))
        for name, used in sorted(plan.used.items())
        if used.kind == "measurement" and points[name][0] > 0.0
    )
    lengths = (scale_length(plan, position) for _, position in sorted(plan.campaign.positions.items()))
    return ScaleNeeds(
        campaign=settings.campaign,
        runs=runs,
        lengths=tuple(length for length in lengths if length is not None),
        references=settings.background.references,
        scaling=settings.scaling,
        reference_density_kgm3=settings.operating_point.reference_density_kgm3,
        reference_pressure_pa=settings.reference_pressure_pa,
        confidence=settings.confidence,
    )


def scale_length(plan: Plan, at: Position) -> ScaleLength | None:
    """The length in a position's Strouhal number, None where none is stated."""
    own, general = plan.settings.scaling.lengths, plan.settings.scaling.length_m
    cavity = plan.campaign.cavities.get(at.cavity or "")
    found = (
        (own.get(at.position), f"scaling.lengths: position {at.position}"),
        (cavity.length_m if cavity else None, f"cavities: {at.cavity}"),
        (own.get(at.area or ""), f"scaling.lengths: area {at.area}"),
        (general, "scaling.length_m"),
    )
    return next((ScaleLength(at.position, length, source) for length, source in found if length is not None), None)


JOB = Job(
    name="scale",
    per="campaign",
    does="fit exponents of speed and hold spectra against Strouhal number",
    version=5,
    needs=needs,
    inputs=lambda plan, key: session_levels(plan),
    outputs=campaign_tables("scaling", "collapse"),
)
