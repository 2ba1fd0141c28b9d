"""Tables of spectra and levels of each run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tapeline.statistics.uncertainty_terms import LEVEL_TERMS, UncertaintyTerm
from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import BAND, DB, PA2, POSITION, RUN

if TYPE_CHECKING:
    from tapeline.store import rows

STATES: tuple[str, ...] = ("none", "clear", "corrected", "limited", "bound")
"""Names of the background states; a `state` list in the narrowband table holds indices into this tuple."""

_KINDS = ("nothing", "electrical", "between-speeds", "flow")

BACKGROUND_SOURCES: tuple[str, ...] = (*_KINDS, *(f"references and {kind}" for kind in _KINDS))
"""What was subtracted from a level, in rising order of what it holds."""

WEIGHTING_COLUMNS: dict[str, str] = {"A": "a_weighting_db", "C": "c_weighting_db"}
"""What a weighting makes of a band, by its name."""

SIZE_LIMITED = "size-limited"
"""The mark of a level of which the sensor's size takes more than is corrected."""

WITH_REFERENCES = len(_KINDS)
"""How much further in that list it stands where references were subtracted too."""

OTHER_RANGE = (
    "the level covers other edges than the history: the third octaves of the first overall level's range; or silence"
)

NO_NUMBER = "the recording holds NaN or infinity"
NO_SPREAD = "no power at this line, or no number"

SPECTRA: Table[rows.SpectraRow] = Table(
    "spectra",
    2,
    "As made, run by run: one averaged power spectral density a position, all lines from 0 Hz",
    ("position",),
    (
        RUN,
        POSITION,
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
        Column("averaged_s", "real", "length of what was averaged: the used part less what is left out", "s"),
        Column(
            "psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz", gap=NO_NUMBER
        ),
        Column(
            "relative_spread",
            "reals",
            "standard deviation of each line's power over the blocks, over its mean",
            gap=NO_SPREAD,
        ),
        Column("response_low_hz", "real", "lowest frequency that the chart covers", "Hz", null="no chart"),
        Column("response_high_hz", "real", "highest frequency that the chart covers", "Hz", null="no chart"),
    ),
)

NARROWBAND: Table[rows.NarrowbandRow] = Table(
    "narrowband",
    2,
    "One row a spectrum: power spectral densities as equally long lists",
    ("run", "position"),
    (
        RUN,
        POSITION,
        Column("first_hz", "real", "frequency of the first line", "Hz", null="no line in the range asked for"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("effective_averages", "real", "independent averages; degrees of freedom are twice as many"),
        Column("line_lower_db", "real", "lower end of a line's within-record interval against its level", "dB"),
        Column("line_upper_db", "real", "upper end of a line's within-record interval against its level", "dB"),
        Column("psd_pa2_per_hz", "reals", "total, one-sided", "Pa^2/Hz", gap=NO_NUMBER),
        Column(
            "background_psd_pa2_per_hz",
            "reals",
            "of the background runs",
            "Pa^2/Hz",
            null="none",
            gap="the background does not reach this line",
        ),
        Column(
            "left_out_hz",
            "reals",
            "ranges left out by hand, lower and upper end of each in turn: their lines are kept and not compared",
            "Hz",
            null="nothing left out",
        ),
        Column("corrected_psd_pa2_per_hz", "reals", "after subtraction", "Pa^2/Hz", gap="a bound, or left out by hand"),
        Column("standard_uncertainty_db", "reals", "of the corrected line as an absolute level", "dB", gap="as there"),
        Column(
            "degrees_of_freedom",
            "reals",
            "of the standard uncertainty (Welch-Satterthwaite)",
            gap="as there, or infinite",
        ),
        Column(
            "nominal_correction_db", "real", "what brings lines to the nominal speed and air", "dB", null="no speed"
        ),
        Column(
            "margin_db",
            "reals",
            "total above all that is subtracted",
            "dB",
            null="none",
            gap="nothing to subtract at this line",
        ),
        Column("state", "states", "index into the list of states in the file's metadata"),
        Column("response_low_hz", "real", "lines below it are response-unknown", "Hz", null="no chart applied"),
        Column("response_high_hz", "real", "lines above it are response-unknown", "Hz", null="no chart applied"),
        Column("averaged_s", "real", "length of what was averaged", "s"),
        Column(
            "relative_spread",
            "reals",
            "standard deviation of each line's power over the blocks, over its mean: 1 for steady noise, 0 for a "
            "steady tone, above 1 for what comes and goes",
            gap=NO_SPREAD,
        ),
    ),
    sort=("position", "run"),
    partition="session",
    notes=(("states", ",".join(STATES)),),
)

_LEVELS = (
    Column("level_db", "real", "total level", DB, null="outside the usable range"),
    Column(
        "level_lower_db",
        "real",
        "lower end of its within-record interval (random error alone)",
        DB,
        null="outside the usable range",
    ),
    Column("level_upper_db", "real", "upper end of its within-record interval", DB, null="outside the usable range"),
    Column("level_pa2", "real", "total mean square", PA2, null="outside the usable range"),
    Column(
        "background_level_db",
        "real",
        "level of the background, without what references hear",
        DB,
        null="no background run",
    ),
    Column("background_pa2", "real", "mean square of the background", PA2, null="no background run"),
    Column(
        "corrected_level_db",
        "real",
        "level after subtraction",
        DB,
        null="a bound, or not usable",
    ),
    Column("corrected_pa2", "real", "mean square after subtraction", PA2, null="a bound, or not usable"),
    Column("upper_bound_db", "real", "upper bound of the level", DB, null="not a bound"),
    Column(
        "margin_db", "real", "total above all that is subtracted", "dB", null="nothing is subtracted, or not usable"
    ),
    Column("state", "text", "clear, corrected, limited, bound or none", null="outside the usable range"),
    Column(
        "background_source",
        "text",
        "what there was to subtract: nothing, electrical (wind off), between-speeds or flow, and references before it; "
        "where the state is clear it was not subtracted",
        null="outside the usable range",
    ),
    Column(
        "coherent_level_db", "real", "level of what reference sensors explain", DB, null="no references, or nothing"
    ),
    Column(
        "coherent_pa2", "real", "part of the total that is coherent with reference sensors", PA2, null="no references"
    ),
    Column(
        "corrected_lower_db",
        "real",
        "lower end of the corrected level's interval: random error of run and background, scatter of the background",
        DB,
        null="a bound, or open",
    ),
    Column("corrected_upper_db", "real", "upper end of that interval", DB, null="a bound"),
    Column("electrical_level_db", "real", "level with the wind off", DB, null="no wind-off run with the same gain"),
    Column(
        "nominal_level_db",
        "real",
        "corrected level brought to the nominal operating point",
        DB,
        null="no corrected level, or no speed",
    ),
    Column(
        "nominal_correction_db",
        "real",
        "what brings a level of this row to the nominal speed and air",
        "dB",
        null="no speed",
    ),
)


def _columns_of(term: UncertaintyTerm) -> tuple[Column, ...]:
    columns = {term.uncertainty_column: term.words} | ({term.scatter_column: term.own_words} if term.own_words else {})
    return tuple(Column(name, "real", words, "dB", null="a bound, or not usable") for name, words in columns.items())


_UNCERTAINTY = (
    *(column for term in LEVEL_TERMS for column in _columns_of(term)),
    Column(
        "standard_uncertainty_db",
        "real",
        "of the corrected level as an absolute one: all of these",
        "dB",
        null="a bound, or not usable",
    ),
    Column(
        "degrees_of_freedom",
        "real",
        "of the standard uncertainty (Welch-Satterthwaite)",
        null="a bound, not usable, or infinite",
    ),
    Column(
        "absolute_lower_db",
        "real",
        "lower end of the absolute level's interval, all terms",
        DB,
        null="a bound, or open",
    ),
    Column("absolute_upper_db", "real", "upper end of that interval", DB, null="a bound"),
)

NO_SIZE = "no diameter, no attached flow, no speed, or more is missing than is corrected"

_SIZE = (
    Column(
        "size_correction_db",
        "real",
        "attenuation of the wall pressure by the sensor's size, estimated after Corcos and in no other column: "
        "right as far as the level is the boundary layer's",
        "dB",
        null=NO_SIZE,
    ),
    Column("size_correction_uncertainty_db", "real", "its standard uncertainty", "dB", null=NO_SIZE),
    Column(
        "size_corrected_level_db",
        "real",
        "corrected level with the size correction added",
        DB,
        null="no size correction, or no corrected level",
    ),
)

_USE = (
    Column(
        "doubt",
        "texts",
        "why the level is doubtful: reason codes of channel and calibration (hum only in the bands that it reaches), "
        "and marks of the background",
    ),
    Column("usable", "yes_no", "there is a level or a bound, and nothing says that it is wrong"),
    Column(
        "comparable",
        "yes_no",
        "counts in means and comparisons: usable, and no other run of its condition is sounder or had more background "
        "subtracted",
    ),
    Column(
        "pooled",
        "yes_no",
        "also counts in the scatter of repeats, repeatability, shifts of sessions, control limits and ranks: "
        "comparable, and the level itself is not doubted",
    ),
)

BANDS: Table[rows.BandsRow] = Table(
    "bands",
    2,
    "One row a run, position and band",
    ("run", "position", "band_hz"),
    (
        RUN,
        POSITION,
        BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("nominal_hz", "real", "nominal midband frequency", "Hz"),
        Column("lower_hz", "real", "exact lower edge", "Hz"),
        Column("upper_hz", "real", "exact upper edge", "Hz"),
        *_LEVELS,
        *_UNCERTAINTY,
        *_SIZE,
        Column(
            "convection_speed_mps",
            "real",
            "speed at which the pressure is carried over the sensor, as taken for the size correction: measured by its "
            "line of sensors, see table lines, else a stated share of the run's speed",
            "m/s",
            null="no diameter, no attached flow, or no speed",
        ),
        Column("lines", "real", "spectral lines in the band"),
        Column(
            "filters_minus_lines_db",
            "real",
            "total level by band filters less that by summed lines",
            "dB",
            null="outside the usable range",
        ),
        *(
            Column(
                column,
                "real",
                f"level of the {name}-weighted lines of the band less the unweighted level, background "
                "subtracted where it was from the level",
                "dB",
                null="no level, or no power",
            )
            for name, column in WEIGHTING_COLUMNS.items()
        ),
        Column(
            "marks",
            "texts",
            "why the band has no level: few-lines, short-record, high-pass, low-pass, anti-alias, chart-ends, "
            "left-out (by hand); or what to know of it: response-unknown (an edge lies beyond the chart), "
            "methods-differ (summed lines and band filters), background-narrower (the background runs do not reach the "
            "band), background-unsteady (its runs scatter), background-louder (than the run in too many bands: nothing "
            "is subtracted), background-louder-here (than the run beyond what chance makes in any of its bands, or in "
            "a band close by: the bound is the run's own level), background-tonal (a tone stands in run and "
            "background: its phase is uncertain), background-other-gain (subtracted as named, its electrical part "
            "unknown), background-refused, background-missing (other runs of the session have one), "
            "background-unusable (the channel in the background runs), background-between-speeds, "
            "background-electrical (the wind-off level alone is subtracted), at-electrical-floor, references-missing, "
            "extrapolated (brought far to the nominal point), off-nominal-speed (achieved beyond "
            "operating_point.speed_tolerance), size-limited (the sensor's size takes more off than is corrected: the "
            "level is a lower bound of the boundary layer's)",
        ),
        Column("quality", "text", "verdict of the channel in this run: good, doubtful or unusable"),
        Column("calibration", "text", "verdict of the channel's calibration"),
        *_USE,
    ),
    partition="session",
)

OVERALL: Table[rows.OverallRow] = Table(
    "overall",
    2,
    "One row a run, position, weighting and range: sums over the bands of the range",
    ("run", "position", "weighting", "lowest_band_hz", "highest_band_hz"),
    (
        RUN,
        POSITION,
        Column("weighting", "text", "frequency weighting A, C or Z"),
        Column("lowest_band_hz", "real", "lowest midband frequency asked for", "Hz"),
        Column("highest_band_hz", "real", "highest midband frequency asked for", "Hz"),
        Column("lower_hz", "real", "exact lower edge of the sum", "Hz"),
        Column("upper_hz", "real", "exact upper edge of the sum", "Hz"),
        Column(
            "absent_bands_hz",
            "reals",
            "nominal frequencies of the bands of the range that have no level and are not summed",
            "Hz",
            null="all bands of the range are summed",
        ),
        Column(
            "marks",
            "texts",
            "narrower-range (bands of the range asked for have no level, see absent_bands_hz), background-narrower "
            "(the background runs do not reach all of its bands), size-limited (bands of which the sensor's size takes "
            "more off than is corrected carry more than background.bound_share of it), and the marks of the background "
            "as in bands",
        ),
        *_LEVELS,
        *_UNCERTAINTY,
        *_SIZE,
        Column("bound_share", "real", "share of the sum's power that bounds may carry", null="no power"),
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
        *_USE,
    ),
    partition="session",
)

HISTORY: Table[rows.HistoryRow] = Table(
    "history",
    2,
    "One row a run, position, weighting and interval: level against time",
    ("run", "position", "weighting", "time_s"),
    (
        RUN,
        POSITION,
        Column("weighting", "text", "frequency weighting"),
        Column("time_s", "real", "start of the interval, from the start of the used part", "s"),
        Column("level_db", "real", "energy mean over the interval", DB, null="left out, or silent"),
        Column(
            "fast_db",
            "real",
            "time weighting F at the end of the interval",
            DB,
            null="still settling, left out, or silent",
        ),
        Column(
            "slow_db",
            "real",
            "time weighting S at the end of the interval",
            DB,
            null="still settling, left out, or silent",
        ),
        Column(
            "fast_maximum_db",
            "real",
            "largest F-weighted level in the interval",
            DB,
            null="still settling, left out, or silent",
        ),
        Column(
            "slow_maximum_db",
            "real",
            "largest S-weighted level in the interval",
            DB,
            null="still settling, left out, or silent",
        ),
        Column("silent", "yes_no", "nothing but equal samples: the level would be minus infinity"),
    ),
    partition="session",
)

BAND_HISTORY: Table[rows.BandHistoryRow] = Table(
    "band_history",
    2,
    "On request. One row a run, position and band: levels against time by filters in the time domain, as lists",
    ("run", "position", "band_hz"),
    (
        RUN,
        POSITION,
        BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("step_s", "real", "length of an interval; interval i starts at i step_s of the used part", "s"),
        Column(
            "delay_s", "real", "group delay of the band's filter: what an interval shows happened that much before", "s"
        ),
        Column("settled_s", "real", "time from which on the filter has settled", "s"),
        Column(
            "level_db", "reals", "energy means over the intervals", DB, gap="settling, left out, or nothing but silence"
        ),
    ),
    partition="session",
)

SPECTROGRAM: Table[rows.SpectrogramRow] = Table(
    "spectrogram",
    2,
    "On request. One row a run, position and time: a power spectral density averaged over a short while",
    ("run", "position", "time_s"),
    (
        RUN,
        POSITION,
        Column("time_s", "real", "middle of what was averaged, from the start of the used part", "s"),
        Column("averaged_s", "real", "length of what was averaged", "s"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column(
            "psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz", gap=NO_NUMBER
        ),
    ),
    partition="session",
)

CROSS_SPECTRA: Table[rows.CrossSpectraRow] = Table(
    "cross_spectra",
    2,
    "On request. One row a run and pair of positions: cross-spectral density and coherence as equally long lists",
    ("run", "position", "other_position"),
    (
        RUN,
        POSITION,
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
            gap=NO_NUMBER,
        ),
        Column(
            "csd_imaginary_pa2_per_hz",
            "reals",
            "imaginary part; charts' responses are taken out, with their phases",
            "Pa^2/Hz",
            gap=NO_NUMBER,
        ),
        Column(
            "coherence",
            "reals",
            "magnitude-squared coherence, its bias of about 1/averages not subtracted",
            gap=NO_SPREAD,
        ),
    ),
    partition="session",
)

CONDITIONED_SPECTRA: Table[rows.ConditionedSpectraRow] = Table(
    "conditioned_spectra",
    2,
    "Where settings name reference sensors. One row a run and other position: what the references do not explain, as "
    "equally long lists",
    ("run", "position"),
    (
        RUN,
        POSITION,
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
            "psd_pa2_per_hz",
            "reals",
            "conditioned power spectral density: not coherent with any reference",
            "Pa^2/Hz",
            gap=NO_NUMBER,
        ),
        Column(
            "relative_error",
            "reals",
            "its standard error over itself: 1 / sqrt(averages - references)",
            gap="too few averages",
        ),
        Column(
            "multiple_coherence",
            "reals",
            "share of the power that the references explain, bias not subtracted",
            gap=NO_SPREAD,
        ),
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
    Column("averaged_s", "real", "length of the bin's segments less what is left out", "s"),
)

FLOW_SPECTRA: Table[rows.FlowSpectraRow] = Table(
    "flow_spectra",
    2,
    "As made, run by run: one averaged power spectral density a position and bin of measured speed and yaw",
    ("position", "speed_mps", "yaw_deg"),
    (
        RUN,
        POSITION,
        *_FLOW,
        Column("block_pairs", "integers", "pairs of averaged blocks 0, 1, 2 ... hops apart, as far as blocks overlap"),
        Column("effective_averages", "real", "independent averages that the overlapped blocks are worth"),
        Column(
            "psd_pa2_per_hz", "reals", "one-sided power spectral density, response corrected", "Pa^2/Hz", gap=NO_NUMBER
        ),
    ),
)

FLOW_BINS: Table[rows.FlowBinsRow] = Table(
    "flow_bins",
    2,
    "Where runs have a flow series. One row a run, position, bin of measured speed and yaw, and band; no background is "
    "subtracted",
    ("run", "position", "speed_mps", "yaw_deg", "band_hz"),
    (
        RUN,
        POSITION,
        *_FLOW,
        BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("level_db", "real", "level over the bin's blocks", DB, null="see marks"),
        Column("level_pa2", "real", "the same as mean square", PA2, null="see marks"),
        Column(
            "level_lower_db",
            "real",
            "lower end of the within-record interval: random error alone",
            DB,
            null="see marks",
        ),
        Column("level_upper_db", "real", "upper end", DB, null="see marks"),
        Column("degrees_of_freedom", "real", "of the level", null="see marks"),
        Column("marks", "texts", "as in the table bands"),
        Column("quality", "text", "verdict of the channel in this run"),
        Column("calibration", "text", "verdict of the channel's calibration"),
        *_USE,
    ),
    partition="session",
)

LINE_SPECTRA: Table[rows.LineSpectraRow] = Table(
    "line_spectra",
    2,
    "As made, run by run: cross-spectral density of each pair of a line of sensors, as equally long lists",
    ("line", "position", "other_position"),
    (
        RUN,
        Column("line", "text", "name of the line of sensors"),
        Column("position", "text", "the position of the pair that is upstream by the stated order"),
        Column("other_position", "text", "the other position of the pair"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column(
            "csd_real_pa2_per_hz",
            "reals",
            "real part of mean conj(X) Y, X of `position`: phase -2 pi f tau where the other one receives tau later",
            "Pa^2/Hz",
            gap=NO_NUMBER,
        ),
        Column(
            "csd_imaginary_pa2_per_hz",
            "reals",
            "imaginary part; charts' responses are taken out, with their phases",
            "Pa^2/Hz",
            gap=NO_NUMBER,
        ),
    ),
)

_NOT_CARRIED = "coherence does not carry it, or see marks"

LINES: Table[rows.LinesRow] = Table(
    "lines",
    2,
    "Where positions form lines of sensors. One row a measurement run with wind, line and band: convection speed and "
    "decay of coherence",
    ("run", "line", "band_hz"),
    (
        RUN,
        Column("line", "text", "name of the line of sensors"),
        BAND,
        Column("midband_hz", "real", "exact midband frequency, IEC 61260-1", "Hz"),
        Column("positions", "texts", "positions whose channels are used, downstream by the stated order"),
        Column(
            "convection_speed_mps",
            "real",
            "speed at which pressure is carried along the line, from phases; its direction says against_order",
            "m/s",
            null=_NOT_CARRIED,
        ),
        Column("convection_lower_mps", "real", "lower end of its interval", "m/s", null=_NOT_CARRIED),
        Column("convection_upper_mps", "real", "upper end", "m/s", null=_NOT_CARRIED),
        Column("convection_share", "real", "convection speed over the run's speed", null=_NOT_CARRIED),
        Column(
            "against_order",
            "yes_no",
            "pressure runs up the stated order of the line somewhere, see against_positions",
        ),
        Column(
            "against_positions",
            "texts",
            "neighbours between which it does, as in 'line-2 to line-3': all of them where the line is fitted the "
            "other way round, else two sensors are interchanged, or their channels",
        ),
        Column("opposite_positions", "texts", "neighbours of which one has the other polarity"),
        Column(
            "decay",
            "real",
            "a of coherence = c exp(-a omega distance / convection speed), after Corcos",
            null=_NOT_CARRIED,
        ),
        Column("decay_lower", "real", "lower end of its interval", null=_NOT_CARRIED),
        Column("decay_upper", "real", "upper end", null=_NOT_CARRIED),
        Column(
            "coherence_at_no_distance",
            "real",
            "c: below 1 where sensors have noise of their own; 1 is taken where all pairs are equally far apart",
            null=_NOT_CARRIED,
        ),
        Column(
            "phase_misfit_rad",
            "real",
            "rms of what one speed leaves of the phases beyond chance; 0: nothing",
            "rad",
            null="see marks",
        ),
        Column("coherence", "real", "magnitude-squared, mean over neighbours, bias removed", null="see marks"),
        Column("coherence_threshold", "real", "coherence that unrelated signals stay below", null="see marks"),
        Column("pairs", "integer", "pairs that are used: coherent enough for their phase"),
        Column("shortest_m", "real", "shortest distance of the used pairs", "m", null=_NOT_CARRIED),
        Column("longest_m", "real", "longest distance of the used pairs", "m", null=_NOT_CARRIED),
        Column(
            "aliased_above_hz",
            "real",
            "from here on neighbours lie more than half a wave apart; phases are followed from the bands below",
            "Hz",
            null=_NOT_CARRIED,
        ),
        Column(
            "marks",
            "texts",
            "why there is no value: no-coordinates (a position without), order-unlike-coordinates, too-few-sensors "
            "(usable ones), order-contradicted (some neighbours run up the line, others down), polarities-differ (see "
            "opposite_positions), no-direction (no "
            "coherence); or what to know: faster-than-flow (sound or a common signal carries the phase, and not the "
            "boundary layer), several-waves (phases or coherences are not those of one speed, as of flow and sound "
            "together: no decay, a wider interval, or no speed), unresolved (the line is shorter than a wave of the "
            "flow's pressure: sound and flow cannot be told apart, and sound in it raises speed and decay)",
        ),
    ),
    partition="session",
)

MADE_ON_REQUEST: dict[str, Table[Any]] = {
    "band_history": BAND_HISTORY,
    "conditioned_spectra": CONDITIONED_SPECTRA,
    "cross_spectra": CROSS_SPECTRA,
    "spectrogram": SPECTROGRAM,
    "lines": LINE_SPECTRA,
    "flow_bins": FLOW_SPECTRA,
}
"""What one run's job writes for each table that is made on request."""
