"""The job `spectra`: judge the channels of one recording and average its spectra."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Filters, Plan, picked
from tapeline.campaign.settings import BandHistory, Bands, CrossSpectra, FlowBins, History, Spectra, Spectrogram
from tapeline.jobs import calibrate, pressure
from tapeline.jobs.job import Job
from tapeline.jobs.pressure import PressureNeeds


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
    """One recording's verdicts, spectra and level history; `pressure` is how it becomes Pa.

    `left_out` holds stretches of the used part that are not averaged. What is made on request is None, or names no
    positions, where it is not asked for. `lines` are the lines of sensors with their positions downstream, whose pairs
    are averaged over `line_range_hz`.
    """

    campaign: str
    run: str
    pressure: PressureNeeds
    quality: StreamQuality
    mains_hz: float
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
    lines: tuple[tuple[str, tuple[str, ...]], ...] = ()
    line_range_hz: tuple[float, float] = (0.0, 0.0)


def needs(plan: Plan, run: str) -> SpectraNeeds:
    """How one recording is averaged, and what is made of it on request."""
    settings = plan.settings
    lines = plan.lines(plan.used[run].session) if plan.used[run].kind == "measurement" else ()
    return SpectraNeeds(
        campaign=settings.campaign,
        run=run,
        pressure=pressure.needs(plan, run),
        quality=picked(StreamQuality, settings.quality),
        mains_hz=settings.mains_hz,
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
        lines=lines,
        line_range_hz=_line_range_hz(plan) if lines else (0.0, 0.0),
    )


def _line_range_hz(plan: Plan) -> tuple[float, float]:
    """From half an octave band below the bands to one above, in which all lines of the bands are."""
    low, high = plan.settings.bands.range_hz
    return (low / 1.5, high * 1.5)


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


def quality_file(results: Path, run: str) -> Path:
    """What was counted on the channels of a run, and what it says by itself."""
    return results / "quality" / f"{run}.parquet"


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
    made = (quality_file, spectra_file, history_file)
    return [*(file(plan.results, run) for file in made), *requested]


def _sources(plan: Plan, run: str) -> tuple[str, ...]:
    return (*plan.source_files(run), *flow_series_files(plan, run))


JOB = Job(
    name="spectra",
    per="run",
    does="judge the channels of one recording and average its spectra",
    version=8,
    needs=needs,
    inputs=lambda plan, run: calibrate.JOB.outputs(plan, plan.session_of(run)),
    outputs=_outputs,
    sources=_sources,
)
