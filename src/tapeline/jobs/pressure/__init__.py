"""The job `pressure`: turn one recording into pascal and judge its channels."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapeline.campaign.plan import Channel, Overrule, Plan, Source, picked
from tapeline.jobs import calibrate
from tapeline.jobs.job import Job


@dataclass(frozen=True)
class StreamQuality:
    """The settings of the section `quality` that the checks of one recording depend on."""

    overload_run_samples: int
    overload_share_pct: float
    impossible_pa: float
    dropout_s: float
    dead_level_pa: float
    spike_ratio: float
    spike_rate_per_s: float
    spike_places: int
    trend_limit_db: float
    offset_limit: float
    hum_limit_db: float
    kurtosis_limit: float
    skewness_limit: float
    same_signal_correlation: float


@dataclass(frozen=True)
class PressureNeeds:
    """One recording on its way to pascal. `overrules` decide which checks count; who and why does not matter here."""

    campaign: str
    session: str
    source: Source
    channels: tuple[Channel, ...]
    policy: Literal["before", "after", "mean", "chart", "data_sheet"]
    chart_uncertainty_db: float
    quality: StreamQuality
    mains_hz: float
    overrules: tuple[Overrule, ...]


def needs(plan: Plan, run: str) -> PressureNeeds:
    """A recording, the channels in it, and what decides on their sensitivities and verdicts."""
    used = plan.used[run]
    return PressureNeeds(
        campaign=plan.settings.campaign,
        session=used.session,
        source=plan.source(used),
        channels=plan.channels(used.session, charts=False),
        policy=plan.settings.calibration.sensitivity,
        chart_uncertainty_db=plan.settings.calibration.chart_uncertainty_db,
        quality=picked(StreamQuality, plan.settings.quality),
        mains_hz=plan.settings.mains_hz,
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


def quality_file(results: Path, run: str) -> Path:
    """What was counted on the channels of a run, and what it says by itself."""
    return results / "quality" / f"{run}.parquet"


def _outputs(plan: Plan, run: str) -> Sequence[Path]:
    """The time signals stay only where the settings ask for them."""
    signals = [pressure_file(plan.results, run)] if plan.settings.keep_pressure else []
    return [quality_file(plan.results, run), *signals]


JOB = Job(
    name="pressure",
    per="run",
    does="turn one recording into pascal and judge its channels",
    version=9,
    needs=needs,
    inputs=lambda plan, run: calibrate.JOB.outputs(plan, plan.session_of(run)),
    outputs=_outputs,
    sources=lambda plan, run: plan.source_files(run),
)
