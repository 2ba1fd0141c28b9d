"""The job `spectra`: average the spectra of one recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Filters, Plan
from tapeline.campaign.settings import BandHistory, Bands, CrossSpectra, FlowBins, History, Spectra, Spectrogram
from tapeline.jobs.job import Job
from tapeline.jobs.pressure import pressure_file, quality_file


@dataclass(frozen=True)
class Response:
    """The response of the sensor at a position from its chart, all empty where there is none."""

    position: str
    hz: tuple[float, ...]
    db: tuple[float, ...]
    phase_deg: tuple[float, ...]


@dataclass(frozen=True)
class FlowNeeds:
    """What the flow did during a run: a file relative to the campaign, and how it is put into bins.

    `start_s` is where the used part starts in the file's time.
    """

    path: str
    start_s: float
    bins: FlowBins


@dataclass(frozen=True)
class SpectraNeeds:
    """One recording's spectra and level history. `left_out` holds stretches of the used part that are not averaged.

    What is made on request is None, or names no positions, where it is not asked for.
    """

    campaign: str
    run: str
    left_out: tuple[tuple[float, float], ...]
    responses: tuple[Response, ...]
    response_correction: bool
    spectra: Spectra
    history: History
    history_range_hz: tuple[float, float]
    filters: Filters
    reference_pressure_pa: float
    band_history: tuple[BandHistory, Bands] | None
    spectrogram: Spectrogram | None
    cross_spectra: tuple[CrossSpectra, float] | None
    references: tuple[tuple[str, ...], float] | None
    flow: FlowNeeds | None


def needs(plan: Plan, run: str) -> SpectraNeeds:
    """How one recording is averaged, and what is made of it on request."""
    settings = plan.settings
    return SpectraNeeds(
        campaign=settings.campaign,
        run=run,
        left_out=tuple(
            (start - (plan.used[run].start_s or 0.0), stop - (plan.used[run].start_s or 0.0))
            for start, stop in sorted(row.stretch_s for row in plan.left_out(run) if row.stretch_s is not None)
        ),
        responses=_responses(plan, plan.used[run].session),
        response_correction=settings.calibration.response_correction,
        spectra=settings.spectra,
        history=settings.history,
        history_range_hz=settings.overall[0].range_hz,
        filters=plan.filters(plan.used[run].session) if settings.band_history.positions else (),
        reference_pressure_pa=settings.reference_pressure_pa,
        band_history=(settings.band_history, settings.bands) if settings.band_history.positions else None,
        spectrogram=settings.spectrogram if settings.spectrogram.positions else None,
        cross_spectra=(settings.cross_spectra, settings.confidence) if settings.cross_spectra.positions else None,
        references=_references(plan, plan.used[run].session),
        flow=_flow(plan, run),
    )


def _responses(plan: Plan, session: str) -> tuple[Response, ...]:
    def phase(sensor: str | None) -> tuple[float, ...]:
        chart = plan.campaign.charts.get(sensor or "")
        return (chart.phase_deg or ()) if chart else ()

    channels = plan.channels(session, charts=True)
    return plan.once(
        "responses",
        session,
        lambda: tuple(Response(c.position, c.chart_hz, c.chart_db, phase(c.sensor)) for c in channels),
    )


def _references(plan: Plan, session: str) -> tuple[tuple[str, ...], float] | None:
    """The reference sensors that are fitted in a session, and the confidence of their significance."""
    fitted = {fitting.position for fitting in plan.campaign.fittings_of(session)}
    asked = tuple(name for name in plan.settings.background.references if name in fitted)
    return (asked, plan.settings.confidence) if asked else None


def _flow(plan: Plan, run: str) -> FlowNeeds | None:
    used = plan.used[run]
    if used.flow_series is None:
        return None
    path = f"{plan.settings.recordings.rstrip('/')}/{used.flow_series}"
    return FlowNeeds(path, used.start_s or 0.0, plan.settings.flow_bins)


def flow_series_files(plan: Plan, run: str) -> tuple[str, ...]:
    """The file of a run's flow series, relative to the campaign folder; none where it has none."""
    flow = _flow(plan, run)
    return (flow.path,) if flow else ()


def spectra_file(results: Path, run: str) -> Path:
    """Averaged spectra of a run."""
    return results / "spectra" / run / "spectra.parquet"


def history_file(results: Path, run: str) -> Path:
    """Level history of a run."""
    return results / "spectra" / run / "history.parquet"


def requested_file(results: Path, run: str, name: str) -> Path:
    """What was made of a run for a table on request."""
    return results / "spectra" / run / f"{name}.parquet"


def _outputs(plan: Plan, run: str) -> Sequence[Path]:
    requested = (requested_file(plan.results, run, name) for name in plan.on_request)
    return [spectra_file(plan.results, run), history_file(plan.results, run), *requested]


JOB = Job(
    name="spectra",
    per="run",
    does="average the spectra of one recording",
    version=6,
    needs=needs,
    inputs=lambda plan, run: [pressure_file(plan.results, run), quality_file(plan.results, run)],
    outputs=_outputs,
    sources=flow_series_files,
)
