"""The job `catalogue`: write the tables of runs, positions, checks, calibration and quality."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.backgrounds import NO_BACKGROUNDS
from tapeline.campaign.plan import Plan
from tapeline.campaign.tables import Run
from tapeline.jobs import sensitivity
from tapeline.jobs.job import Job
from tapeline.jobs.table_files import campaign_tables
from tapeline.jobs.verdicts import verdicts_file


@dataclass(frozen=True)
class RunRow:
    """One row of the run table as it stands in the results."""

    run: str
    session: str
    kind: str
    status: str
    condition: str | None
    recording: str
    format: str | None
    set_speed_mps: float | None
    speed_mps: float | None
    set_yaw_deg: float
    yaw_deg: float
    measured_speed_mps: float | None
    dynamic_pressure_pa: float | None
    temperature_c: float | None
    static_pressure_hpa: float | None
    humidity_pct: float | None
    recorded_at: str | None
    calibrator: str | None
    stage: str | None
    replaces: str | None
    replaced_by: str | None
    gain_db: float | None
    start_s: float | None
    stop_s: float | None
    use: bool
    remark: str
    background_runs: tuple[str, ...]
    background_kind: str | None
    background_refused: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class PositionRow:
    """One row of the position table as it stands in the results."""

    position: str
    x_m: float | None
    y_m: float | None
    z_m: float | None
    area: str | None
    flow: str | None
    mirror: str | None
    line: str | None
    line_order: int | None
    cavity: str | None
    remark: str | None


@dataclass(frozen=True)
class CatalogueNeeds:
    """The campaign-level tables: runs, positions, checks, calibration, quality."""

    campaign: str
    runs: tuple[RunRow, ...]
    positions: tuple[PositionRow, ...]
    resolution_hz: float


def needs(plan: Plan, key: str = "") -> CatalogueNeeds:
    """All rows of the run and position tables."""
    runs = tuple(_run_row(plan, plan.campaign.runs[name]) for name in sorted(plan.campaign.runs))
    positions = tuple(
        PositionRow(
            p.position,
            p.x_m,
            p.y_m,
            p.z_m,
            p.area,
            p.flow,
            p.mirror,
            p.line_array,
            p.line_order,
            p.cavity,
            p.remark,
        )
        for _, p in sorted(plan.campaign.positions.items())
    )
    return CatalogueNeeds(plan.settings.campaign, runs, positions, plan.settings.spectra.resolution_hz)


def _run_row(plan: Plan, run: Run) -> RunRow:
    point = plan.campaign.operating_points.get(run.run)
    found = plan.backgrounds.get(run.run, NO_BACKGROUNDS)
    status = "left out" if not run.use else "superseded" if run.run in plan.replaced else "used"
    return RunRow(
        run=run.run,
        session=run.session,
        kind=run.kind,
        status=status,
        condition=run.condition,
        recording=" | ".join(run.recordings),
        format=run.format,
        set_speed_mps=run.speed_mps,
        speed_mps=point[0] if point else None,
        set_yaw_deg=run.yaw_deg,
        yaw_deg=point[1] if point else run.yaw_deg,
        measured_speed_mps=run.measured_speed_mps,
        dynamic_pressure_pa=run.dynamic_pressure_pa,
        temperature_c=run.temperature_c,
        static_pressure_hpa=run.static_pressure_hpa,
        humidity_pct=run.humidity_pct,
        recorded_at=run.recorded_at,
        calibrator=run.calibrator,
        stage=run.stage,
        replaces=run.replaces,
        replaced_by=plan.replaced.get(run.run),
        gain_db=run.gain_db,
        start_s=run.start_s,
        stop_s=run.stop_s,
        use=run.use,
        remark=run.remark,
        background_runs=found.runs,
        background_kind=found.kind,
        background_refused=tuple(str(each) for each in found.refused),
        left_out=tuple(row.words for row in plan.left_out(run.run)) if run.kind != "calibration" else (),
    )


def _inputs(plan: Plan, key: str) -> Sequence[Path]:
    calibrated = [path for session in plan.sessions for path in sensitivity.JOB.outputs(plan, session)]
    return [*calibrated, *(verdicts_file(plan.results, session) for session in plan.measured_sessions)]


JOB = Job(
    name="catalogue",
    per="campaign",
    does="write the tables of runs, positions, checks, calibration and quality",
    version=10,
    needs=needs,
    inputs=_inputs,
    outputs=campaign_tables("runs", "positions", "checks", "calibration", "quality"),
)
