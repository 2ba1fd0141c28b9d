"""Tables of scatter within and between sessions, and of growth with speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import (
    DB,
    DOUBT,
    ITEM_KEY,
    ITEM_WITH_MIDBAND,
    POINT,
    POSITION,
    RANGE_OF_SPEED,
    SESSION,
    YAW,
)

if TYPE_CHECKING:
    from tapeline.store import rows

LESS_TAKEN_OFF = "less background taken off"
"""Why a session or run is among `left_out` where less background could be subtracted than from others."""

_SERIES = (
    Column("condition", "text", "treatment condition"),
    SESSION,
    POSITION,
    YAW,
)

_USED = (
    Column("runs", "texts", "runs whose levels are in it"),
    *DOUBT,
    Column(
        "left_out", "texts", "how many levels of the runs there are were left out, and why; that there is one speed"
    ),
)

SCALING: Table[rows.ScalingRow] = Table(
    "scaling",
    2,
    "One row a condition, session, position, yaw and band or overall level measured at several speeds: the exponent of "
    "speed; of what was measured at one speed the overall levels alone, without an exponent",
    ("condition", "session", "position", "yaw_deg", *ITEM_KEY),
    (
        *_SERIES,
        *ITEM_WITH_MIDBAND,
        Column(
            "exponent",
            "real",
            "n of L = L_ref + 10 n lg(U / U_ref), U the achieved speeds",
            null="levels at fewer than two speeds more than 5 % apart, see left_out",
        ),
        Column(
            "standard_error",
            "real",
            "of the exponent: by the stated uncertainties or the scatter, what is larger",
            null="no exponent",
        ),
        Column("exponent_lower", "real", "lower end of the interval at the set confidence", null="no exponent"),
        Column("exponent_upper", "real", "upper end", null="no exponent"),
        Column(
            "degrees_of_freedom",
            "integer",
            "of the fit: levels less two; 0: nothing but stated uncertainty",
            null="no exponent",
        ),
        Column(
            "interval_basis",
            "text",
            "which is the widest: stated uncertainty, scatter about the line with Student's t, or lack of fit (speeds "
            "count, repeats do not)",
            null="no exponent",
        ),
        Column(
            "size_corrected_exponent",
            "real",
            "the exponent with the size correction added to every level: the sensor takes more off at the lower speed",
            null="no exponent, or a level without a size correction",
        ),
        Column("reference_speed_mps", "real", "U_ref, the same in all rows", "m/s"),
        Column(
            "level_at_reference_db",
            "real",
            "level of the line at U_ref, in air of the reference density",
            DB,
            null="no exponent",
        ),
        Column(
            "level_at_reference_error_db",
            "real",
            "its standard error, without what all levels share",
            "dB",
            null="no exponent",
        ),
        Column("fit_rms_db", "real", "rms of the residuals, degrees of freedom counted", "dB", null="two levels"),
        Column(
            "lack_of_fit_p_value",
            "real",
            "how likely so much lack of fit is were the line right: F test against repeats, else chi-square against "
            "the stated uncertainty",
            null="two speeds: nothing tells whether a line fits",
        ),
        Column("speeds", "integer", "nominal speeds; an exponent of two is weak"),
        Column("level_count", "integer", "levels in the fit"),
        *RANGE_OF_SPEED,
        *_USED,
    ),
)

COLLAPSE: Table[rows.CollapseRow] = Table(
    "collapse",
    2,
    "One row a condition, session, position and yaw: do band spectra of several speeds fall together over Strouhal "
    "number or over frequency",
    ("condition", "session", "position", "yaw_deg"),
    (
        *_SERIES,
        Column("length_m", "real", "l of St = f l / U", "m", null="none is stated"),
        Column("length_source", "text", "where the length is from", null="none is stated"),
        Column(
            "strouhal_exponent",
            "real",
            "exponent that brings the levels over f/U together",
            null="too few, see left_out",
        ),
        Column("strouhal_standard_error", "real", "of it", null="no collapse"),
        Column(
            "strouhal_exponent_lower", "real", "lower end of its interval at the set confidence", null="no collapse"
        ),
        Column("strouhal_exponent_upper", "real", "upper end", null="no collapse"),
        Column(
            "strouhal_scatter_db",
            "real",
            "rms about the smooth curve over f/U, degrees of freedom counted",
            "dB",
            null="no collapse",
        ),
        Column(
            "strouhal_degrees_of_freedom", "integer", "levels less what curve and exponent take", null="no collapse"
        ),
        Column("frequency_exponent", "real", "exponent that brings the levels over f together", null="no collapse"),
        Column("frequency_standard_error", "real", "of it", null="no collapse"),
        Column(
            "frequency_exponent_lower", "real", "lower end of its interval at the set confidence", null="no collapse"
        ),
        Column("frequency_exponent_upper", "real", "upper end", null="no collapse"),
        Column(
            "frequency_scatter_db",
            "real",
            "rms about the smooth curve over f, degrees of freedom counted",
            "dB",
            null="no collapse",
        ),
        Column(
            "frequency_degrees_of_freedom", "integer", "levels less what curve and exponent take", null="no collapse"
        ),
        Column(
            "better",
            "text",
            "strouhal (moves with speed: flow), frequency (stays: resonance of air or structure, or electrical), or "
            "not shown",
            null="no collapse",
        ),
        Column(
            "p_value",
            "real",
            "of the ratio of the two variances, one-sided F: a comparison, no test of a model",
            null="no collapse",
        ),
        Column("peak_per_m", "real", "f/U where the curve is highest", "1/m", null="highest at an end of the range"),
        Column("peak_strouhal", "real", "the same times the length", null="no length, or highest at an end"),
        Column("bands", "integer", "bands with levels at two speeds or more"),
        Column("lowest_band_hz", "real", "the lowest of them, nominal", "Hz", null="no band has"),
        Column("highest_band_hz", "real", "the highest of them, nominal", "Hz", null="no band has"),
        Column("speeds", "integer", "nominal speeds"),
        Column("level_count", "integer", "levels in the fits"),
        *RANGE_OF_SPEED,
        *_USED,
    ),
)

REPEATABILITY: Table[rows.RepeatabilityRow] = Table(
    "repeatability",
    2,
    "One row a condition, operating point, position and band or overall level: scatter within and between sessions",
    (
        "condition",
        "position",
        "speed_mps",
        "yaw_deg",
        *ITEM_KEY,
    ),
    (
        Column("condition", "text", "treatment condition"),
        POSITION,
        *POINT,
        *ITEM_WITH_MIDBAND,
        Column(
            "level_basis", "text", "nominal: brought to the nominal speed and air; as measured: a run has no correction"
        ),
        Column("run_count", "integer", "runs with a level"),
        Column("bounds", "integer", "runs that are bounds; their sessions do not count here"),
        Column("session_count", "integer", "sessions with a level"),
        Column("sessions", "texts", "these sessions, in order of time"),
        Column("session_runs", "integers", "runs of each"),
        Column("session_mean_db", "reals", "mean level of each", DB),
        Column("session_sd_db", "reals", "standard deviation of each one's runs", "dB", gap="a single run"),
        Column(
            "mandel_h",
            "reals",
            "each mean off the mean of means, in their sd",
            gap="fewer than three sessions, or no scatter",
        ),
        Column(
            "mandel_k",
            "reals",
            "each sd over the root of the mean variance",
            gap="fewer than two sessions, a single run, or no scatter",
        ),
        Column("within_session_sd_db", "real", "s_r, repeatability", "dB", null="no repeats"),
        Column("within_degrees_of_freedom", "integer", "runs less sessions"),
        Column(
            "within_session_lower_db",
            "real",
            "lower end of the interval of s_r at the set confidence (chi-square)",
            "dB",
            null="no repeats",
        ),
        Column("within_session_upper_db", "real", "upper end", "dB", null="no repeats"),
        Column(
            "random_error_db", "real", "rms random uncertainty of the runs: s_r much above it has another cause", "dB"
        ),
        Column(
            "repeatability_limit_db",
            "real",
            "2.8 s_r: two repeats differ by less in 95 % of cases",
            "dB",
            null="no repeats",
        ),
        Column(
            "between_session_sd_db",
            "real",
            "s_L; 0 where the means scatter no more than repeats explain",
            "dB",
            null="see between_refused",
        ),
        Column("between_degrees_of_freedom", "integer", "sessions less one: below three the figure is weak"),
        Column(
            "between_refused",
            "text",
            "why there is no between_session_sd_db: one session, no repeats, or what other session with levels or "
            "bounds does not count, see left_out",
            null="it is given",
        ),
        Column("reproducibility_sd_db", "real", "s_R, of a run in any session", "dB", null="one session"),
        Column("reproducibility_degrees_of_freedom", "real", "Satterthwaite", null="as s_R"),
        Column(
            "reproducibility_lower_db",
            "real",
            "lower end of the interval of s_R at the set confidence",
            "dB",
            null="as s_R",
        ),
        Column("reproducibility_upper_db", "real", "upper end: what to plan with", "dB", null="as s_R"),
        Column(
            "cochran", "text", "session whose repeats scatter most, as 'may: outlier' or 'may: straggler'", null="none"
        ),
        Column("grubbs", "text", "session whose mean is furthest off, likewise", null="none, or fewer than three"),
        Column("shift_db", "real", "mean of the last session less that of the first", "dB", null="one session"),
        Column("shift_of", "text", "first and last session, as in 'april > may'", null="one session"),
        Column(
            "shift_standard_error_db",
            "real",
            "by random error and scatter of repeats alone: that of other conditions and points, or their own if larger",
            "dB",
            null="one session, or nothing was repeated",
        ),
        Column("shift_degrees_of_freedom", "real", "of that standard error", null="as there"),
        Column("shift_p_value", "real", "two-sided, no shift beyond what repeats scatter", null="as there"),
        Column(
            "shift_mount",
            "text",
            "same-mount, remounted, or not stated in either of these two sessions",
            null="one session",
        ),
        *DOUBT,
        Column(
            "left_out",
            "texts",
            "sessions and runs that have levels or bounds which do not count, and why, as in "
            f"'session may: {LESS_TAKEN_OFF}', 'session may: 2 bounds', 'run a16: {LESS_TAKEN_OFF}'",
        ),
    ),
)

CONTROL_VALUES: Table[rows.ControlValuesRow] = Table(
    "control_values",
    2,
    "Control chart of the reference condition. One row a position, operating point, overall level and session",
    ("position", "speed_mps", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz", "session"),
    (
        POSITION,
        *POINT,
        Column("weighting", "text", "frequency weighting"),
        Column("lowest_band_hz", "real", "lowest midband of the overall level", "Hz"),
        Column("highest_band_hz", "real", "highest midband of the overall level", "Hz"),
        SESSION,
        Column("condition", "text", "the reference condition"),
        Column(
            "session_number", "integer", "place of the session in order of time, from 1, among those with a level here"
        ),
        Column("session_count", "integer", "how many these are: limits of fewer than five values hold all of them"),
        Column("level_basis", "text", "as in the table repeatability"),
        Column("level_db", "real", "mean over the session's runs", DB),
        Column("run_count", "integer", "runs in it"),
        Column("mount", "text", "first, kept, new, or not stated: against the session before"),
        Column("change_db", "real", "against the session before", "dB", null="the first"),
        Column(
            "common_change_db",
            "real",
            "median change of all positions between the same two sessions: calibrator, flow or air",
            "dB",
            null="the first, or fewer than three positions",
        ),
        Column("centre_db", "real", "mean over the sessions", DB, null="one session"),
        Column("lower_limit_db", "real", "centre less 2.66 mean moving ranges", DB, null="one session"),
        Column("upper_limit_db", "real", "centre and 2.66 mean moving ranges", DB, null="one session"),
        *DOUBT,
        Column("outside", "yes_no", "beyond the limits", null="fewer than five sessions: no value could be"),
        Column("trend", "yes_no", "one of six or more in a row that only rise or only fall", null="fewer than six"),
    ),
)

TOO_FEW_OTHERS = "not tested, or too few other repeats"

REPEAT_TESTS: Table[rows.RepeatTestsRow] = Table(
    "repeat_tests",
    2,
    "One row a pair of repeats and position: are the two spectra the same",
    ("session", "condition", "speed_mps", "yaw_deg", "position", "run_a", "run_b"),
    (
        SESSION,
        Column("condition", "text", "treatment condition"),
        *POINT,
        POSITION,
        Column("run_a", "text", "the earlier run"),
        Column("run_b", "text", "the later run"),
        Column("lines", "integer", "spectral lines held against each other", null="other lines"),
        Column("level_basis", "text", "as in the table repeatability", null="not tested"),
        Column(
            "statistic",
            "real",
            "squared log ratios over their variance, scaled for what lines share",
            null="not tested",
        ),
        Column("degrees_of_freedom", "real", "lines, scaled likewise", null="not tested"),
        Column("p_value", "real", "chi-square: chance of so much difference by random error alone", null="not tested"),
        Column("adjusted_p_value", "real", "after Holm over the positions of the pair", null="not tested"),
        Column("level_difference_db", "real", "mean over the lines, run_b less run_a", "dB", null="not tested"),
        Column("shape_p_value", "real", "p-value after that mean was taken out: the shape alone", null="not tested"),
        Column("excess_db", "real", "rms difference of the lines beyond random error", "dB", null="not tested"),
        *DOUBT,
        Column("same", "yes_no", "adjusted p-value above 1 - confidence", null="not tested"),
        Column("changed", "yes_no", "not the same, and excess_db reaches the setting", null="not tested"),
        Column("not_tested", "text", "why there is no test: other lines, or too few lines", null="tested"),
        Column(
            "independent_differences",
            "integer",
            "how many there are between sound repeats of the campaign that share no run with the pair; fewer than "
            "6 tell no scatter",
            null="not tested",
        ),
        Column(
            "level_median_db",
            "real",
            "median over third octaves of their mean differences, run_b less run_a",
            "dB",
            null="not tested, or no third octave covered",
        ),
        Column("pair_level_db", "real", "median of it over the positions of the pair", "dB", null=TOO_FEW_OTHERS),
        Column(
            "pair_p_value",
            "real",
            "smallest usual_p_value of the pair, after Benjamini and Hochberg over the campaign's pairs",
            null=TOO_FEW_OTHERS,
        ),
        Column(
            "usual_level_sd_db",
            "real",
            "standard deviation that this usually has: other repeats' scatter, and the pair's random error",
            "dB",
            null=TOO_FEW_OTHERS,
        ),
        Column("level_usual_p_value", "real", "chance of so much level by usual scatter", null=TOO_FEW_OTHERS),
        Column(
            "shape_band_hz",
            "real",
            "third octave that is furthest from usual once the level was taken out",
            "Hz",
            null=TOO_FEW_OTHERS,
        ),
        Column("shape_difference_db", "real", "its mean difference, less level_median_db", "dB", null=TOO_FEW_OTHERS),
        Column(
            "usual_shape_sd_db",
            "real",
            "standard deviation that this usually has: other repeats' scatter in the band, and the pair's random error",
            "dB",
            null=TOO_FEW_OTHERS,
        ),
        Column(
            "shape_usual_p_value",
            "real",
            "chance of so much in any third octave by usual scatter (Bonferroni)",
            null=TOO_FEW_OTHERS,
        ),
        Column(
            "usual_p_value",
            "real",
            "of level and shape after Holm over the pair's positions, and of their medians over the positions",
            null=TOO_FEW_OTHERS,
        ),
        Column(
            "as_usual",
            "yes_no",
            "usual_p_value or pair_p_value above 1 - confidence: the pair differs as repeats here usually do",
            null=TOO_FEW_OTHERS,
        ),
    ),
)
