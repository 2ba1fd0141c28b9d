"""Types of the rows of every table, and of the columns that tables share.

Made from the declarations in `tapeline.store` by `make docs`. No column has to be there: what is
absent is null. A cell is None only in columns that say what an empty cell means.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

Numbers = Sequence[float] | NDArray[np.floating]

NumbersWithGaps = Sequence[float | None] | NDArray[np.floating]


class PointColumns(TypedDict, total=False):
    """Columns `POINT` of several tables."""

    speed_mps: float
    yaw_deg: float


class DoubtColumns(TypedDict, total=False):
    """Columns `DOUBT` of several tables."""

    doubtful: bool
    doubt: list[str]


class TermsColumns(TypedDict, total=False):
    """Columns `TERMS` of several tables."""

    terms: list[str]
    terms_db: Numbers
    terms_evidence: list[str]


class ItemColumns(TypedDict, total=False):
    """Columns `ITEM` of several tables."""

    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None


class ItemWithMidbandColumns(TypedDict, total=False):
    """Columns `ITEM_WITH_MIDBAND` of several tables."""

    quantity: str
    weighting: str
    band_hz: float | None
    midband_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None


class JudgedColumns(TypedDict, total=False):
    """Columns `JUDGED` of several tables."""

    standard_error_db: float
    degrees_of_freedom: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str


class SidesColumns(TypedDict, total=False):
    """Columns `SIDES` of several tables."""

    session_label: str
    reference_session: str
    treatment_session: str


class RangeOfSpeedColumns(TypedDict, total=False):
    """Columns `RANGE_OF_SPEED` of several tables."""

    lowest_speed_mps: float | None
    highest_speed_mps: float | None


class RunsRow(TypedDict, total=False):
    """A row of `runs`."""

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
    temperature_c: float
    static_pressure_hpa: float
    humidity_pct: float
    air_assumed: list[str]
    sound_speed_mps: float
    air_density_kgm3: float
    recorded_at: str | None
    calibrator: str | None
    stage: str | None
    replaces: str | None
    replaced_by: str | None
    gain_db: float | None
    start_s: float | None
    stop_s: float | None
    left_out: list[str]
    use: bool
    remark: str
    sample_rate_hz: float | None
    duration_s: float | None
    background_runs: list[str]
    background_kind: str | None
    background_refused: list[str]


class PositionsRow(TypedDict, total=False):
    """A row of `positions`."""

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


class ChecksRow(TypedDict, total=False):
    """A row of `checks`."""

    run: str
    session: str
    stage: str
    position: str
    sensor: str | None
    channel: int
    calibrator: str
    found: bool
    used: bool | None
    decided_by: str | None
    reasons: list[str]
    sentences: list[str]
    sample_rate_hz: float | None
    duration_s: float | None
    recording_sha256: str | None
    tone_frequency_hz: float | None
    tone_rms_v: float | None
    start_s: float | None
    stop_s: float | None
    application_starts_s: Numbers
    application_stops_s: Numbers
    turn: int | None
    turn_stated: int | None
    exchanged_with: str | None
    unsteadiness_db: float | None
    level_count: int | None
    distortion_pct: float | None
    tone_to_noise_db: float | None
    background_tone_db: float | None
    range_use_db: float | None
    below_full_scale_db: float | None
    calibrator_level_db: float
    static_pressure_correction_db: float | None
    adapter_correction_db: float
    level_db: float | None
    response_db: float | None
    gain_db: float
    sensitivity_v_per_pa: float | None
    standard_uncertainty_db: float | None
    terms: list[str]
    terms_db: Numbers
    terms_evidence: list[str]


class CalibrationRow(TypedDict, total=False):
    """A row of `calibration`."""

    session: str
    position: str
    sensor: str | None
    channel: int
    mount: str | None
    sensitivity_v_per_pa: float | None
    source: str
    why: str
    before_v_per_pa: float | None
    after_v_per_pa: float | None
    chart_v_per_pa: float | None
    data_sheet_v_per_pa: float | None
    deviation_db: float | None
    drift_db: float | None
    linearity_db: float | None
    linearity_step_db: float | None
    used_checks: list[str] | None
    refused_checks: list[str] | None
    session_deviation_db: float | None
    session_drift_db: float | None
    standard_uncertainty_db: float | None
    degrees_of_freedom: float | None
    terms: list[str]
    terms_db: Numbers
    terms_evidence: list[str]
    serial: str | None
    chart_serial: str | None
    data_sheet_serial: int | None
    calibrated_on: str | None
    data_sheet_calibrated_on: str | None
    chart_age_days: int | None
    response_kind: str | None
    verdict: str
    reasons: list[str]
    sentences: list[str]


class QualityRow(TypedDict, total=False):
    """A row of `quality`."""

    run: str
    session: str
    position: str
    channel: int
    verdict: str
    reasons: list[str]
    sentences: list[str]
    sample_rate_hz: float | None
    duration_s: float | None
    frames: int | None
    declared_frames: int | None
    mean_pa: float | None
    rms_pa: float | None
    rms_frequency_hz: float | None
    peak_pa: float | None
    range_use_db: float | None
    overload_s: float | None
    overload_count: int | None
    overload_first_s: float | None
    overload_share_pct: float | None
    dropout_s: float | None
    dropout_count: int | None
    dropout_first_s: float | None
    nonfinite_samples: int | None
    impossible_samples: int | None
    crest_factor: float | None
    skewness: float | None
    kurtosis: float | None
    bits_used: int | None
    spike_count: int | None
    spike_first_s: float | None
    spike_times_s: Numbers | None
    trend_db: float | None
    trend_error_db: float | None
    reverse_arrangements_z: float | None
    offset_change_pa: float | None
    relative_trend_db: float | None
    hum_db: float | None
    hum_hz: Numbers
    found_verdict: str | None
    overruled_by: str | None
    override_reason: str | None
    recording_sha256: str | None


class SpectraRow(TypedDict, total=False):
    """A row of `spectra`."""

    run: str
    position: str
    first_hz: float
    step_hz: float
    sample_rate_hz: float
    block_frames: int
    hop_frames: int
    blocks: int
    block_pairs: list[int]
    effective_averages: float
    noise_bandwidth_lines: float
    duration_s: float
    averaged_s: float
    psd_pa2_per_hz: NumbersWithGaps
    relative_spread: NumbersWithGaps
    response_low_hz: float | None
    response_high_hz: float | None


class NarrowbandRow(TypedDict, total=False):
    """A row of `narrowband`."""

    run: str
    position: str
    first_hz: float | None
    step_hz: float
    effective_averages: float
    line_lower_db: float
    line_upper_db: float
    psd_pa2_per_hz: NumbersWithGaps
    background_psd_pa2_per_hz: NumbersWithGaps | None
    left_out_hz: Numbers | None
    corrected_psd_pa2_per_hz: NumbersWithGaps
    standard_uncertainty_db: NumbersWithGaps
    degrees_of_freedom: NumbersWithGaps
    nominal_correction_db: float | None
    margin_db: NumbersWithGaps | None
    state: Sequence[int] | NDArray[np.uint8]
    response_low_hz: float | None
    response_high_hz: float | None
    averaged_s: float
    relative_spread: NumbersWithGaps


class BandsRow(TypedDict, total=False):
    """A row of `bands`."""

    run: str
    position: str
    band_hz: float
    midband_hz: float
    nominal_hz: float
    lower_hz: float
    upper_hz: float
    level_db: float | None
    level_lower_db: float | None
    level_upper_db: float | None
    level_pa2: float | None
    background_level_db: float | None
    background_pa2: float | None
    corrected_level_db: float | None
    corrected_pa2: float | None
    upper_bound_db: float | None
    margin_db: float | None
    state: str | None
    background_source: str | None
    coherent_level_db: float | None
    coherent_pa2: float | None
    corrected_lower_db: float | None
    corrected_upper_db: float | None
    electrical_level_db: float | None
    nominal_level_db: float | None
    nominal_correction_db: float | None
    random_uncertainty_db: float | None
    background_uncertainty_db: float | None
    background_scatter_uncertainty_db: float | None
    calibration_uncertainty_db: float | None
    response_uncertainty_db: float | None
    environment_uncertainty_db: float | None
    mounting_uncertainty_db: float | None
    size_uncertainty_db: float | None
    speed_uncertainty_db: float | None
    steadiness_uncertainty_db: float | None
    standard_uncertainty_db: float | None
    degrees_of_freedom: float | None
    absolute_lower_db: float | None
    absolute_upper_db: float | None
    size_correction_db: float | None
    size_correction_uncertainty_db: float | None
    size_corrected_level_db: float | None
    convection_speed_mps: float | None
    lines: float
    filters_minus_lines_db: float | None
    a_weighting_db: float | None
    c_weighting_db: float | None
    marks: list[str]
    quality: str
    calibration: str
    doubt: list[str]
    usable: bool
    comparable: bool
    pooled: bool


class OverallRow(TypedDict, total=False):
    """A row of `overall`."""

    run: str
    position: str
    weighting: str
    lowest_band_hz: float
    highest_band_hz: float
    lower_hz: float
    upper_hz: float
    absent_bands_hz: Numbers | None
    marks: list[str]
    level_db: float | None
    level_lower_db: float | None
    level_upper_db: float | None
    level_pa2: float | None
    background_level_db: float | None
    background_pa2: float | None
    corrected_level_db: float | None
    corrected_pa2: float | None
    upper_bound_db: float | None
    margin_db: float | None
    state: str | None
    background_source: str | None
    coherent_level_db: float | None
    coherent_pa2: float | None
    corrected_lower_db: float | None
    corrected_upper_db: float | None
    electrical_level_db: float | None
    nominal_level_db: float | None
    nominal_correction_db: float | None
    random_uncertainty_db: float | None
    background_uncertainty_db: float | None
    background_scatter_uncertainty_db: float | None
    calibration_uncertainty_db: float | None
    response_uncertainty_db: float | None
    environment_uncertainty_db: float | None
    mounting_uncertainty_db: float | None
    size_uncertainty_db: float | None
    speed_uncertainty_db: float | None
    steadiness_uncertainty_db: float | None
    standard_uncertainty_db: float | None
    degrees_of_freedom: float | None
    absolute_lower_db: float | None
    absolute_upper_db: float | None
    size_correction_db: float | None
    size_correction_uncertainty_db: float | None
    size_corrected_level_db: float | None
    bound_share: float | None
    l5_db: float | None
    l10_db: float | None
    l50_db: float | None
    l90_db: float | None
    l95_db: float | None
    maximum_db: float | None
    fast_maximum_db: float | None
    slow_maximum_db: float | None
    quality: str
    calibration: str
    doubt: list[str]
    usable: bool
    comparable: bool
    pooled: bool


class HistoryRow(TypedDict, total=False):
    """A row of `history`."""

    run: str
    position: str
    weighting: str
    time_s: float
    level_db: float | None
    fast_db: float | None
    slow_db: float | None
    fast_maximum_db: float | None
    slow_maximum_db: float | None
    silent: bool


class BandHistoryRow(TypedDict, total=False):
    """A row of `band_history`."""

    run: str
    position: str
    band_hz: float
    midband_hz: float
    step_s: float
    delay_s: float
    settled_s: float
    level_db: NumbersWithGaps


class SpectrogramRow(TypedDict, total=False):
    """A row of `spectrogram`."""

    run: str
    position: str
    time_s: float
    averaged_s: float
    first_hz: float
    step_hz: float
    psd_pa2_per_hz: NumbersWithGaps


class CrossSpectraRow(TypedDict, total=False):
    """A row of `cross_spectra`."""

    run: str
    position: str
    other_position: str
    first_hz: float
    step_hz: float
    effective_averages: float
    coherence_threshold: float
    csd_real_pa2_per_hz: NumbersWithGaps
    csd_imaginary_pa2_per_hz: NumbersWithGaps
    coherence: NumbersWithGaps


class ConditionedSpectraRow(TypedDict, total=False):
    """A row of `conditioned_spectra`."""

    run: str
    position: str
    references: list[str]
    first_hz: float
    step_hz: float
    effective_averages: float
    coherence_threshold: float
    psd_pa2_per_hz: NumbersWithGaps
    relative_error: NumbersWithGaps
    multiple_coherence: NumbersWithGaps
    significant: Sequence[int] | NDArray[np.uint8]
    references_used: Sequence[int] | NDArray[np.uint8]


class FlowSpectraRow(TypedDict, total=False):
    """A row of `flow_spectra`."""

    run: str
    position: str
    speed_mps: float
    yaw_deg: float
    mean_speed_mps: float
    mean_yaw_deg: float
    segments: int
    segment_s: float
    averaged_s: float
    block_pairs: list[int]
    effective_averages: float
    psd_pa2_per_hz: NumbersWithGaps


class FlowBinsRow(TypedDict, total=False):
    """A row of `flow_bins`."""

    run: str
    position: str
    speed_mps: float
    yaw_deg: float
    mean_speed_mps: float
    mean_yaw_deg: float
    segments: int
    segment_s: float
    averaged_s: float
    band_hz: float
    midband_hz: float
    level_db: float | None
    level_pa2: float | None
    level_lower_db: float | None
    level_upper_db: float | None
    degrees_of_freedom: float | None
    marks: list[str]
    quality: str
    calibration: str
    doubt: list[str]
    usable: bool
    comparable: bool
    pooled: bool


class LineSpectraRow(TypedDict, total=False):
    """A row of `line_spectra`."""

    run: str
    line: str
    position: str
    other_position: str
    first_hz: float
    step_hz: float
    csd_real_pa2_per_hz: NumbersWithGaps
    csd_imaginary_pa2_per_hz: NumbersWithGaps


class LinesRow(TypedDict, total=False):
    """A row of `lines`."""

    run: str
    line: str
    band_hz: float
    midband_hz: float
    positions: list[str]
    convection_speed_mps: float | None
    convection_lower_mps: float | None
    convection_upper_mps: float | None
    convection_share: float | None
    against_order: bool
    against_positions: list[str]
    opposite_positions: list[str]
    decay: float | None
    decay_lower: float | None
    decay_upper: float | None
    coherence_at_no_distance: float | None
    phase_misfit_rad: float | None
    coherence: float | None
    coherence_threshold: float | None
    pairs: int
    shortest_m: float | None
    longest_m: float | None
    aliased_above_hz: float | None
    marks: list[str]


class ComparisonsRow(TypedDict, total=False):
    """A row of `comparisons`."""

    comparison: str
    session_label: str
    reference_session: str
    treatment_session: str
    reference: str
    treatment: str
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    midband_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    level_basis: str
    reference_level_db: float | None
    treatment_level_db: float | None
    nominal_correction_db: float | None
    difference_db: float | None
    lower_db: float | None
    upper_db: float | None
    standard_error_db: float | None
    degrees_of_freedom: float | None
    interval_basis: str | None
    widest_run: str | None
    half_width_without_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int | None
    size_rank: int | None
    selected_lower_db: float | None
    selected_upper_db: float | None
    shrunken_db: float | None
    bracketed: bool | None
    drift_effect_db: float | None
    drift_effect_uncertainty_db: float | None
    return_db: float | None
    return_uncertainty_db: float | None
    finding: str
    why_not: str | None
    pairing: str
    reference_runs: list[str]
    treatment_runs: list[str]
    reference_available: int
    treatment_available: int
    opened: str | None
    contribution_level_db: float | None
    contribution_lower_db: float | None
    contribution_upper_db: float | None
    contribution_share: float | None
    contribution_state: str | None
    state: str | None
    doubtful: bool
    doubt: list[str]
    common_part: str | None


class RankingRow(TypedDict, total=False):
    """A row of `ranking`."""

    comparison: str
    place: int
    rank: int | None
    position: str
    band_hz: float
    area: str | None
    weighting: str
    weighting_from: str | None
    ranked_by: str
    points: str
    contribution_db: float | None
    contribution_pa2: float
    lower_db: float | None
    upper_db: float | None
    selected_lower_db: float | None
    selected_upper_db: float | None
    share: float | None
    difference_db: float | None
    direction: str | None
    finding: str
    operating_points: int
    expected_db: float | None
    rank_lower: int | None
    rank_upper: int | None
    first_probability: float | None
    tied_group: int | None
    tied_spots: int | None
    doubtful: bool
    doubt: list[str]
    next_step: str | None
    runs_needed: int | None


class AreasRow(TypedDict, total=False):
    """A row of `areas`."""

    session: str
    condition: str
    area: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    level_db: float | None
    upper_bound_db: float | None
    standard_uncertainty_db: float | None
    spread_db: float | None
    positions: list[str]
    without_level: list[str]
    runs: list[str]
    doubtful: bool
    doubt: list[str]


class AreaDifferencesRow(TypedDict, total=False):
    """A row of `area_differences`."""

    comparison: str
    session_label: str
    reference_session: str
    treatment_session: str
    area: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    reference_level_db: float
    treatment_level_db: float
    difference_db: float
    standard_error_db: float
    degrees_of_freedom: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str
    positions: list[str]
    left_out: list[str]
    doubtful: bool
    doubt: list[str]


class MirrorDifferencesRow(TypedDict, total=False):
    """A row of `mirror_differences`."""

    session: str
    condition: str
    position: str
    mirror: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    level_db: float
    mirror_level_db: float
    difference_db: float
    standard_error_db: float
    degrees_of_freedom: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str
    runs: list[str]
    mirror_runs: list[str]
    agreement: str
    doubtful: bool
    doubt: list[str]


class AdditivityRow(TypedDict, total=False):
    """A row of `additivity`."""

    session: str
    way: str
    common: str
    whole: str
    single: list[str]
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    sum_pa2: float
    whole_pa2: float
    sum_db: float | None
    whole_db: float | None
    interaction_db: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str
    runs: list[str]
    doubtful: bool
    doubt: list[str]


class ReferenceDriftRow(TypedDict, total=False):
    """A row of `reference_drift`."""

    session: str
    condition: str
    position: str
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    slope_db_per_hour: float
    span_hours: float
    difference_db: float
    standard_error_db: float
    degrees_of_freedom: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str
    runs: list[str]
    doubtful: bool
    doubt: list[str]


class SessionMeansRow(TypedDict, total=False):
    """A row of `session_means`."""

    comparison: str
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    difference_db: float
    standard_error_db: float
    degrees_of_freedom: float | None
    lower_db: float | None
    upper_db: float | None
    p_value: float | None
    adjusted_p_value: float | None
    family_size: int
    finding: str
    between_sessions_sd_db: float | None
    agreement_p_value: float | None
    sessions: list[str]
    differences_db: Numbers
    weights: Numbers
    left_out: list[str]
    doubtful: bool
    doubt: list[str]


class TreatmentsRow(TypedDict, total=False):
    """A row of `treatments`."""

    condition: str
    applied: list[str]
    untreated: str
    untreated_by: str
    best: str | None
    best_by: str | None
    session: str
    other_session: str
    pairing: str
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    midband_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    level_basis: str
    gain_db: float | None
    gain_lower_db: float | None
    gain_upper_db: float | None
    gain_standard_error_db: float | None
    gain_degrees_of_freedom: float | None
    gain_interval_basis: str | None
    gain_p_value: float | None
    gain_adjusted_p_value: float | None
    gain_family_size: int | None
    gain_finding: str | None
    gain_why_not: str | None
    gain_comparison: str | None
    gain_pairs: int | None
    gain_state: str | None
    gain_doubtful: bool | None
    gain_doubt: list[str] | None
    remainder_db: float | None
    remainder_lower_db: float | None
    remainder_upper_db: float | None
    remainder_standard_error_db: float | None
    remainder_degrees_of_freedom: float | None
    remainder_interval_basis: str | None
    remainder_p_value: float | None
    remainder_adjusted_p_value: float | None
    remainder_family_size: int | None
    remainder_finding: str | None
    remainder_why_not: str | None
    remainder_comparison: str | None
    remainder_pairs: int | None
    remainder_state: str | None
    remainder_doubtful: bool | None
    remainder_doubt: list[str] | None
    share: float | None
    share_lower: float | None
    share_upper: float | None
    runs: list[str]
    untreated_runs: list[str] | None
    best_runs: list[str] | None
    available: int
    untreated_available: int | None
    best_available: int | None


class LineDifferencesRow(TypedDict, total=False):
    """A row of `line_differences`."""

    comparison: str
    session_label: str
    reference_session: str
    treatment_session: str
    position: str
    speed_mps: float
    yaw_deg: float
    pairing: str
    first_hz: float
    step_hz: float
    difference_db: NumbersWithGaps
    lower_db: NumbersWithGaps
    upper_db: NumbersWithGaps
    reference_runs: list[str]
    treatment_runs: list[str]


class BudgetsRow(TypedDict, total=False):
    """A row of `budgets`."""

    budget: str
    comparison: str | None
    session_label: str
    condition: str | None
    pairing: str | None
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    runs: list[str]
    doubtful: bool
    doubt: list[str]
    level_db: float
    terms: list[str]
    terms_db: Numbers
    terms_evidence: list[str]
    terms_degrees_of_freedom: NumbersWithGaps
    standard_uncertainty_db: float
    degrees_of_freedom: float | None
    lower_db: float
    upper_db: float


class ScalingRow(TypedDict, total=False):
    """A row of `scaling`."""

    condition: str
    session: str
    position: str
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    midband_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    exponent: float | None
    standard_error: float | None
    exponent_lower: float | None
    exponent_upper: float | None
    degrees_of_freedom: int | None
    interval_basis: str | None
    size_corrected_exponent: float | None
    reference_speed_mps: float
    level_at_reference_db: float | None
    level_at_reference_error_db: float | None
    fit_rms_db: float | None
    lack_of_fit_p_value: float | None
    speeds: int
    level_count: int
    lowest_speed_mps: float | None
    highest_speed_mps: float | None
    runs: list[str]
    doubtful: bool
    doubt: list[str]
    left_out: list[str]


class CollapseRow(TypedDict, total=False):
    """A row of `collapse`."""

    condition: str
    session: str
    position: str
    yaw_deg: float
    length_m: float | None
    length_source: str | None
    strouhal_exponent: float | None
    strouhal_standard_error: float | None
    strouhal_exponent_lower: float | None
    strouhal_exponent_upper: float | None
    strouhal_scatter_db: float | None
    strouhal_degrees_of_freedom: int | None
    frequency_exponent: float | None
    frequency_standard_error: float | None
    frequency_exponent_lower: float | None
    frequency_exponent_upper: float | None
    frequency_scatter_db: float | None
    frequency_degrees_of_freedom: int | None
    better: str | None
    p_value: float | None
    peak_per_m: float | None
    peak_strouhal: float | None
    bands: int
    lowest_band_hz: float | None
    highest_band_hz: float | None
    speeds: int
    level_count: int
    lowest_speed_mps: float | None
    highest_speed_mps: float | None
    runs: list[str]
    doubtful: bool
    doubt: list[str]
    left_out: list[str]


class TonesRow(TypedDict, total=False):
    """A row of `tones`."""

    session: str
    run: str
    position: str
    tone: int
    condition: str | None
    speed_mps: float | None
    yaw_deg: float | None
    flow_speed_mps: float | None
    frequency_hz: float
    frequency_uncertainty_hz: float
    level_db: float
    level_uncertainty_db: float
    prominence_db: float
    threshold_db: float
    width_hz: float | None
    persistence: float | None
    in_background: bool | None
    background_level_db: float | None
    mains_order: int | None
    repeat_runs: int
    repeat_runs_with_it: int
    own: bool
    not_own: str | None
    track: int | None
    frequency_per_speed_per_m: float | None
    strouhal: float | None
    length_m: float | None
    length_source: str | None
    mode: str | None
    mode_deviation_pct: float | None
    mode_candidates: list[str] | None
    mode_chance: float | None
    explanation: str | None
    doubtful: bool
    doubt: list[str]


class ToneTracksRow(TypedDict, total=False):
    """A row of `tone_tracks`."""

    session: str
    position: str
    condition: str
    yaw_deg: float
    track: int
    sweep: str
    follows: str
    speed_exponent: float | None
    exponent_lower: float | None
    exponent_upper: float | None
    speeds_mps: Numbers
    frequencies_hz: Numbers
    levels_db: Numbers
    frequency_hz: float
    level_db: float
    frequency_per_speed_per_m: float
    strouhal: float | None
    length_m: float | None
    mode: str | None
    mode_deviation_pct: float | None
    mode_candidates: list[str] | None
    steps_from: int | None
    step_ratio: float | None
    runs: list[str]
    background_known: bool
    doubtful: bool
    doubt: list[str]


class CavityModesRow(TypedDict, total=False):
    """A row of `cavity_modes`."""

    session: str
    run: str
    cavity: str
    family: str
    order: int
    frequency_hz: float
    lower_hz: float
    upper_hz: float
    formula: str
    unmodified_hz: float | None
    speed_mps: float | None
    temperature_c: float | None
    sound_speed_mps: float
    positions: list[str]


class ToneDifferencesRow(TypedDict, total=False):
    """A row of `tone_differences`."""

    comparison: str
    session: str
    position: str
    speed_mps: float
    yaw_deg: float
    frequency_hz: float
    reference_frequency_hz: float | None
    treatment_frequency_hz: float | None
    reference_runs: int
    reference_runs_with_it: int
    treatment_runs: int
    treatment_runs_with_it: int
    reference_level_db: float | None
    treatment_level_db: float | None
    difference_db: float | None
    standard_error_db: float | None
    degrees_of_freedom: int
    lower_db: float | None
    upper_db: float | None
    bound_db: float | None
    finding: str
    doubtful: bool
    doubt: list[str]


class RepeatabilityRow(TypedDict, total=False):
    """A row of `repeatability`."""

    condition: str
    position: str
    speed_mps: float
    yaw_deg: float
    quantity: str
    weighting: str
    band_hz: float | None
    midband_hz: float | None
    lower_hz: float | None
    upper_hz: float | None
    lowest_band_hz: float | None
    highest_band_hz: float | None
    level_basis: str
    run_count: int
    bounds: int
    session_count: int
    sessions: list[str]
    session_runs: list[int]
    session_mean_db: Numbers
    session_sd_db: NumbersWithGaps
    mandel_h: NumbersWithGaps
    mandel_k: NumbersWithGaps
    within_session_sd_db: float | None
    within_degrees_of_freedom: int
    within_session_lower_db: float | None
    within_session_upper_db: float | None
    random_error_db: float
    repeatability_limit_db: float | None
    between_session_sd_db: float | None
    between_degrees_of_freedom: int
    between_refused: str | None
    reproducibility_sd_db: float | None
    reproducibility_degrees_of_freedom: float | None
    reproducibility_lower_db: float | None
    reproducibility_upper_db: float | None
    cochran: str | None
    grubbs: str | None
    shift_db: float | None
    shift_of: str | None
    shift_standard_error_db: float | None
    shift_degrees_of_freedom: float | None
    shift_p_value: float | None
    shift_mount: str | None
    doubtful: bool
    doubt: list[str]
    left_out: list[str]


class ControlValuesRow(TypedDict, total=False):
    """A row of `control_values`."""

    position: str
    speed_mps: float
    yaw_deg: float
    weighting: str
    lowest_band_hz: float
    highest_band_hz: float
    session: str
    condition: str
    session_number: int
    session_count: int
    level_basis: str
    level_db: float
    run_count: int
    mount: str
    change_db: float | None
    common_change_db: float | None
    centre_db: float | None
    lower_limit_db: float | None
    upper_limit_db: float | None
    doubtful: bool
    doubt: list[str]
    outside: bool | None
    trend: bool | None


class RepeatTestsRow(TypedDict, total=False):
    """A row of `repeat_tests`."""

    session: str
    condition: str
    speed_mps: float
    yaw_deg: float
    position: str
    run_a: str
    run_b: str
    lines: int | None
    level_basis: str | None
    statistic: float | None
    degrees_of_freedom: float | None
    p_value: float | None
    adjusted_p_value: float | None
    level_difference_db: float | None
    shape_p_value: float | None
    excess_db: float | None
    doubtful: bool
    doubt: list[str]
    same: bool | None
    changed: bool | None
    not_tested: str | None
    independent_differences: int | None
    level_median_db: float | None
    pair_level_db: float | None
    pair_p_value: float | None
    usual_level_sd_db: float | None
    level_usual_p_value: float | None
    shape_band_hz: float | None
    shape_difference_db: float | None
    usual_shape_sd_db: float | None
    shape_usual_p_value: float | None
    usual_p_value: float | None
    as_usual: bool | None
