"""The job `tones`: find the tones of all runs, follow them over speed and hold them beside the modes of cavities."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.plan import Achieved, Plan
from tapeline.campaign.settings import Tones
from tapeline.jobs.job import Job
from tapeline.jobs.scale import ScaleLength, scale_length
from tapeline.jobs.table_files import campaign_table, campaign_tables, session_table


@dataclass(frozen=True)
class ToneRun:
    """One run that is searched. `point` is its nominal speed (m/s) and yaw (degrees), None where none is stated."""

    run: str
    session: str
    condition: str | None
    background: bool
    point: tuple[float, float] | None
    recorded_at: str | None
    achieved: Achieved


@dataclass(frozen=True)
class ToneCavity:
    """The sizes of a cavity as far as they are known, and the positions in it."""

    cavity: str
    length_m: float | None
    depth_m: float | None
    width_m: float | None
    opening_m2: float | None
    volume_m3: float | None
    neck_m: float | None
    positions: tuple[str, ...]


@dataclass(frozen=True)
class ToneNeeds:
    """Tones of all sessions. `comparisons` are names with reference and treatment."""

    campaign: str
    runs: tuple[ToneRun, ...]
    lengths: tuple[ScaleLength, ...]
    cavities: tuple[ToneCavity, ...]
    comparisons: tuple[tuple[str, str, str], ...]
    tones: Tones
    window: Literal["hann", "flattop", "rectangular"]
    mains_hz: float
    reference_pressure_pa: float
    speed_pct: float
    confidence: float

    @property
    def sessions(self) -> tuple[str, ...]:
        """The sessions of the runs, sorted."""
        return tuple(sorted({run.session for run in self.runs}))


def needs(plan: Plan, key: str = "") -> ToneNeeds:
    """Measurement and background runs with their speeds, and the lengths of positions."""
    settings, points = plan.settings, plan.campaign.operating_points
    runs = (plan.used[name] for name in plan.recordings)
    lengths = (scale_length(plan, position) for _, position in sorted(plan.campaign.positions.items()))
    return ToneNeeds(
        campaign=settings.campaign,
        runs=tuple(
            ToneRun(
                run.run,
                run.session,
                run.condition if run.kind == "measurement" else None,
                run.kind == "background",
                points.get(run.run),
                run.recorded_at,
                plan.achieved(run),
            )
            for run in runs
        ),
        lengths=tuple(length for length in lengths if length is not None),
        cavities=tuple(_cavities(plan)),
        comparisons=tuple((name, each.reference, each.treatment) for name, each in settings.comparisons.items()),
        tones=settings.tones,
        window=settings.spectra.window,
        mains_hz=settings.mains_hz,
        reference_pressure_pa=settings.reference_pressure_pa,
        speed_pct=settings.uncertainty.speed_pct,
        confidence=settings.confidence,
    )


def _cavities(plan: Plan) -> Iterator[ToneCavity]:
    """Cavities with a position in them, sorted."""
    for name, cavity in sorted(plan.campaign.cavities.items()):
        positions = sorted(at.position for at in plan.campaign.positions.values() if at.cavity == name)
        if positions:
            yield ToneCavity(
                name,
                cavity.length_m,
                cavity.depth_m,
                cavity.width_m,
                cavity.opening_m2,
                cavity.volume_m3,
                cavity.neck_m,
                tuple(positions),
            )


def _inputs(plan: Plan, key: str) -> Sequence[Path]:
    spectra = [session_table(plan.results, "narrowband", session) for session in plan.measured_sessions]
    return [campaign_table(plan.results, "quality"), *spectra]


JOB = Job(
    name="tones",
    per="campaign",
    does="find the tones of all runs, follow them over speed and hold them beside the modes of cavities",
    version=1,
    needs=needs,
    inputs=_inputs,
    outputs=campaign_tables("tones", "tone_tracks", "cavity_modes", "tone_differences"),
)
