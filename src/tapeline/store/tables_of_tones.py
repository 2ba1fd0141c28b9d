"""Tables of tones: those of every run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import DB, POSITION, RUN, SESSION

if TYPE_CHECKING:
    from tapeline.store import rows

NO_FLOW = "a run without flow"

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
        Column("frequency_per_speed_per_m", "real", "f / U", "1/m", null=NO_FLOW),
        Column("strouhal", "real", "f l / U", null="no length is stated for the position, or no flow"),
        Column("length_m", "real", "l of the Strouhal number", "m", null="none is stated"),
        Column("length_source", "text", "where the length is from", null="none is stated"),
        Column("doubtful", "yes_no", "the channel is doubtful in this run, or the chart does not reach the tone"),
        Column("doubt", "texts", "why: reason codes, and response-unknown"),
    ),
    sort=("session", "run", "position", "tone"),
)
