"""The job `pressure`: write one recording's calibrated time signals, for who wants them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.plan import Channel, Overrule, Plan, Source
from tapeline.jobs import calibrate
from tapeline.jobs.job import Job


@dataclass(frozen=True)
class PressureNeeds:
    """One recording on its way to pascal. `overrules` decide which checks count; who and why does not matter here."""

    campaign: str
    session: str
    source: Source
    channels: tuple[Channel, ...]
    policy: Literal["before", "after", "mean", "chart", "data_sheet"]
    chart_uncertainty_db: float
    impossible_pa: float
    overrules: tuple[Overrule, ...]


def needs(plan: Plan, run: str) -> PressureNeeds:
    """A recording, the channels in it, and what decides on their sensitivities."""
    used = plan.used[run]
    return PressureNeeds(
        campaign=plan.settings.campaign,
        session=used.session,
        source=plan.source(used),
        channels=plan.channels(used.session, charts=False),
        policy=plan.settings.calibration.sensitivity,
        chart_uncertainty_db=plan.settings.calibration.chart_uncertainty_db,
        impossible_pa=plan.settings.quality.impossible_pa,
        overrules=_choices_of_checks(plan, used.session),
    )


def _choices_of_checks(plan: Plan, session: str) -> tuple[Overrule, ...]:
    """Which checks somebody refuses or lets count, without words: a mark alone changes no sensitivity."""
    rows = plan.check_overrules(session)
    whole = {row.run for row in rows if row.position is None and row.verdict != "doubtful"}
    return tuple(
        dataclasses.replace(row, reason="", who="")
        for row in rows
        if row.verdict != "doubtful" or (row.position is not None and row.run in whole)
    )


def pressure_file(results: Path, run: str) -> Path:
    """Calibrated time signals of a run."""
    return results / "pressure" / f"{run}.arrow"


def _outputs(plan: Plan, run: str) -> Sequence[Path]:
    """Nothing unless the settings ask for it; `tapeline pressure RUN` writes the file in any case."""
    return [pressure_file(plan.results, run)] if plan.settings.keep_pressure else []


JOB = Job(
    name="pressure",
    per="run",
    does="write one recording's calibrated time signals",
    version=10,
    needs=needs,
    inputs=lambda plan, run: calibrate.JOB.outputs(plan, plan.session_of(run)),
    outputs=_outputs,
    sources=lambda plan, run: plan.source_files(run),
)
