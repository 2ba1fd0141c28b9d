"""Every table of the output contract, each declared once; writers check against it, docs are made from it."""

from __future__ import annotations

from tapeline.store.schema import Column, Table

STATES: tuple[str, ...] = ("none", "clear", "corrected", "limited", "bound")
"""Names of the background states; a `state` list in the narrowband table holds indices into this tuple."""

_KINDS = ("nothing", "electrical", "between-speeds", "flow")
TAKEN_OFF: tuple[str, ...] = (*_KINDS, *(f"references and {kind}" for kind in _KINDS))
"""What was taken off a level, in rising order of what it holds."""

WITH_REFERENCES = len(_KINDS)
"""How much further in that list it stands where references were taken off too."""

BACKGROUND_DOUBTS = frozenset({"background-unsteady", "background-louder"})
"""Marks of a band or overall level by which its background makes it doubtful."""

DB = "dB re 20 uPa"
PA2 = "Pa^2"
OTHER_RANGE = "the level covers other edges than the history: the third octaves of the first overall level's range"

_RUN = Column("run", "text", "identifier of the recording in runs.csv")
_SESSION = Column("session", "text", "the fitting of the sensors that was in place")
_POSITION = Column("position", "text", "identifier of the place on the body")
_SPEED = Column("speed_mps", "real", "nominal flow speed of the operating point", "m/s")
_YAW = Column("yaw_deg", "real", "nominal yaw angle of the operating point", "degree")
_BAND = Column("band_hz", "real", "nominal midband frequency, the band's label", "Hz")
_VERDICT = Column("verdict", "text", "good, doubtful or unusable")
_REASONS = Column("reasons", "texts", "reason codes, explained in the table of reasons")

_TERMS = (
    Column("terms", "texts", "names of the terms of the standard uncertainty"),
    Column("terms_db", "reals", "standard uncertainty that each term gives, in the order of `terms`", "dB"),
    Column("terms_evidence", "texts", "measured, certificate or default, in the order of `terms`"),
)

RUNS = Table(
    "runs",
    1,
    "One row a recording: the run table with its defaults filled in and what the recording held",
    ("run",),
    (
        _RUN,
        Column("session", "text", "the fitting of the sensors that was in place"),
        Column("kind", "text", "measurement, background or calibration"),
        Column("status", "text", "used, superseded, left out (use = no), or unusable (recording fault)"),
        Column("condition", "text", "treatment condition", null="not stated"),
        Column("recording", "text", "path below the recordings folder; parts joined by ' | '"),
        Column("format", "text", "name of the raw format", null="read from the file's header"),
        Column("set_speed_mps", "real", "set flow speed", "m/s", null="not stated"),
        Column("speed_mps", "real", "nominal speed of the operating point", "m/s", null="not stated"),
        Column("set_yaw_deg", "real", "set yaw angle", "degree"),
        Column("yaw_deg", "real", "nominal yaw of the operating point", "degree"),
        Column("measured_speed_mps", "real", "achieved speed", "m/s", null="not given"),
        Column("dynamic_pressure_pa", "real", "dynamic pressure, given or from density and speed", "Pa"),
        Column("temperature_c", "real", "air temperature (20 where not given)", "degree Celsius"),
        Column("static_pressure_hpa", "real", "static pressure (1013.25 where not given)", "hPa"),
        Column("humidity_pct", "real", "relative humidity (50 where not given)", "%"),
        Column("air_assumed", "texts", "which of the three air values are defaults"),
        Column("sound_speed_mps", "real", "speed of sound, Cramer (1993)", "m/s"),
        Column("air_density_kgm3", "real", "density of moist air, CIPM-2007", "kg/m^3"),
        Column("recorded_at", "text", "ISO 8601 time from the run table", null="not given"),
        Column("calibrator", "text", "calibrator of a calibration run"),
        Column("stage", "text", "before or after, of a calibration run"),
        Column("replaces", "text", "the run that this one was taken again for"),
        Column("replaced_by", "text", "the run that was taken again for this one"),
        Column("gain_db", "real", "conditioner gain of the run where it differs from the fittings", "dB"),
        Column("start_s", "real", "start of the used part", "s", null="from the first sample"),
        Column("stop_s", "real", "stop of the used part", "s", null="to the last sample"),
        Column("left_out", "texts", "stretches of the recording that are not averaged, with their reasons"),
        Column("use", "yes_no", "false leaves the run out"),
        Column("remark", "text", "free text of the run table"),
        Column("sample_rate_hz", "real", "sample rate of the recording", "Hz", null="not read"),
        Column("duration_s", "real", "length of the used part", "s", null="not read"),
        Column(
            "background_runs",
            "texts",
            "background runs chosen for this one; `taken_off` of the levels says where they were subtracted",
        ),
        Column(
            "background_kind",
            "text",
            "flow, electrical (wind off alone) or between-speeds (a power law through two measured speeds)",
            null="none",
        ),
        Column("background_refused", "texts", "background runs that are not subtracted, with the reason"),
    ),
)

POSITIONS = Table(
    "positions",
    1,
    "One row a place on the body",
    ("position",),
    (
        _POSITION,
        Column("x_m", "real", "coordinate in the campaign's axes", "m"),
        Column("y_m", "real", "coordinate in the campaign's axes", "m"),
        Column("z_m", "real", "coordinate in the campaign's axes", "m"),
        Column("area", "text", "group of positions"),
        Column("flow", "text", "attached, separated, cavity, sheltered or not stated"),
        Column("mirror", "text", "partner on the other side"),
        Column("line", "text", "line array that the position belongs to"),
        Column("line_order", "integer", "place on the line, counted downstream"),
        Column("cavity", "text", "row of cavities.csv"),
        Column("remark", "text", "free text"),
    ),
)

CHECKS = Table(
    "checks",
    1,
    "One row a calibrator check of a channel: what was found in the recording",
    ("run", "position"),
    (
        _RUN,
        _SESSION,
        Column("stage", "text", "before or after"),
        _POSITION,
        Column("sensor", "text", "sensor fitted"),
        Column("channel", "integer", "channel of the recording, from 1"),
        Column("calibrator", "text", "calibrator used"),
        Column("found", "yes_no", "a steady calibrator tone was found on this channel"),
        _REASONS,
        Column("sentences", "texts", "each reason as a sentence with its numbers"),
        Column("sample_rate_hz", "real", "sample rate of the recording", "Hz", null="recording not readable"),
        Column("duration_s", "real", "length of the used part", "s", null="recording not readable"),
        Column("recording_sha256", "text", "content hashes of the recording's files", null="a file is missing"),
        Column("tone_frequency_hz", "real", "frequency of the fitted sine", "Hz", null="no tone found"),
        Column("tone_rms_v", "real", "rms voltage of the fitted sine at the recorder", "V"),
        Column("start_s", "real", "start of the steady part that was measured", "s"),
        Column("stop_s", "real", "stop of the steady part that was measured", "s"),
        Column("ring_starts_s", "reals", "starts of all rings of the channel, steady or not", "s"),
        Column("ring_stops_s", "reals", "stops of all rings of the channel", "s"),
        Column(
            "turn",
            "integer",
            "place of the measured ring's turn in the recording, from 1; rung again at once is one turn",
        ),
        Column("turn_stated", "integer", "place in the run table's list of positions, from 1", null="not listed"),
        Column("unsteadiness_db", "real", "standard deviation of the tone's 0.5 s levels", "dB"),
        Column("levels", "integer", "number of these levels"),
        Column("distortion_pct", "real", "rms of harmonics 2 to 5 over rms of the tone", "%"),
        Column("tone_to_noise_db", "real", "tone power over that of the rest of the octave about it", "dB"),
        Column(
            "background_tone_db",
            "real",
            "at the tone's frequency, the quietest moment without a ring against the tone",
            "dB",
            null="none stands out, or no such moment",
        ),
        Column("range_use_db", "real", "crest of the tone against the recorder's full scale", "dB"),
        Column("calibrator_level_db", "real", "level stated for the calibrator", DB),
        Column("static_pressure_correction_db", "real", "20 lg(p / 101.325 kPa), closed couplers only", "dB"),
        Column("adapter_correction_db", "real", "correction for the adapter's volume", "dB"),
        Column("level_db", "real", "level at the sensor after corrections", DB),
        Column("response_db", "real", "chart response at the tone's frequency", "dB"),
        Column("gain_db", "real", "conditioner gain during the check", "dB"),
        Column("sensitivity_v_per_pa", "real", "sensitivity from this check, at 0 dB of the chart", "V/Pa"),
        Column("standard_uncertainty_db", "real", "of the level at the sensor and the fit", "dB"),
        *_TERMS,
    ),
)

CALIBRATION = Table(
    "calibration",
    1,
    "One row a session and position: the evidence side by side, the sensitivity used and why",
    ("session", "position"),
    (
        _SESSION,
        _POSITION,
        Column("sensor", "text", "sensor fitted", null="the recording holds pascal"),
        Column("channel", "integer", "channel of the recording, from 1"),
        Column("mount", "text", "physical attachment", null="new in each session"),
        Column("sensitivity_v_per_pa", "real", "the sensitivity used", "V/Pa", null="none could be had"),
        Column("source", "text", "mean, before, after, chart, data_sheet, pascal or none"),
        Column("why", "text", "why this source: the policy's choice and what was refused"),
        Column("before_v_per_pa", "real", "from the checks before", "V/Pa", null="no valid check"),
        Column("after_v_per_pa", "real", "from the checks after", "V/Pa", null="no valid check"),
        Column("chart_v_per_pa", "real", "from the sensor table", "V/Pa", null="not given"),
        Column("data_sheet_v_per_pa", "real", "from the data sheet", "V/Pa", null="no public layout to read it by"),
        Column("deviation_db", "real", "mean of the checks against the chart", "dB"),
        Column("drift_db", "real", "after against before", "dB"),
        Column("session_deviation_db", "real", "median deviation of the session's sensors", "dB", null="fewer than 3"),
        Column("session_drift_db", "real", "median drift of the session's sensors", "dB", null="fewer than 3"),
        Column("standard_uncertainty_db", "real", "of the sensitivity used", "dB"),
        Column("degrees_of_freedom", "real", "of the standard uncertainty (GUM G.4.1)", null="infinite"),
        *_TERMS,
        Column("serial", "text", "serial number in the sensor table", null="not given"),
        Column("chart_serial", "text", "serial number in the chart", null="not given"),
        Column("data_sheet_serial", "integer", "serial number in the data sheet", null="no data sheet"),
        Column("calibrated_on", "text", "date of the chart in the sensor table", null="not given"),
        Column("data_sheet_calibrated_on", "text", "date in the data sheet", null="none that can be read"),
        Column("chart_age_days", "integer", "from the chart's date to the session's first run", "d", null="no date"),
        Column("response_kind", "text", "pressure, actuator or free-field", null="no chart"),
        _VERDICT,
        _REASONS,
        Column("sentences", "texts", "each reason as a sentence with its numbers"),
    ),
)

QUALITY = Table(
    "quality",
    1,
    "One row a run and position: can this channel be trusted in this run, and the number behind each reason",
    ("run", "position"),
    (
        _RUN,
        _SESSION,
        _POSITION,
        Column("channel", "integer", "channel of the recording, from 1"),
        _VERDICT,
        _REASONS,
        Column("sentences", "texts", "each reason as a sentence with its numbers"),
        Column("sample_rate_hz", "real", "sample rate of the recording", "Hz"),
        Column("duration_s", "real", "length of the used part", "s"),
        Column("frames", "integer", "samples of the used part, per channel"),
        Column("declared_frames", "integer", "samples that the file's header declares"),
        Column("mean_pa", "real", "mean of the used part", "Pa"),
        Column("rms_pa", "real", "standard deviation of the used part", "Pa"),
        Column("peak_pa", "real", "largest deviation from the mean", "Pa"),
        Column("range_use_db", "real", "peak against the recorder's full scale", "dB"),
        Column("overload_s", "real", "time at the extreme value in runs of equal samples", "s"),
        Column("overload_places", "integer", "number of such runs"),
        Column("overload_first_s", "real", "start of the first one", "s"),
        Column("dropout_s", "real", "time in runs of one repeated value", "s"),
        Column("dropout_places", "integer", "number of such runs"),
        Column("dropout_first_s", "real", "start of the first one", "s"),
        Column("bad_samples", "integer", "samples that are no finite number"),
        Column("crest_factor", "real", "largest deviation over the standard deviation"),
        Column("skewness", "real", "third central moment over the cubed standard deviation"),
        Column("kurtosis", "real", "fourth central moment over the squared variance, 3 of Gaussian noise"),
        Column("bits_used", "integer", "bits from the sign to the lowest one that any sample sets", null="floats"),
        Column("spike_places", "integer", "jumps between samples far beyond the usual step"),
        Column("spike_first_s", "real", "time of the first one", "s"),
        Column("spike_times_s", "reals", "times of the first 1000 of them, from the start of the used part", "s"),
        Column("trend_db", "real", "change of the level from start to end of the run", "dB", null="too short to tell"),
        Column("trend_error_db", "real", "its standard error", "dB"),
        Column("reverse_arrangements_z", "real", "reverse arrangements of 24 parts, above 0 where the level falls"),
        Column("offset_change_pa", "real", "change of the mean from start to end", "Pa", null="too short to tell"),
        Column(
            "own_trend_db", "real", "the same against the median of the run's channels", "dB", null="too short to tell"
        ),
        Column("hum_db", "real", "strongest mains line above what is around it", "dB", null="too short to tell"),
        Column("found_verdict", "text", "verdict before it was set by hand", null="not set by hand"),
        Column("overruled_by", "text", "who set the verdict by hand", null="nobody"),
        Column("override_reason", "text", "why", null="not set by hand"),
        Column("recording_sha256", "text", "content hashes of the recording's files", null="a file is missing"),
    ),
)

SPECTRA = Table(
    "spectra",
    1,
    "As made, run by run: one averaged power spectral density a position, all lines from 0 Hz",
    ("position",),
    (
        _RUN,
        _POSITION,
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("sample_rate_hz", "real", "sample rate", "Hz"),
        Column("block_frames", "integer", "samples of an averaged block"),
        Column("hop_frames", "integer", "samples between block starts"),
        Column("blocks", "integer", "number of averaged blocks"),
        Column("block_pairs", "integers", "pairs of averaged blocks 0, 1, 2 ... hops apart, as far as blocks overlap"),
        Column("effective_averages", "real", "independent averages that the overlapped blocks are worth"),
        Column("noise_bandwidth_lines", "real", "noise bandwidth of the window", "lines"),
        Column("duration_s", "real", "length of the used part", "s"),
        Column("used_s", "real", "length of what was averaged: the used part less what is left out", "s"),
        Column("psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz"),
        Column("relative_spread", "reals", "standard deviation of each line's power over the blocks, over its mean"),
        Column("response_low_hz", "real", "lowest frequency that the chart covers", "Hz", null="no chart"),
        Column("response_high_hz", "real", "highest frequency that the chart covers", "Hz", null="no chart"),
    ),
)

NARROWBAND = Table(
    "narrowband",
    1,
    "One row a spectrum: power spectral densities as equally long lists",
    ("run", "position"),
    (
        _RUN,
        _POSITION,
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("effective_averages", "real", "independent averages; degrees of freedom are twice as many"),
        Column("line_low_db", "real", "lower end of a line's within-record interval against its level", "dB"),
        Column("line_high_db", "real", "upper end of a line's within-record interval against its level", "dB"),
        Column("psd_pa2_per_hz", "reals", "total, one-sided", "Pa^2/Hz"),
        Column("background_psd_pa2_per_hz", "reals", "of the background runs", "Pa^2/Hz", null="none"),
        Column("corrected_psd_pa2_per_hz", "reals", "after subtraction; NaN where a bound", "Pa^2/Hz"),
        Column(
            "standard_uncertainty_db", "reals", "of the corrected line as an absolute level; NaN where a bound", "dB"
        ),
        Column("degrees_of_freedom", "reals", "of the standard uncertainty (Welch-Satterthwaite)"),
        Column(
            "nominal_correction_db", "real", "what brings lines to the nominal speed and air", "dB", null="no speed"
        ),
        Column("margin_db", "reals", "total above all that is taken off", "dB", null="none"),
        Column("state", "states", "index into the list of states in the file's metadata"),
        Column("response_low_hz", "real", "lines below it are response-unknown", "Hz", null="no chart applied"),
        Column("response_high_hz", "real", "lines above it are response-unknown", "Hz", null="no chart applied"),
        Column("used_s", "real", "length of what was averaged", "s"),
        Column(
            "relative_spread",
            "reals",
            "standard deviation of each line's power over the blocks, over its mean: 1 for steady noise, 0 for a "
            "steady tone, above 1 for what comes and goes",
        ),
    ),
    sort=("position", "run"),
    partition="session",
    notes=(("states", ",".join(STATES)),),
)

_LEVELS = (
    Column("level_db", "real", "total level", DB, null="outside the usable range"),
    Column("level_low_db", "real", "lower end of its within-record interval (random error alone)", DB),
    Column("level_high_db", "real", "upper end of its within-record interval", DB),
    Column("level_pa2", "real", "total mean square", PA2),
    Column(
        "background_level_db",
        "real",
        "level of the background, without what references hear",
        DB,
        null="no background run",
    ),
    Column("background_pa2", "real", "mean square of the background", PA2),
    Column(
        "corrected_level_db",
        "real",
        "level after subtraction",
        DB,
        null="a bound, or not usable",
    ),
    Column("corrected_pa2", "real", "mean square after subtraction", PA2),
    Column("upper_bound_db", "real", "upper bound of the level", DB, null="not a bound"),
    Column("margin_db", "real", "total above all that is taken off", "dB"),
    Column("state", "text", "clear, corrected, limited, bound or none"),
    Column(
        "taken_off",
        "text",
        "what there was to take off: nothing, electrical (wind off), between-speeds or flow, and references before it; "
        "where the state is clear it was not taken off",
    ),
    Column(
        "coherent_level_db", "real", "level of what reference sensors explain", DB, null="no references, or nothing"
    ),
    Column(
        "coherent_pa2", "real", "part of the total that is coherent with reference sensors", PA2, null="no references"
    ),
    Column(
        "corrected_low_db",
        "real",
        "lower end of the corrected level's interval: random error of run and background, scatter of the background",
        DB,
        null="a bound, or open",
    ),
    Column("corrected_high_db", "real", "upper end of that interval", DB, null="a bound"),
    Column("electrical_level_db", "real", "level with the wind off", DB, null="no wind-off run with the same gain"),
    Column("nominal_level_db", "real", "corrected level brought to the nominal operating point", DB),
    Column(
        "nominal_correction_db",
        "real",
        "what brings a level of this row to the nominal speed and air",
        "dB",
        null="no speed",
    ),
)

_UNCERTAINTY = (
    Column("random_uncertainty_db", "real", "of the corrected level, from the run's own averages", "dB"),
    Column("background_uncertainty_db", "real", "of the corrected level, from the background", "dB"),
    Column(
        "background_own_uncertainty_db",
        "real",
        "part of it that other runs with the same background runs do not share: how much the background scatters",
        "dB",
    ),
    Column("calibration_uncertainty_db", "real", "of the sensitivity used", "dB"),
    Column("response_uncertainty_db", "real", "of the sensor's response over frequency", "dB"),
    Column("environment_uncertainty_db", "real", "air pressure and temperature at the sensor since its check", "dB"),
    Column("mounting_uncertainty_db", "real", "of the mounting, where settings state one", "dB"),
    Column("speed_uncertainty_db", "real", "of the operating point: speed, and density where air is not given", "dB"),
    Column("steadiness_uncertainty_db", "real", "how the level came and went within the run", "dB"),
    Column("standard_uncertainty_db", "real", "of the corrected level as an absolute one: all of these", "dB"),
    Column("degrees_of_freedom", "real", "of the standard uncertainty (Welch-Satterthwaite)"),
    Column(
        "absolute_low_db", "real", "lower end of the absolute level's interval, all terms", DB, null="a bound, or open"
    ),
    Column("absolute_high_db", "real", "upper end of that interval", DB, null="a bound"),
)

BANDS = Table(
    "bands",
    1,
    "One row a run, position and band",
    ("run", "position", "band_hz"),
    (
        _RUN,
        _POSITION,
        _BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("nominal_hz", "real", "nominal midband frequency", "Hz"),
        Column("lower_hz", "real", "exact lower edge", "Hz"),
        Column("upper_hz", "real", "exact upper edge", "Hz"),
        *_LEVELS,
        *_UNCERTAINTY,
        Column("lines", "real", "spectral lines in the band"),
        Column("filters_minus_lines_db", "real", "total level by band filters less that by summed lines", "dB"),
        Column(
            "marks",
            "texts",
            "why the band has no level: few-lines, short-record, high-pass, low-pass, anti-alias, chart-ends; or what "
            "to know of it: response-unknown (an edge lies beyond the chart), methods-differ (summed lines and band "
            "filters), background-narrower (the background runs do not reach the band), background-unsteady (its runs "
            "scatter), background-louder (than the run in too many bands: nothing is subtracted), background-refused, "
            "background-unusable (the channel in the background runs), "
            "background-between-speeds, background-electrical (the wind-off level alone is subtracted), "
            "at-electrical-floor, references-missing, extrapolated (brought far to the nominal point)",
        ),
        Column("quality", "text", "verdict of the channel in this run: good, doubtful or unusable"),
        Column("calibration", "text", "verdict of the channel's calibration"),
    ),
    partition="session",
)

OVERALL = Table(
    "overall",
    1,
    "One row a run, position, weighting and range: sums over the bands of the range",
    ("run", "position", "weighting", "lower_hz", "upper_hz"),
    (
        _RUN,
        _POSITION,
        Column("weighting", "text", "frequency weighting A, C or Z"),
        Column("lower_hz", "real", "lowest midband frequency asked for", "Hz"),
        Column("upper_hz", "real", "highest midband frequency asked for", "Hz"),
        Column("lower_edge_hz", "real", "exact lower edge of the sum", "Hz"),
        Column("upper_edge_hz", "real", "exact upper edge of the sum", "Hz"),
        Column(
            "marks",
            "texts",
            "narrower-range (bands at an end of the range asked for have no level), background-narrower "
            "(the background runs do not reach all of its bands), and the marks of the background as in bands",
        ),
        *_LEVELS,
        *_UNCERTAINTY,
        Column("bound_share", "real", "share of the sum's power that bounds may carry"),
        Column(
            "l5_db", "real", "level exceeded 5 % of the time, from the history's energy means", DB, null=OTHER_RANGE
        ),
        Column("l10_db", "real", "level exceeded 10 % of the time, from the history", DB, null=OTHER_RANGE),
        Column("l50_db", "real", "level exceeded half of the time", DB, null=OTHER_RANGE),
        Column("l90_db", "real", "level exceeded 90 % of the time", DB, null=OTHER_RANGE),
        Column("l95_db", "real", "level exceeded 95 % of the time", DB, null=OTHER_RANGE),
        Column("maximum_db", "real", "largest energy mean of the history", DB, null=OTHER_RANGE),
        Column(
            "fast_maximum_db", "real", "largest F-weighted level", DB, null=f"too short to settle, or {OTHER_RANGE}"
        ),
        Column(
            "slow_maximum_db", "real", "largest S-weighted level", DB, null=f"too short to settle, or {OTHER_RANGE}"
        ),
        Column("quality", "text", "verdict of the channel in this run"),
        Column("calibration", "text", "verdict of the channel's calibration"),
    ),
    partition="session",
)

HISTORY = Table(
    "history",
    1,
    "One row a run, position, weighting and interval: level against time",
    ("run", "position", "weighting", "time_s"),
    (
        _RUN,
        _POSITION,
        Column("weighting", "text", "frequency weighting"),
        Column("time_s", "real", "start of the interval, from the start of the used part", "s"),
        Column("level_db", "real", "energy mean over the interval", DB),
        Column("fast_db", "real", "time weighting F at the end of the interval", DB, null="still settling"),
        Column("slow_db", "real", "time weighting S at the end of the interval", DB, null="still settling"),
        Column("fast_maximum_db", "real", "largest F-weighted level in the interval", DB, null="still settling"),
        Column("slow_maximum_db", "real", "largest S-weighted level in the interval", DB, null="still settling"),
    ),
    partition="session",
)

BAND_HISTORY = Table(
    "band_history",
    1,
    "On request. One row a run, position and band: levels against time by filters in the time domain, as lists",
    ("run", "position", "band_hz"),
    (
        _RUN,
        _POSITION,
        _BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("step_s", "real", "length of an interval; interval i starts at i step_s of the used part", "s"),
        Column(
            "delay_s", "real", "group delay of the band's filter: what an interval shows happened that much before", "s"
        ),
        Column("settled_s", "real", "time from which on the filter has settled", "s"),
        Column("level_db", "reals", "energy means over the intervals; NaN while settling, and where left out", DB),
    ),
    partition="session",
)

SPECTROGRAM = Table(
    "spectrogram",
    1,
    "On request. One row a run, position and time: a power spectral density averaged over a short while",
    ("run", "position", "time_s"),
    (
        _RUN,
        _POSITION,
        Column("time_s", "real", "middle of what was averaged, from the start of the used part", "s"),
        Column("length_s", "real", "length of what was averaged", "s"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz"),
    ),
    partition="session",
)

CROSS_SPECTRA = Table(
    "cross_spectra",
    1,
    "On request. One row a run and pair of positions: cross-spectral density and coherence as equally long lists",
    ("run", "position", "other_position"),
    (
        _RUN,
        _POSITION,
        Column("other_position", "text", "the other position of the pair"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("effective_averages", "real", "independent averages that the overlapped blocks are worth"),
        Column("coherence_threshold", "real", "coherence that unrelated signals stay below at the set confidence"),
        Column(
            "csd_real_pa2_per_hz",
            "reals",
            "real part of mean conj(X) Y, X of `position`: phase -2 pi f tau where the other one receives tau later",
            "Pa^2/Hz",
        ),
        Column(
            "csd_imaginary_pa2_per_hz",
            "reals",
            "imaginary part; charts' responses are taken out, with their phases",
            "Pa^2/Hz",
        ),
        Column("coherence", "reals", "magnitude-squared coherence, its bias of about 1/averages not taken off"),
    ),
    partition="session",
)

CONDITIONED_SPECTRA = Table(
    "conditioned_spectra",
    1,
    "Where settings name reference sensors. One row a run and other position: what the references do not explain, as "
    "equally long lists",
    ("run", "position"),
    (
        _RUN,
        _POSITION,
        Column("references", "texts", "positions of the references that were recorded and usable"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("effective_averages", "real", "independent averages that the overlapped blocks are worth"),
        Column(
            "coherence_threshold",
            "real",
            "multiple coherence that unrelated references stay below at the set confidence (largest over the lines)",
        ),
        Column(
            "psd_pa2_per_hz", "reals", "conditioned power spectral density: not coherent with any reference", "Pa^2/Hz"
        ),
        Column("relative_error", "reals", "its standard error over itself: 1 / sqrt(averages - references)"),
        Column("multiple_coherence", "reals", "share of the power that the references explain, bias not taken off"),
        Column("significant", "states", "1 where the multiple coherence is above the line's threshold"),
        Column("references_used", "states", "references that count at a line: those that others explain do not"),
    ),
    partition="session",
)

_FLOW = (
    Column("speed_mps", "real", "centre of the bin: air speed relative to the body", "m/s"),
    Column("yaw_deg", "real", "centre of the bin: yaw angle", "degree"),
    Column("mean_speed_mps", "real", "mean of the readings in the bin's segments", "m/s"),
    Column("mean_yaw_deg", "real", "mean of the readings in the bin's segments", "degree"),
    Column("segments", "integer", "segments in the bin"),
    Column("segment_s", "real", "length of a segment", "s"),
    Column("used_s", "real", "length of the bin's segments less what is left out", "s"),
)

FLOW_SPECTRA = Table(
    "flow_spectra",
    1,
    "As made, run by run: one averaged power spectral density a position and bin of measured speed and yaw",
    ("position", "speed_mps", "yaw_deg"),
    (
        _RUN,
        _POSITION,
        *_FLOW,
        Column("block_pairs", "integers", "pairs of averaged blocks 0, 1, 2 ... hops apart, as far as blocks overlap"),
        Column("effective_averages", "real", "independent averages that the overlapped blocks are worth"),
        Column("psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz"),
    ),
)

FLOW_BINS = Table(
    "flow_bins",
    1,
    "Where runs have a flow series. One row a run, position, bin of measured speed and yaw, and band; no background is "
    "subtracted",
    ("run", "position", "speed_mps", "yaw_deg", "band_hz"),
    (
        _RUN,
        _POSITION,
        *_FLOW,
        _BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("level_db", "real", "level over the bin's blocks", DB, null="see marks"),
        Column("level_pa2", "real", "the same as mean square", PA2, null="see marks"),
        Column("level_low_db", "real", "lower end of the within-record interval: random error alone", DB),
        Column("level_high_db", "real", "upper end", DB),
        Column("degrees_of_freedom", "real", "of the level"),
        Column("marks", "texts", "as in the table bands"),
        Column("quality", "text", "verdict of the channel in this run"),
        Column("calibration", "text", "verdict of the channel's calibration"),
    ),
    partition="session",
)

MADE_ON_REQUEST: dict[str, Table] = {
    "band_history": BAND_HISTORY,
    "conditioned_spectra": CONDITIONED_SPECTRA,
    "cross_spectra": CROSS_SPECTRA,
    "spectrogram": SPECTROGRAM,
    "flow_bins": FLOW_SPECTRA,
}
"""What one run's job writes for each table that is made on request."""

COMPARISONS = Table(
    "comparisons",
    1,
    "One row a comparison, session, position, operating point and band or overall level",
    (
        "comparison",
        "reference_session",
        "treatment_session",
        "position",
        "speed_mps",
        "yaw_deg",
        "quantity",
        "weighting",
        "band_hz",
    ),
    (
        Column("comparison", "text", "name in campaign.yaml"),
        Column("sessions", "text", "session, or 'reference + treatment' session where they differ"),
        Column("reference_session", "text", "session of the reference runs"),
        Column("treatment_session", "text", "session of the treatment runs"),
        Column("reference", "text", "reference condition"),
        Column("treatment", "text", "treatment condition"),
        _POSITION,
        _SPEED,
        _YAW,
        Column("quantity", "text", "band or overall"),
        Column("weighting", "text", "frequency weighting; Z for bands"),
        Column("band_hz", "real", "nominal midband frequency", "Hz", null="an overall level"),
        Column("midband_hz", "real", "exact midband frequency", "Hz", null="an overall level"),
        Column("lower_hz", "real", "band edge, or lowest midband of the overall level", "Hz"),
        Column("upper_hz", "real", "band edge, or highest midband of the overall level", "Hz"),
        Column("reference_level_db", "real", "mean over the reference runs", DB, null="a bound"),
        Column("treatment_level_db", "real", "mean over the treatment runs", DB, null="a bound"),
        Column("difference_db", "real", "treatment minus reference", "dB", null="a bound is involved"),
        Column("lower_db", "real", "lower end of the interval", "dB", null="open end"),
        Column("upper_db", "real", "upper end of the interval", "dB", null="open end"),
        Column("standard_error_db", "real", "of the difference", "dB"),
        Column("degrees_of_freedom", "real", "of the standard error"),
        Column("interval_basis", "text", "own repeats, pooled repeats, random error, or remounting"),
        Column("p_value", "real", "two-sided, no difference"),
        Column("adjusted_p_value", "real", "after Benjamini-Hochberg over the family"),
        Column("family_size", "integer", "tests in the comparison's family"),
        Column("finding", "text", "lower, higher, equivalent, not shown or bound"),
        Column("pairing", "text", "same-session, same-mount or remounted"),
        Column("reference_runs", "texts", "runs used"),
        Column("treatment_runs", "texts", "runs used"),
        Column("reference_available", "integer", "runs there are, usable or not"),
        Column("treatment_available", "integer", "runs there are, usable or not"),
        Column("opened", "text", "the condition with less applied: whose gap the contribution is"),
        Column("contribution_level_db", "real", "power of the opened state less the other's", DB),
        Column("contribution_lower_db", "real", "lower end", DB, null="not above nothing"),
        Column("contribution_upper_db", "real", "upper end", DB),
        Column("contribution_share", "real", "share of the opened state's power"),
        Column("contribution_state", "text", "clear, corrected, limited, bound, or reversed"),
        Column("state", "text", "worst background state among the levels compared"),
        Column(
            "doubtful",
            "yes_no",
            "a doubtful channel, calibration or background is involved, or more was taken off one side",
        ),
        Column(
            "common_part",
            "text",
            "what is compared where one condition has bands that the other has not, or overall levels sum less than "
            "was asked for",
            null="both conditions have all that was asked for",
        ),
    ),
)

BUDGETS = Table(
    "budgets",
    1,
    "What uncertainty is made of. One row a mean level (absolute) or difference, with its terms, the largest first",
    (
        "budget",
        "comparison",
        "sessions",
        "condition",
        "position",
        "speed_mps",
        "yaw_deg",
        "quantity",
        "weighting",
        "band_hz",
        "lower_hz",
        "upper_hz",
    ),
    (
        Column("budget", "text", "absolute (of a condition's mean level) or difference (of a comparison)"),
        Column("comparison", "text", "name in campaign.yaml", null="an absolute level"),
        Column("sessions", "text", "session, or 'reference + treatment' session where they differ"),
        Column("condition", "text", "treatment condition", null="a difference"),
        Column("pairing", "text", "same-session, same-mount or remounted", null="an absolute level"),
        _POSITION,
        _SPEED,
        _YAW,
        Column("quantity", "text", "band or overall"),
        Column("weighting", "text", "frequency weighting; Z for bands"),
        Column("band_hz", "real", "nominal midband frequency", "Hz", null="an overall level"),
        Column("lower_hz", "real", "band edge, or lowest midband of the overall level", "Hz"),
        Column("upper_hz", "real", "band edge, or highest midband of the overall level", "Hz"),
        Column("runs", "texts", "runs whose levels are in it"),
        Column("level_db", "real", "mean corrected level; of a difference, treatment minus reference", "dB"),
        *_TERMS,
        Column("terms_degrees_of_freedom", "reals", "of each term; infinite where it is a certain figure"),
        Column("standard_uncertainty_db", "real", "root of the sum of the terms' squares", "dB"),
        Column("degrees_of_freedom", "real", "Welch-Satterthwaite", null="infinite"),
        Column("low_db", "real", "lower end of the interval at the set confidence", "dB"),
        Column("high_db", "real", "upper end", "dB"),
    ),
)

RANKING = Table(
    "ranking",
    1,
    "The list of spots and bands to work on first, per comparison",
    ("comparison", "rank"),
    (
        Column("comparison", "text", "name in campaign.yaml"),
        Column("rank", "integer", "1 contributes most"),
        _POSITION,
        _BAND,
        Column("area", "text", "group of the position"),
        Column("weighting", "text", "weighting of the contributions ranked"),
        Column("contribution_db", "real", "contributed level, mean over operating points and sessions", DB),
        Column("contribution_pa2", "real", "contributed mean square", PA2),
        Column("lower_db", "real", "lower end of the contribution", DB),
        Column("upper_db", "real", "upper end of the contribution", DB),
        Column("share", "real", "share of all power that the comparison shows as contributed"),
        Column("difference_db", "real", "opened against closed, mean over points", "dB", null="bounds only"),
        Column("finding", "text", "shown, tied, or not shown"),
        Column("operating_points", "integer", "operating points and sessions that show it"),
    ),
)

ALL: tuple[Table, ...] = (
    RUNS,
    POSITIONS,
    CHECKS,
    CALIBRATION,
    QUALITY,
    SPECTRA,
    NARROWBAND,
    BANDS,
    OVERALL,
    HISTORY,
    BAND_HISTORY,
    SPECTROGRAM,
    CROSS_SPECTRA,
    CONDITIONED_SPECTRA,
    FLOW_SPECTRA,
    FLOW_BINS,
    COMPARISONS,
    RANKING,
    BUDGETS,
)
BY_NAME: dict[str, Table] = {table.name: table for table in ALL}
