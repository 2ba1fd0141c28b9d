"""Tables of tones: those of every run, those followed over speed, the modes of cavities, and differences of tones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import DB, DOUBT, POINT, POSITION, RUN, SESSION

if TYPE_CHECKING:
    from tapeline.store import rows

NO_FLOW = "a run without flow"

NO_CAVITY = "the position is in no cavity of known sizes, or the tone is not own"

TONES: Table[rows.TonesRow] = Table(
    "tones",
    1,
    "One row a tone of a run and position: lines above the continuous spectrum, as measured, nothing subtracted",
    ("run", "position", "tone"),
    (
        SESSION,
        RUN,
        POSITION,
        Column("tone", "integer", "number of the tone in its spectrum, from 1, by frequency"),
        Column("condition", "text", "treatment condition", null="a background run"),
        Column("speed_mps", "real", "nominal flow speed of the operating point", "m/s", null="none is stated"),
        Column("yaw_deg", "real", "nominal yaw angle of the operating point", "degree", null="none is stated"),
        Column("flow_speed_mps", "real", "achieved flow speed", "m/s", null=NO_FLOW),
        Column("frequency_hz", "real", "centroid of the bundle of lines above the continuous spectrum", "Hz"),
        Column("frequency_uncertainty_hz", "real", "its standard uncertainty within the record", "Hz"),
        Column("level_db", "real", "of the bundle of lines less the continuous spectrum in it", DB),
        Column("level_uncertainty_db", "real", "its standard uncertainty within the record (random error)", "dB"),
        Column("prominence_db", "real", "largest line above the continuous spectrum", "dB"),
        Column(
            "threshold_db",
            "real",
            "what it had to reach: chance at the set false alarm probability, or tones.least_prominence_db",
            "dB",
        ),
        Column(
            "width_hz", "real", "width of the bundle at half power", "Hz", null="the line spacing decides it: narrower"
        ),
        Column(
            "persistence",
            "real",
            "share of the time that it is there, were it on at one level or off, by how its largest line spreads over "
            "the blocks: 1 for a steady tone, 0.5 too for one whose level fluctuates as that of narrow noise",
            null="less than 10 dB above the continuous spectrum, or too few blocks: cannot be told",
        ),
        Column(
            "in_background",
            "yes_no",
            "whether the background has a tone there too",
            null="no background run, or a background run itself",
        ),
        Column(
            "background_level_db",
            "real",
            "level of the background's tone there",
            DB,
            null="in_background is not yes",
        ),
        Column(
            "mains_order",
            "integer",
            "multiple of mains_hz near which it lies, as near as the mains frequency wanders and it is known",
            null="at none of the first eight",
        ),
        Column(
            "repeat_runs",
            "integer",
            "searched runs of this session, condition and operating point at this position, this one included",
        ),
        Column(
            "repeat_runs_with_it",
            "integer",
            "those with a tone within 1.5 %: of false alarms, few weak ones in many spectra, seldom more than this one",
        ),
        Column(
            "own",
            "yes_no",
            "the source's own as far as it can be told: not the background's (or 6 dB above it), no mains interference",
        ),
        Column(
            "not_own",
            "text",
            "why not: background (fan, hum and what else is in it), mains (no background run tells), background run",
            null="own",
        ),
        Column(
            "track",
            "integer",
            "number of its track among those of its session, position, condition and yaw",
            null="not own, at one speed only, or not in most of the repeats",
        ),
        Column("frequency_per_speed_per_m", "real", "f / U", "1/m", null=NO_FLOW),
        Column("strouhal", "real", "f l / U", null="no length is stated for the position, or no flow"),
        Column("length_m", "real", "l of the Strouhal number", "m", null="none is stated"),
        Column("length_source", "text", "where the length is from", null="none is stated"),
        Column(
            "mode",
            "text",
            "mode of its cavity that it agrees with, as in 'shear-layer 1': one tone a mode, one mode a tone",
            null=f"{NO_CAVITY}, or unexplained",
        ),
        Column(
            "mode_deviation_pct",
            "real",
            "frequency beside the mode's, less one",
            "%",
            null=f"{NO_CAVITY}, or unexplained",
        ),
        Column(
            "mode_candidates",
            "texts",
            "other modes of the cavity whose bands hold it, nearest first",
            null=NO_CAVITY,
        ),
        Column(
            "mode_chance",
            "real",
            "share of the octave about it that the bands of the cavity's modes cover: how likely a tone of another "
            "source agrees with one",
            null=NO_CAVITY,
        ),
        Column("explanation", "text", "the same as a sentence; unexplained is said too", null=NO_CAVITY),
        Column("doubtful", "yes_no", "the channel is doubtful in this run, or the chart does not reach the tone"),
        Column("doubt", "texts", "why: reason codes, and response-unknown"),
    ),
    sort=("session", "run", "position", "tone"),
)

ONE_SPEED = "one speed"

TONE_TRACKS: Table[rows.ToneTracksRow] = Table(
    "tone_tracks",
    1,
    "One row a tone followed over speed, one to one: does its frequency follow the flow, or stay",
    ("session", "position", "condition", "yaw_deg", "track"),
    (
        SESSION,
        POSITION,
        Column("condition", "text", "treatment condition"),
        Column("yaw_deg", "real", "nominal yaw angle", "degree"),
        Column("track", "integer", "number of the track, from 1"),
        Column(
            "sweep",
            "text",
            "up or down, where runs in order of time go both up and down over three speeds or more: they are followed "
            "apart; else all",
        ),
        Column("follows", "text", "flow (exponent near 1), fixed (near 0), neither, or cannot-tell: see the interval"),
        Column("speed_exponent", "real", "exponent of speed of the frequency", null=ONE_SPEED),
        Column("exponent_lower", "real", "lower end of its interval at the set confidence", null=ONE_SPEED),
        Column("exponent_upper", "real", "upper end", null=ONE_SPEED),
        Column("speeds_mps", "reals", "nominal speeds at which it is, in order", "m/s"),
        Column("frequencies_hz", "reals", "its mean frequency at each", "Hz"),
        Column("levels_db", "reals", "its mean level at each", DB),
        Column("frequency_hz", "real", "frequency at the middle one of these speeds", "Hz"),
        Column("level_db", "real", "mean level over its runs", DB),
        Column("frequency_per_speed_per_m", "real", "f / U, geometric mean over its speeds", "1/m"),
        Column("strouhal", "real", "the same times the length: f l / U", null="no length is stated for the position"),
        Column("length_m", "real", "l of the Strouhal number", "m", null="none is stated"),
        Column(
            "mode",
            "text",
            "mode of the cavity that all its tones agree with",
            null="no cavity, unexplained, or not the same at all its tones",
        ),
        Column("mode_deviation_pct", "real", "mean of frequency beside the mode's, less one", "%", null="no mode"),
        Column(
            "mode_candidates",
            "texts",
            "other modes whose bands hold all its tones: several speeds leave fewer than one",
            null="no mode",
        ),
        Column(
            "steps_from",
            "integer",
            "track that ends where this one begins: a step from one mode to another, or two sources",
            null="none ends there",
        ),
        Column("step_ratio", "real", "f/U where this track begins over that where the other ends", null="no step"),
        Column("runs", "texts", "runs whose tones are in it"),
        Column(
            "background_known",
            "yes_no",
            "whether each has a background, which lacks the tone or has it 6 dB weaker: else it may be the fan's",
        ),
        Column("doubtful", "yes_no", "a tone in it is doubtful"),
        Column("doubt", "texts", "why: reason codes, and response-unknown"),
    ),
)

CAVITY_MODES: Table[rows.CavityModesRow] = Table(
    "cavity_modes",
    1,
    "One row a mode of a cavity with positions in it, at the air and speed of a measurement run",
    ("run", "cavity", "family", "order"),
    (
        SESSION,
        RUN,
        Column("cavity", "text", "row of cavities.csv"),
        Column("family", "text", "shear-layer, neck, depth or width"),
        Column("order", "integer", "number of the mode in its family, from 1"),
        Column("frequency_hz", "real", "what the formula gives", "Hz"),
        Column(
            "lower_hz", "real", "lower end of its band at the set confidence, by the uncertainty of all inputs", "Hz"
        ),
        Column("upper_hz", "real", "upper end", "Hz"),
        Column("formula", "text", "the formula"),
        Column(
            "unmodified_hz",
            "real",
            "by Rossiter's own formula, without the speed of sound at rest",
            "Hz",
            null="no such mode",
        ),
        Column("speed_mps", "real", "achieved flow speed", "m/s", null=NO_FLOW),
        Column("temperature_c", "real", "temperature of the air", "degree Celsius", null="not stated: 20 is taken"),
        Column("sound_speed_mps", "real", "speed of sound in it", "m/s"),
        Column("positions", "texts", "positions in the cavity with a tone that agrees with it"),
    ),
    sort=("session", "run", "cavity", "family", "order"),
)

NO_INTERVAL = "not in most runs of both, no repeats in the session, or in doubt"

ONE_SIDE = "not in most runs of both"

TONE_DIFFERENCES: Table[rows.ToneDifferencesRow] = Table(
    "tone_differences",
    1,
    "One row a tone of a comparison at an operating point and position: is it lower, gone, new. Own tones in most of a "
    "side's runs; tests are not adjusted for their number",
    ("comparison", "session", "position", "speed_mps", "yaw_deg", "frequency_hz"),
    (
        Column("comparison", "text", "name of the comparison"),
        SESSION,
        POSITION,
        *POINT,
        Column("frequency_hz", "real", "mean frequency over the runs that have it", "Hz"),
        Column("reference_frequency_hz", "real", "the same over those of the reference", "Hz", null="none has it"),
        Column("treatment_frequency_hz", "real", "the same over those of the treatment", "Hz", null="none has it"),
        Column("reference_runs", "integer", "searched runs of the reference"),
        Column("reference_runs_with_it", "integer", "those that have the tone"),
        Column("treatment_runs", "integer", "searched runs of the treatment"),
        Column("treatment_runs_with_it", "integer", "those that have the tone"),
        Column(
            "reference_level_db",
            "real",
            "mean of those that have it, at the nominal speed and air",
            DB,
            null="none has it",
        ),
        Column("treatment_level_db", "real", "likewise", DB, null="none has it"),
        Column("difference_db", "real", "treatment minus reference", "dB", null=ONE_SIDE),
        Column("standard_error_db", "real", "of the difference, by the scatter of repeats", "dB", null=NO_INTERVAL),
        Column("degrees_of_freedom", "integer", "of that scatter, pooled over the session's tones"),
        Column("lower_db", "real", "lower end of the interval at the set confidence", "dB", null=NO_INTERVAL),
        Column("upper_db", "real", "upper end", "dB", null=NO_INTERVAL),
        Column(
            "bound_db",
            "real",
            "of a tone that is gone: the difference is below it, else it would have been found; of a new one: above it",
            "dB",
            null="both have it, or it comes and goes",
        ),
        Column(
            "finding",
            "text",
            "lower, higher, gone (most runs of the reference have it, none of the treatment), new (the reverse), not "
            "shown, comes and goes (in some runs of a side, not in most), or in doubt",
        ),
        *DOUBT,
    ),
)
