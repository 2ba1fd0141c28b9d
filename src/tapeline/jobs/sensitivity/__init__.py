"""The job `sensitivity`: decide the sensitivities of a session."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.plan import Channel, Overrule, Plan
from tapeline.campaign.settings import Calibration
from tapeline.jobs import calibrate
from tapeline.jobs.job import Job
from tapeline.regular_files import may_be_read


@dataclass(frozen=True)
class Papers:
    """What the sensor table and the chart say of one sensor beside its sensitivity; paths relative to the campaign."""

    sensor: str
    serial: str | None
    calibrated_on: str | None
    has_chart: bool
    chart_serial: str | None
    response_kind: Literal["pressure", "actuator", "free-field"]
    data_sheet: str | None


@dataclass(frozen=True)
class SensitivityNeeds:
    """The decision on the sensitivities of one session. `papers` are those of its sensors, by sensor.

    `overrules` are verdicts set by hand on its checks.
    """

    campaign: str
    session: str
    measured_on: str | None
    channels: tuple[Channel, ...]
    papers: tuple[Papers, ...]
    calibration: Calibration
    overrules: tuple[Overrule, ...]


def needs(plan: Plan, session: str) -> SensitivityNeeds:
    """The channels of a session, what is known of their sensors, and how their sensitivities are decided."""
    dates = [run.recorded_at for run in plan.used.values() if run.session == session and run.recorded_at]
    return SensitivityNeeds(
        campaign=plan.settings.campaign,
        session=session,
        measured_on=min(dates, default=None),
        channels=plan.channels(session, charts=False),
        papers=_papers(plan, session),
        calibration=plan.settings.calibration,
        overrules=plan.check_overrules(session),
    )


def _papers(plan: Plan, session: str) -> tuple[Papers, ...]:
    fitted = {fitting.sensor for fitting in plan.campaign.fittings_of(session) if fitting.sensor}
    sensors = [plan.campaign.sensors[name] for name in sorted(fitted)]
    return tuple(
        Papers(
            sensor=sensor.sensor,
            serial=sensor.serial,
            calibrated_on=sensor.calibrated_on,
            has_chart=sensor.sensor in plan.campaign.charts,
            chart_serial=plan.campaign.charts[sensor.sensor].serial if sensor.sensor in plan.campaign.charts else None,
            response_kind=sensor.response_kind,
            data_sheet=sensor.data_sheet,
        )
        for sensor in sensors
    )


def data_sheet_files(plan: Plan, session: str) -> tuple[str, ...]:
    """Files of the data sheets of a session's sensors that may be read, relative to the campaign folder."""
    paths = (papers.data_sheet for papers in _papers(plan, session))
    return tuple(sorted({path for path in paths if path and may_be_read(plan.campaign.root / path)}))


def calibration_file(results: Path, session: str) -> Path:
    """The sensitivities of a session and the evidence."""
    return results / "calibration" / f"{session}.parquet"


def judged_checks_file(results: Path, session: str) -> Path:
    """The calibrator checks of a session with what was decided on each."""
    return results / "calibration" / "judged" / f"{session}.parquet"


JOB = Job(
    name="sensitivity",
    per="session",
    does="decide the sensitivities of a session",
    version=8,
    needs=needs,
    inputs=calibrate.JOB.outputs,
    outputs=lambda plan, session: [calibration_file(plan.results, session), judged_checks_file(plan.results, session)],
    sources=data_sheet_files,
)
