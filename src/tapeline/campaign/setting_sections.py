"""The sections of campaign.yaml: one model each, every key with its default, unit, meaning and origin."""

from __future__ import annotations

import posixpath
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationInfo,
)
from pydantic_core import PydanticCustomError

from tapeline.campaign.path_rule import RESULTS, Misfit, path_misfit
from tapeline.campaign.setting_numbers import (
    AirPressureUncertainty,
    Angle,
    AngleStep,
    AxisRange,
    Coefficient,
    Count,
    Curve,
    Days,
    Duration,
    EnteredSpeed,
    Exponent,
    ExponentUncertainty,
    FewBands,
    FrequencyRange,
    HeaderBytes,
    Hours,
    Length,
    Level,
    LimitDb,
    LineSpacing,
    ManyTimes,
    Margin,
    MarginDb,
    Number,
    Percent,
    Pressure,
    PressureChange,
    QuietPressure,
    RateShare,
    SampleRate,
    Share,
    ShortDuration,
    Speed,
    SpeedStep,
    TemperatureChange,
    Times,
    UncertaintyDb,
    Whole,
    Yaw,
    refuse,
)

Name: TypeAlias = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$", max_length=120)]
Weighting: TypeAlias = Literal["A", "C", "Z"]
Plane: TypeAlias = Literal["x-y", "x-z", "y-z"]
Positions: TypeAlias = tuple[Name, ...] | Literal["all"]


INPUTS_OUTSIDE = "inputs_outside"
"""The setting, and the key in the context of a validation, that lets what is read lie outside the campaign folder."""


def _input_path(path: str, info: ValidationInfo) -> str:
    return _ruled(path, path_misfit(path, outside=bool((info.context or {}).get(INPUTS_OUTSIDE))))


def _output_path(path: str) -> str:
    return _ruled(path, path_misfit(path, RESULTS))


def _ruled(path: str, misfit: Misfit | None) -> str:
    """The path without detours. Raises the error that holds the misfit's words."""
    if misfit is not None:
        words = {"found": misfit.found, "expected": misfit.expected, "mend": misfit.mend}
        raise PydanticCustomError("expected", "expected {expected}", words)
    return posixpath.normpath(path)


FilledText: TypeAlias = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True)]
InputPath: TypeAlias = Annotated[FilledText, AfterValidator(_input_path)]
OutputPath: TypeAlias = Annotated[FilledText, AfterValidator(_output_path)]


class Section(BaseModel):
    """What all sections share: no unknown key, no later change."""

    # Sections are built as parts of the settings that hold them; built by themselves too they cost every start twice.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class Tables(Section):
    """Where the tables are, relative to the campaign folder."""

    runs: InputPath = Field("config/runs.csv", description="the run table, one row a recording")
    positions: InputPath = Field("config/positions.csv", description="the places on the body")
    fittings: InputPath = Field("config/fittings.csv", description="which sensor sat where, in each session")
    sensors: InputPath = Field("config/sensors.csv", description="one row a sensor")
    calibrators: InputPath = Field("config/calibrators.csv", description="one row a calibrator")
    cavities: InputPath = Field("config/cavities.csv", description="sizes of cavities; the file may be missing")
    overrides: InputPath = Field(
        "config/overrides.csv", description="verdicts set by hand, with reason and name; the file may be missing"
    )
    left_out: InputPath = Field(
        "config/left_out.csv", description="stretches of recordings that are not averaged; the file may be missing"
    )


class RawFormat(Section):
    """How the samples lie in a recording without a header that says so."""

    sample_type: Literal["int16", "int24", "int32", "float32", "float64"] = Field(
        description="how one sample is stored"
    )
    byte_order: Literal["little", "big"] = Field("little", description="order of the bytes of a sample")
    layout: Literal["interleaved", "planar"] = Field(
        "interleaved", description="interleaved: frame after frame; planar: one channel after the other"
    )
    channels: Whole = Field(ge=1, le=4096, description="number of channels in the recording")
    sample_rate_hz: SampleRate = Field(le=10e6, description="sampling rate in Hz")
    header_bytes: HeaderBytes = Field(0, ge=0, description="bytes to skip before the first sample")


class Condition(Section):
    """One treatment state of the body."""

    title: str = Field("", description="words for plots and tables; default: the condition's name")
    applied: tuple[Name, ...] = Field((), description="the single treatments in place; none for the bare state")


class Comparison(Section):
    """Treatment minus reference, at the same position, speed and yaw."""

    reference: str = Field(description="the condition compared against")
    treatment: str = Field(description="the condition compared")


class Calibration(Section):
    """How checks with the calibrator become sensitivities, and when a check is doubted."""

    sensitivity: Literal["before", "after", "mean", "chart", "data_sheet"] = Field(
        "mean", description="which evidence is used; mean: of the checks before and after"
    )
    deviation_limit_db: LimitDb = Field(
        1.0, gt=0, description="dB, largest deviation of a check from the chart (0.5 to 1 dB, from memory)"
    )
    drift_limit_db: LimitDb = Field(
        0.5,
        gt=0,
        description="dB, largest change from before to after (limit of noise codes such as ISO 3744, from memory)",
    )
    drift_note_db: LimitDb = Field(
        0.2, gt=0, description="dB, from here on a change from before to after is noted (common practice)"
    )
    linearity_limit_db: LimitDb = Field(
        0.5,
        gt=0,
        description="dB, largest difference of a sensitivity between calibrators of different level (14 CFR 36, "
        "A36.3.6.5 to 6, second-hand: within 0.5 dB over at least 50 dB)",
    )
    least_below_full_scale_db: LimitDb = Field(
        5.0,
        ge=0,
        description="dB, a calibrator tone nearer to full scale is noted (14 CFR 36, A36.3.6.5 to 6, second-hand: 5 to "
        "30 dB below the upper limit of the range)",
    )
    most_below_full_scale_db: LimitDb = Field(
        30.0,
        gt=0,
        description="dB, a calibrator tone farther below full scale is noted (see least_below_full_scale_db)",
    )
    response_correction: bool = Field(True, description="apply the charts' frequency response to spectra")
    chart_age_limit_days: Days = Field(
        730, gt=0, description="days, an older chart is reported (common practice: recalibration in two years)"
    )
    static_pressure_missing_db: UncertaintyDb = Field(
        0.3,
        ge=0,
        description="dB, standard uncertainty where the air pressure at a closed-coupler check is unknown "
        "(about 3.5 % of air pressure: weather and some 300 m of altitude)",
    )
    shortest_steady_s: Duration = Field(
        1.0, description="s, least length of the steady part of a calibrator tone (common practice)"
    )
    steady_within_db: LimitDb = Field(
        0.15,
        gt=0,
        description="dB, spread within which the tone counts as steady (IEC 60942 class 1 short-term "
        "fluctuation 0.07 to 0.1 dB, from memory, plus the reading's own scatter)",
    )
    frequency_within_pct: Percent = Field(
        2.0,
        gt=0,
        lt=50,
        description="%, how far the tone may lie from the calibrator's frequency (twice IEC 60942 class 1 "
        "of about 1 %, from memory)",
    )
    least_tone_to_noise_db: LimitDb = Field(
        20.0, gt=0, description="dB, least tone above noise in the octave about it (at 20 dB noise adds 0.04 dB)"
    )
    unsteadiness_limit_db: LimitDb = Field(
        0.1,
        gt=0,
        description="dB, largest standard deviation of a tone's 0.5 s levels (IEC 60942 class 1 short-term "
        "fluctuation, from memory)",
    )
    distortion_limit_pct: Percent = Field(
        3.0, gt=0, description="%, largest distortion of a calibrator's tone (IEC 60942 class 1, from memory)"
    )
    application_spread_limit_db: LimitDb = Field(
        0.2,
        gt=0,
        description="dB, largest difference between two calibrator applications of one channel (common practice)",
    )
    background_tone_limit_db: LimitDb = Field(
        0.1,
        gt=0,
        description="dB, largest shift by a tone of the calibrator's frequency that is there without it (own choice: "
        "the unsteadiness that is allowed)",
    )
    level_off_db: LimitDb = Field(
        5.0,
        gt=0,
        description="dB, a check so far from the sensor table contradicts it: an entry must be wrong (own choice: less "
        "than the smallest usual step of gain, 6 dB)",
    )
    common_shift_limit_db: LimitDb = Field(
        0.2,
        gt=0,
        description="dB, from here on a median change of all sensors from before to after is reported (common "
        "practice: 0.2 dB passes without a word)",
    )
    common_deviation_limit_db: LimitDb = Field(
        0.5,
        gt=0,
        description="dB, from here on a median deviation of all sensors from their charts is reported (own choice: "
        "half of deviation_limit_db)",
    )
    leak_low_db: LimitDb = Field(
        0.3, gt=0, description="dB, so much lower than the others is a fit that may leak (own choice)"
    )
    leak_unsteadiness_db: LimitDb = Field(
        0.05,
        gt=0,
        description="dB, least standard deviation of the 0.5 s levels of a fit that may leak (own choice: half of "
        "unsteadiness_limit_db)",
    )
    chart_uncertainty_db: UncertaintyDb = Field(
        0.2, ge=0, description="dB, standard uncertainty of a chart where the sensor table gives none (from memory)"
    )
    chart_reach_uncertainty_db: UncertaintyDb = Field(
        0.1,
        ge=0,
        description="dB, standard uncertainty where the chart does not reach the calibrator's frequency (0 to 0.2 dB "
        "between 250 Hz and 1 kHz, from memory)",
    )
    calibrator_uncertainty_db: UncertaintyDb = Field(
        0.2,
        ge=0,
        description="dB, standard uncertainty of a calibrator where the calibrators table gives none (from memory)",
    )
    adapter_uncertainty_db: UncertaintyDb = Field(
        0.05,
        ge=0,
        description="dB, standard uncertainty of an adapter's correction where the calibrators table gives none "
        "(0.05 to 0.2 dB, from memory)",
    )
    static_pressure_uncertainty_hpa: AirPressureUncertainty = Field(
        1.0, ge=0, description="hPa, standard uncertainty of the air pressure entered (common practice: a barometer)"
    )


class Spectra(Section):
    """Narrowband spectra."""

    resolution_hz: LineSpacing = Field(
        1.0,
        le=1000,
        description="Hz, line spacing wanted; the block is the next fast FFT length (1 Hz gives the third octave at "
        "25 Hz its five lines)",
    )
    window: Literal["hann", "flattop", "rectangular"] = Field("hann", description="window of each block")
    overlap: Share = Field(
        0.5, ge=0, le=0.75, description="share of a block shared with the next (Welch 1967: 0.5 for hann)"
    )
    range_hz: FrequencyRange = Field((20.0, 10000.0), description="Hz, lowest and highest line kept")
    leave_out_spikes: bool = Field(
        False, description="leave out what lies within `spike_margin_s` of a spike on any channel, on all channels"
    )
    spike_margin_s: Margin = Field(0.05, ge=0, le=10, description="s, left out before and after a spike (own choice)")


def _no_truth(value: Any) -> Any:
    """Python takes true for 1."""
    if isinstance(value, bool):
        raise refuse("a number, not true or false")
    return value


class Bands(Section):
    """Fractional-octave bands."""

    fraction: Annotated[Literal[1, 3, 6, 12, 24], BeforeValidator(_no_truth)] = Field(
        3, description="bands in an octave (IEC 61260-1:2014)"
    )
    method: Literal["lines", "filters"] = Field(
        "lines", description="lines: summed from the narrowband; filters: IEC 61260-1:2014 class 1 filter bank"
    )
    range_hz: FrequencyRange = Field((25.0, 8000.0), description="Hz, first and last midband frequency")
    highest_fraction_of_rate: RateShare = Field(
        0.4,
        le=0.5,
        description="share of the sampling rate up to which bands are given (0.5 is the limit of Nyquist; the "
        "anti-aliasing filter needs the rest, common practice); `lowpass_hz` in the fittings table takes its place",
    )
    least_lines: ManyTimes = Field(
        5.0, ge=0, description="spectral lines that a band needs to get a level (common practice: 5, better 10)"
    )
    least_bandwidth_time: ManyTimes = Field(
        10.0,
        ge=0,
        description="bandwidth times averaged time that a band needs to get a level (common practice: at 10 a level's "
        "standard deviation is 1.4 dB)",
    )
    methods_differ_db: LimitDb = Field(
        0.3,
        gt=0,
        description="dB, bands where summed lines and filters differ by more are marked (common practice: they agree "
        "within 0.1 to 0.2 dB for smooth spectra)",
    )


class Overall(Section):
    """One weighted overall level."""

    weighting: Weighting = Field("Z", description="frequency weighting (IEC 61672-1:2013; Z: none)")
    range_hz: FrequencyRange = Field((25.0, 8000.0), description="Hz, first and last band summed")


class History(Section):
    """Level against time."""

    interval_s: Duration = Field(
        0.125, ge=0.01, le=60, description="s, averaging interval (the time constant F of IEC 61672-1:2013)"
    )
    weighting: tuple[Weighting, ...] = Field(("A", "Z"), min_length=1, description="frequency weightings")


class BandHistory(Section):
    """Band levels against time, by filters in the time domain (IEC 61260-1:2014), where asked for."""

    positions: Positions = Field((), description="positions, or `all`; none: no table `band_history`")


class Spectrogram(Section):
    """Spectra against time, where asked for."""

    positions: Positions = Field((), description="positions, or `all`; none: no table `spectrogram`")
    resolution_hz: LineSpacing = Field(10.0, le=1000, description="Hz, line spacing wanted (blocks of 0.1 s)")
    step_s: Duration = Field(0.5, le=600, description="s, time between the spectra, each the mean over it")
    range_hz: FrequencyRange = Field((20.0, 8000.0), description="Hz, lowest and highest line kept")


class CrossSpectra(Section):
    """Cross-spectra and coherence of all pairs of some positions, where asked for."""

    positions: Positions = Field((), description="positions, or `all`; none: no table `cross_spectra`")
    range_hz: FrequencyRange = Field((20.0, 2000.0), description="Hz, lowest and highest line kept")


class FlowBins(Section):
    """Road runs: levels by measured speed and yaw, for runs with a `flow_series` in the run table."""

    segment_s: Duration = Field(
        1.0,
        le=600,
        description="s, length of the segments that are put into bins (common practice: 1 s or longer); at least the "
        "averaged block",
    )
    speed_step_mps: SpeedStep = Field(2.0, le=100, description="m/s, width of the bins of speed (own choice)")
    yaw_step_deg: AngleStep = Field(2.0, le=90, description="degrees, width of the bins of yaw (own choice)")


class Background(Section):
    """What the margin of a level above its background decides."""

    enough_margin_db: MarginDb = Field(
        6.0, description="dB, from here on the correction is trusted in full (ISO 10140-4: corrected from 6 to 15 dB)"
    )
    least_margin_db: MarginDb = Field(
        3.0,
        gt=0,
        description="dB, below it the level is an upper bound only (at 3 dB half of the power is background); fewer "
        "than about 100 averages need more, by the scatter of the margin itself",
    )
    no_correction_above_db: MarginDb = Field(
        15.0, description="dB, from here on nothing is subtracted, 0.14 dB at most (ISO 10140-4)"
    )
    bound_share: Share = Field(
        0.1,
        ge=0,
        le=1,
        description="share of an overall level's power that bounds may carry before it is a bound itself (own choice)",
    )
    bound_factor: Times = Field(
        1.96,
        gt=0,
        le=5,
        description="standard uncertainties added to an upper bound (normal, two-sided 95 %; own choice: 97.5 % of "
        "bounds hold)",
    )
    most_hours: Hours = Field(
        24.0, description="hours, a background run taken longer before or after is refused (own choice)"
    )
    achieved_within: Share = Field(
        0.05,
        gt=0,
        lt=0.5,
        description="share of the speed, a background run whose achieved speed is further off is refused (common "
        "practice: scaling is not trusted beyond 5 %)",
    )
    between_speeds: bool = Field(
        False,
        description="where a speed has no background run, take a power law between those at the nearest speeds below "
        "and above",
    )
    between_speeds_uncertainty_db: UncertaintyDb = Field(
        0.5, ge=0, description="dB, standard uncertainty of that power law itself (own choice)"
    )
    repeat_sd_db: UncertaintyDb = Field(
        0.2,
        ge=0,
        le=10,
        description="dB, standard deviation of a background between its runs; counts for two degrees of freedom beside "
        "what several runs show (from memory, 0.1 to 0.4 dB is typical)",
    )
    spread_limit_db: LimitDb = Field(
        1.0,
        gt=0,
        description="dB, standard deviation between background runs, beyond random error, from which on a band's "
        "background is doubted (common practice)",
    )
    louder_share: Share = Field(
        0.3333,
        gt=0,
        le=1,
        description="share of a position's bands in which a background may be louder than the run beyond chance; with "
        "more, nothing is subtracted (common practice: something else is wrong then)",
    )
    references: tuple[Name, ...] = Field(
        (), description="positions of reference sensors; what is coherent with them is removed from all others"
    )
    most_removed_db: LimitDb = Field(
        10.0,
        gt=0,
        le=40,
        description="dB, a level of which references explain more is left as a bound (from memory: coherent removal is "
        "reported to gain 10 to 15 dB)",
    )


STATED_TERMS = ("mounting_db",)
"""Settings whose term counts as stated, and no longer as a default, where the campaign gives them itself."""


class Uncertainty(Section):
    """What no recording tells of the uncertainty of a level."""

    response_db: Curve = Field(
        ((250.0, 0.05), (2000.0, 0.05), (5000.0, 0.2), (10000.0, 0.5)),
        description="[Hz, dB] pairs, standard uncertainty of a chart's response, between the pairs linear over the "
        "logarithm of frequency (from memory: 0.05 dB to 2 kHz, 0.5 to 1 dB at 10 kHz)",
    )
    no_chart_db: Curve = Field(
        ((250.0, 0.1), (2000.0, 0.3), (10000.0, 1.5)),
        description="[Hz, dB] pairs, the same for a sensor without a chart, or beyond its ends (own choice)",
    )
    static_pressure_db_per_kpa: Coefficient = Field(
        0.01,
        ge=0,
        description="dB/kPa, standard uncertainty of a sensor's sensitivity by the change of air pressure since its "
        "check (from memory: 0.05 to 0.12 dB over 12 kPa)",
    )
    temperature_db_per_k: Coefficient = Field(
        0.01, ge=0, description="dB/K, the same by the change of temperature (from memory, about 0.01 dB/K or less)"
    )
    unknown_pressure_kpa: PressureChange = Field(
        3.0,
        ge=0,
        description="kPa, change since the check where air pressures are not given (common practice: weather)",
    )
    unknown_temperature_k: TemperatureChange = Field(
        10.0, ge=0, description="K, change since the check where temperatures are not given (own choice)"
    )
    speed_pct: Percent = Field(
        0.5, ge=0, le=20, description="%, standard uncertainty of an achieved speed (common practice in wind tunnels)"
    )
    air_missing_db: UncertaintyDb = Field(
        0.25,
        ge=0,
        le=10,
        description="dB, standard uncertainty by the density of air where its state is not given (common practice: 10 "
        "K make 0.30 dB, 3 kPa 0.26 dB)",
    )
    mounting_db: Curve = Field(
        ((1000.0, 0.2), (5000.0, 2.0)),
        description="[Hz, dB] pairs, standard uncertainty of a re-fitted surface microphone by its mounting, one in "
        "all runs of one mount; a default until stated (common practice: 0.2 dB below 1 kHz, 2 dB above 5 kHz)",
    )

    @property
    def stated_settings(self) -> tuple[str, ...]:
        """Those settings of terms that the campaign gives itself, by name."""
        return tuple(sorted(self.model_fields_set.intersection(STATED_TERMS)))


class Lines(Section):
    """How lines of sensors are looked at."""

    phase_mismatch_deg: Angle = Field(
        2.0,
        ge=0,
        lt=45,
        description="degrees, standard deviation of the phase between a line's sensors and channels that no chart "
        "tells (from memory: a few degrees)",
    )


class SensorSize(Section):
    """What the size of a sensor takes off levels under attached flow, after Corcos, and how far it is corrected."""

    convection_share: Share = Field(
        0.7,
        gt=0.1,
        le=1,
        description="convection speed over the run's speed where no line of sensors measures it (from memory: 0.6 to "
        "0.8 of the speed at the boundary layer's edge)",
    )
    convection_share_uncertainty: Share = Field(
        0.06, ge=0, le=0.3, description="standard uncertainty of that share (computed: a rectangle from 0.6 to 0.8)"
    )
    streamwise_decay: Times = Field(
        0.11,
        gt=0,
        le=1,
        description="decay of coherence along the flow, over omega times distance over convection speed (Corcos 1963; "
        "0.10 to 0.125, from memory)",
    )
    streamwise_decay_uncertainty: Times = Field(
        0.01, ge=0, le=1, description="standard uncertainty of that decay (from memory, see there)"
    )
    lateral_decay: Times = Field(
        0.7,
        gt=0,
        le=5,
        description="decay of coherence across the flow, in the same measure (Corcos 1963; 0.7 to 0.83, from memory)",
    )
    lateral_decay_uncertainty: Times = Field(
        0.07, ge=0, le=5, description="standard uncertainty of that decay (from memory, see there)"
    )
    radius_share: Share = Field(
        1.0,
        gt=0.2,
        le=1,
        description="radius that averages evenly over half of `diameter_mm` (own choice: the whole face; 0.6 to 0.8 of "
        "a diaphragm's radius, from memory)",
    )
    radius_share_uncertainty: Share = Field(
        0.1, ge=0, le=0.3, description="standard uncertainty of that share (own choice, see there)"
    )
    offered_to_db: LimitDb = Field(
        6.0,
        gt=0,
        le=20,
        description="dB, largest correction that is offered; where more is missing the band is marked size-limited "
        "(common practice: about 6 dB, where omega r / Uc is 1.7)",
    )


class OperatingPoint(Section):
    """Which runs count as taken at the same speed and yaw."""

    speed_tolerance: Share = Field(0.02, ge=0, lt=0.5, description="share of the speed, as in 0.02 for 2 %")
    yaw_tolerance_deg: Angle = Field(0.5, ge=0, lt=45, description="degrees")
    nominal_speeds: tuple[EnteredSpeed, ...] = Field(
        (), description="nominal speeds in entered_speed_unit; empty: found from the set speeds"
    )
    held: Literal["speed", "dynamic-pressure"] = Field(
        "speed", description="what the facility holds: levels are brought to the nominal one of it"
    )
    speed_exponent: Exponent = Field(
        4.0,
        gt=0,
        le=10,
        description="exponent of power on speed by which levels are brought to the nominal point (common "
        "practice: 4 for wall pressure, 6 for radiated sound)",
    )
    speed_exponent_uncertainty: ExponentUncertainty = Field(
        1.0,
        ge=0,
        le=5,
        description="standard uncertainty of that exponent, which counts as far as the compared runs differ in speed "
        "(own choice: 4 to 6 overall, up to 8 in bands of a spectrum that falls steeply)",
    )
    reference_density_kgm3: Number = Field(
        1.2, ge=0.3, le=2, description="kg/m3, density of the air that levels are brought to (common practice)"
    )
    extrapolated_above_db: LimitDb = Field(
        1.0, gt=0, description="dB, a larger correction is marked as extrapolated (common practice)"
    )
    extrapolated_speed_share: Share = Field(
        0.05,
        gt=0,
        lt=0.5,
        description="share of the speed, a run further off is marked as extrapolated (common practice)",
    )


class Compare(Section):
    """How differences between conditions are judged."""

    practical_threshold_db: LimitDb = Field(
        0.5, ge=0, description="dB, a smaller difference is of no practical use (common practice)"
    )
    at_nominal: bool = Field(
        True,
        description="compare levels brought to the nominal speed and air, where that correction is known; false: "
        "levels as they were measured",
    )
    repeats_pooled: bool = Field(
        True,
        description="pool a position's scatter of repeats over the conditions and operating points of a session that "
        "scatter alike, and near bands; false: the repeats of the two compared cells alone",
    )
    family: Literal["comparison", "operating-point"] = Field(
        "comparison",
        description="tests that are adjusted together: all bands of a comparison, or those of one operating point and "
        "pair of sessions; overall levels always apart",
    )
    adjustment: Literal["false-discovery", "family-wise"] = Field(
        "false-discovery",
        description="false-discovery: share of false ones among the findings (Benjamini and Hochberg 1995); "
        "family-wise: chance of a single false one (Holm 1979)",
    )
    lines: str = Field("", description="the comparison whose differences are given line by line; empty: the first one")
    best_condition: str = Field(
        "",
        description="the condition that all others are held against to say what each leaves to be gained; empty: for "
        "each the one that has everything applied that it has, and most beside",
    )
    interaction_limit_db: LimitDb = Field(
        1.0,
        gt=0,
        description="dB, sum of single contributions against the whole from which on they interact (common practice)",
    )
    mirror_limit_db: LimitDb = Field(
        3.0,
        gt=0,
        description="dB, partners on the other side of the body that differ by more from what they usually do get a "
        "verdict (own choice: vehicle bodies are symmetric within 1 to 2 dB)",
    )
    repeat_sd_db: UncertaintyDb = Field(
        0.2,
        ge=0,
        le=10,
        description="dB, standard deviation between repeats; used only where the campaign has no repeats at all, with "
        "two degrees of freedom (from memory, 0.1 to 0.4 dB is typical)",
    )
    session_sd_db: UncertaintyDb = Field(
        0.5,
        ge=0,
        description="dB, standard deviation between sessions with the mount untouched; used only where the campaign "
        "itself gives no estimate (from memory, 0.3 to 1 dB is typical)",
    )
    remount_sd_db: UncertaintyDb = Field(
        1.0,
        ge=0,
        description="dB, standard deviation of a sensor fitted anew, its mounting included; used only where the "
        "campaign itself gives no between-session estimate (from memory, typical of remounted sensors)",
    )


class Scaling(Section):
    """Exponents of speed, and whether spectra of several speeds fall together over Strouhal number or frequency."""

    reference_speed_mps: Speed | None = Field(
        None,
        description="m/s, speed that `level_at_reference_db` is for; none: the geometric mean of the campaign's "
        "nominal speeds (own choice)",
    )
    length_m: Length | None = Field(
        None,
        description="m, length l of St = f l / U where a position has none of its own; none: over f/U, in 1/m (common "
        "practice: gap width, step height, boundary-layer thickness)",
    )
    lengths: dict[Name, Length] = Field(
        {},
        description="m, own lengths by position or area; a position's own comes before its cavity's `length_m`, this "
        "before its area's (own choice)",
    )
    tonal_above_db: LimitDb = Field(
        10.0,
        gt=0,
        description="dB, largest line above the median line from which on a band may be tonal (own choice: noise of 10 "
        "averages reaches 4 dB)",
    )
    tonal_share: Share = Field(
        0.2,
        gt=0,
        lt=1,
        description="share of a level's power that such lines need to add for it to be left out as tonal (own choice: "
        "they raise the level by 1 dB then)",
    )
    least_bands: FewBands = Field(
        8, ge=5, description="bands with levels at two speeds that a collapse needs (own choice: fewer show no shape)"
    )


class Tones(Section):
    """What counts as a tone, and how well the sizes of cavities are known."""

    false_alarm_probability: Share = Field(
        0.01,
        gt=0,
        lt=0.5,
        description="probability that a spectrum without tones is said to have one (own choice: two in 200 "
        "spectra, which their repeats do not have)",
    )
    least_prominence_db: LimitDb = Field(
        6.0,
        ge=0,
        description="dB, largest line above the continuous spectrum from which on it may be a tone, however long the "
        "record (own choice: ripple by reflections, charts and curved spectra leaves 3 dB, noise on it 3 dB more)",
    )
    least_quality: Times = Field(
        10.0,
        gt=0,
        description="frequency over width at half power from which on what stands out is a tone; broader humps are "
        "none (own choice: shear-layer tones have 20 and more, humps 5 and less)",
    )
    cavity_size_pct: Percent = Field(
        3.0,
        ge=0,
        le=50,
        description="%, standard uncertainty of each size in cavities.csv (own choice: 0.5 mm of a gap of 16 mm)",
    )


class Quality(Section):
    """When a channel of a run is doubted."""

    overload_run_samples: Count = Field(
        3, ge=2, description="equal samples at full scale in a row that count as overload (common practice)"
    )
    overload_share_pct: Percent = Field(
        0.01,
        gt=0,
        lt=50,
        description="%, share of samples at full scale, or at a flat top below it, that makes a channel unusable, "
        "doubtful with less (Gaussian noise cut so often: 0.001 dB in level, up to 0.5 dB in a band 40 dB below it)",
    )
    impossible_pa: Pressure = Field(
        101_325.0,
        description="Pa rms that no sound pressure reaches (standard atmosphere, ISO 2533: 194 dB re 20 uPa); "
        "single samples of twice as much are none either",
    )
    dropout_s: ShortDuration = Field(0.005, description="s, identical samples for so long are a dropout")
    dead_level_pa: QuietPressure = Field(
        1e-4,
        ge=0,
        description="Pa rms, below it a channel is dead (14 dB re 20 uPa, below sensor noise, from memory)",
    )
    spike_ratio: Times = Field(
        10.0,
        gt=3,
        description="times the usual step between samples that count as a jump (own choice: synthetic wall pressure "
        "with a kurtosis of 5 reaches it up to 6 times in 8 s, 90 of 100 channels once at most)",
    )
    spike_rate_per_s: Times = Field(
        1.5, gt=0, description="jumps a second from which on a channel is doubted (own choice, see spike_ratio)"
    )
    spike_places: Count = Field(
        3, ge=1, description="jumps of 1.7 times that size from which on a channel is doubted (own choice)"
    )
    trend_limit_db: LimitDb = Field(
        3.0,
        gt=0,
        description="dB, change of a channel's level from start to end of a run, less that of the other channels, that "
        "is doubted; for all together 1.5 times as much (own choice: gusts of 1 dB leave up to 3 dB, rarely 3.5 dB)",
    )
    offset_limit: Times = Field(
        1.0, gt=0, description="times the rms that a channel's mean may move over a run (own choice)"
    )
    hum_limit_db: LimitDb = Field(
        10.0, gt=0, description="dB, mains line above the spectrum around it that is doubted (own choice)"
    )
    kurtosis_limit: Times = Field(
        12.0, gt=3, description="kurtosis that is doubted (wall pressure has 3 to 5, from memory; own choice)"
    )
    skewness_limit: Times = Field(
        1.5, gt=0, description="size of the skewness that is doubted (own choice; wall pressure has some tenths)"
    )
    same_signal_correlation: Share = Field(
        0.999,
        gt=0.5,
        le=1,
        description="correlation of the steps of two channels from which on they are one signal (own choice)",
    )
    odd_level_db: LimitDb = Field(
        6.0,
        gt=0,
        description="dB, a channel's level beside its other runs and the other positions that is doubted (own choice: "
        "repeats scatter by 1 dB)",
    )
    silent_level_db: LimitDb = Field(
        20.0,
        gt=0,
        description="dB, so far below its other runs and the other positions, or below its own background runs, a "
        "channel hears nothing (own choice: a hundredth of the power; repeats scatter by 1 dB)",
    )
    area_level_db: LimitDb = Field(
        15.0, gt=0, description="dB, a position's level beside the others of its area that is doubted (own choice)"
    )
    speed_level_db: LimitDb = Field(
        3.0,
        gt=0,
        description="dB, a whole run's level beside its repeats at one speed that is doubted (own choice)",
    )


class Repeatability(Section):
    """How repeats and sessions are held against each other."""

    at_nominal: bool = Field(
        True,
        description="bring levels to the nominal speed and air first, so that what is known to differ does not count "
        "as scatter; false: as measured",
    )
    outlier_level: Level = Field(
        0.01, gt=0, lt=0.5, description="chance below which a session is flagged as an outlier (ISO 5725-2: 1 %)"
    )
    straggler_level: Level = Field(
        0.05, gt=0, lt=0.5, description="chance below which a session is flagged as a straggler (ISO 5725-2: 5 %)"
    )
    excess_db: LimitDb = Field(
        0.3,
        ge=0,
        description="dB, rms difference of lines beyond random error from which on two repeats that fail the test are "
        "different in practice (own choice)",
    )
    most_pairs: Count = Field(
        10, ge=1, description="pairs of repeats tested in a session, condition and operating point (own choice)"
    )


class Ranking(Section):
    """The list of spots and bands to work on first."""

    weighting: Weighting = Field("Z", description="frequency weighting of the contributions ranked")
    operating_points: tuple[tuple[EnteredSpeed, Yaw], ...] = Field(
        (),
        description="operating points that the list is over, each as [speed in entered_speed_unit, yaw in degrees]; "
        "empty: all of them",
    )
    range_hz: FrequencyRange | None = Field(None, description="Hz, first and last band ranked; none: all bands")
    entries: Count = Field(20, ge=1, description="rows of the list for each comparison")
    draws: Whole = Field(
        2000,
        ge=100,
        le=20_000,
        description="how often the levels are drawn anew for the intervals of the ranks (own choice: a share of 0.95 "
        "is then good to 0.005)",
    )


class OutlineFile(Section):
    """A file with an outline of the body."""

    file: InputPath = Field(
        description="path from the campaign folder (.csv: a table of polylines, see outline.csv below; .svg: a drawing "
        "in which one user unit is one metre, x the plane's first axis and up, minus y, its second)"
    )
    plane: Plane | None = Field(
        None,
        description="the plane that it is drawn in (needed for a drawing; none: every plane whose two columns the "
        "table has)",
    )


class Report(Section):
    """How the report shows things."""

    speed_unit: Literal["km/h", "m/s"] = Field(
        "km/h", description="unit of speeds in the report; also of entered speeds without entered_speed_unit"
    )
    level_axis_db: AxisRange | None = Field(
        None, description="dB, ends of the axis of band levels; none: such that all levels are on it"
    )
    density_axis_db: AxisRange | None = Field(
        None, description="dB, ends of the axis of spectral densities; none: such that all spectra are on it"
    )
    difference_axis_db: AxisRange | None = Field(
        None, description="dB, ends of the axis of differences; none: such that all of a comparison are on it"
    )
    outlines: tuple[OutlineFile, ...] = Field(
        (), description="outlines of the body that the maps of positions are drawn upon; none: plain axes"
    )
