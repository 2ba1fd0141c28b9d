"""What each job needs, and nothing else: the slices of a campaign whose digests decide what runs again."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias, TypeVar

from tapeline.campaign.backgrounds import Backgrounds
from tapeline.campaign.settings import (
    Background,
    BandHistory,
    Bands,
    Calibration,
    Compare,
    Comparison,
    CrossSpectra,
    FlowBins,
    History,
    OperatingPoint,
    Overall,
    Ranking,
    RawFormat,
    Repeatability,
    Scaling,
    Spectra,
    Spectrogram,
    Uncertainty,
)

PartT = TypeVar("PartT", bound=Any)

Filters: TypeAlias = tuple[tuple[str, float | None, float | None], ...]
"""Positions whose fittings name a high-pass or a low-pass corner, in Hz."""


def picked(kind: type[PartT], source: object) -> PartT:
    """A frozen part made of the attributes of `source` that have its fields' names."""
    made: PartT = kind(**{field.name: getattr(source, field.name) for field in dataclasses.fields(kind)})
    return made


@dataclass(frozen=True)
class Source:
    """One recording: its files relative to the campaign folder, how to read them, which part to use."""

    run: str
    paths: tuple[str, ...]
    raw: RawFormat | None
    start_s: float | None
    stop_s: float | None
    gain_db: float | None


@dataclass(frozen=True)
class Channel:
    """One fitted channel with what is known of its sensor."""

    channel: int
    position: str
    sensor: str | None
    mount: str | None
    unit: str
    full_scale_v: float | None
    gain_db: float
    polarity: int
    sensitivity_v_per_pa: float | None
    sensitivity_uncertainty_db: float | None
    chart_hz: tuple[float, ...]
    chart_db: tuple[float, ...]


@dataclass(frozen=True)
class CalibratorCheck:
    """One calibrator recording and the calibrator used in it."""

    source: Source
    stage: str
    positions: tuple[str, ...]
    calibrator: str
    closed_coupler: bool
    level_db: float
    frequency_hz: float
    level_uncertainty_db: float | None
    adapter_correction_db: float
    adapter_uncertainty_db: float | None
    static_pressure_hpa: float | None


@dataclass(frozen=True)
class CalibrateLimits:
    """The settings of the section `calibration` that the measuring of tones depends on."""

    shortest_steady_s: float
    steady_within_db: float
    frequency_within_pct: float
    least_tone_to_noise_db: float
    unsteadiness_limit_db: float
    distortion_limit_pct: float
    ring_spread_limit_db: float
    background_tone_limit_db: float
    level_off_db: float
    leak_low_db: float
    leak_unsteadiness_db: float
    static_pressure_missing_db: float
    static_pressure_uncertainty_hpa: float
    calibrator_uncertainty_db: float
    adapter_uncertainty_db: float
    chart_reach_uncertainty_db: float


@dataclass(frozen=True)
class CalibrateNeeds:
    """The calibrator recordings of one session.

    `calibrators` are those that used runs of the campaign name, with their frequencies. Their levels are re 20 uPa
    (IEC 60942), whatever the reference pressure of the campaign's own levels is.
    """

    campaign: str
    session: str
    checks: tuple[CalibratorCheck, ...]
    channels: tuple[Channel, ...]
    calibrators: tuple[tuple[str, float], ...]
    limits: CalibrateLimits


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
class Overrule:
    """A verdict that somebody sets against the computed one; no position: all of the run."""

    run: str
    position: str | None
    verdict: Literal["good", "doubtful", "unusable"]
    reason: str
    who: str


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


@dataclass(frozen=True)
class JudgedRun:
    """What the verdicts of a session need to know of one run; `order` counts the session's runs in order of time.

    `logged_mps` is the measured speed where the run table has one, else the set one; `gain_db` the run's own gain.
    """

    run: str
    kind: str
    condition: str | None
    speed_mps: float | None
    yaw_deg: float
    order: int
    logged_mps: float | None
    gain_db: float | None


@dataclass(frozen=True)
class VerdictsNeeds:
    """The final verdicts on one session's channels; `gains_db` are the fittings' gains, by position."""

    campaign: str
    session: str
    runs: tuple[JudgedRun, ...]
    areas: tuple[tuple[str, str], ...]
    gains_db: tuple[tuple[str, float], ...]
    odd_level_db: float
    silent_level_db: float
    area_level_db: float
    speed_level_db: float
    overrules: tuple[Overrule, ...]


@dataclass(frozen=True)
class Achieved:
    """Speed and air of a run as the run table has them; None where it says nothing. `nominal_mps` is its point's."""

    nominal_mps: float | None
    speed_mps: float | None
    dynamic_pressure_pa: float | None
    temperature_c: float | None
    static_pressure_hpa: float | None
    humidity_pct: float | None


@dataclass(frozen=True)
class CheckAir:
    """Mean temperature and pressure at a session's calibrator checks, None where none is stated."""

    temperature_c: float | None
    static_pressure_hpa: float | None


@dataclass(frozen=True)
class SessionRun:
    """One run of a session, what is subtracted from it, and the state of the flow.

    Measurements of one `condition` and operating `point` (m/s, degrees) are repeats.
    `left_out` holds ranges of frequencies that get no level: position (empty: all), lower and upper end in Hz.
    """

    run: str
    kind: str
    condition: str | None
    point: tuple[float, float] | None
    backgrounds: Backgrounds
    achieved: Achieved
    left_out: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class TablesNeeds:
    """One session's tables. `sessions` are those of its runs and backgrounds, whose verdicts count."""

    campaign: str
    session: str
    runs: tuple[SessionRun, ...]
    backgrounds: tuple[str, ...]
    sessions: tuple[str, ...]
    on_request: tuple[str, ...]
    window: Literal["hann", "flattop", "rectangular"]
    range_hz: tuple[float, float]
    filters: Filters
    bands: Bands
    overall: tuple[Overall, ...]
    background: Background
    uncertainty: Uncertainty
    operating_point: OperatingPoint
    check_air: CheckAir
    spikes_left_out: bool
    confidence: float
    reference_pressure_pa: float


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
