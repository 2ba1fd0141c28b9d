"""Columns and words that several tables share."""

from __future__ import annotations

from tapeline.store.schema import Column

DB = "dB re 20 uPa"

PA2 = "Pa^2"

RUN = Column("run", "text", "identifier of the recording in runs.csv")

SESSION = Column("session", "text", "the fitting of the sensors that was in place")

POSITION = Column("position", "text", "identifier of the place on the body")

SPEED = Column("speed_mps", "real", "nominal flow speed of the operating point", "m/s")

YAW = Column("yaw_deg", "real", "nominal yaw angle of the operating point", "degree")

POINT = (SPEED, YAW)

BAND = Column("band_hz", "real", "nominal midband frequency, the band's label", "Hz")

VERDICT = Column("verdict", "text", "good, doubtful or unusable")

REASONS = Column("reasons", "texts", "reason codes, explained in the table of reasons")

DOUBT = (
    Column("doubtful", "yes_no", "a level in it is doubtful"),
    Column("doubt", "texts", "why, and by which runs, as in 'hum: x12, x13'"),
)

TERMS = (
    Column("terms", "texts", "names of the terms of the standard uncertainty"),
    Column("terms_db", "reals", "standard uncertainty that each term gives, in the order of `terms`", "dB"),
    Column(
        "terms_evidence", "texts", "measured, certificate, stated (by the campaign) or default, in the order of `terms`"
    ),
)

ITEM = (
    Column("quantity", "text", "band or overall"),
    Column("weighting", "text", "frequency weighting; Z for bands"),
    Column("band_hz", "real", "nominal midband frequency", "Hz", null="an overall level"),
    Column("lower_hz", "real", "exact lower edge of the band", "Hz", null="an overall level"),
    Column("upper_hz", "real", "exact upper edge of the band", "Hz", null="an overall level"),
    Column("lowest_band_hz", "real", "lowest midband frequency asked for", "Hz", null="a band"),
    Column("highest_band_hz", "real", "highest midband frequency asked for", "Hz", null="a band"),
)

ITEM_WITH_MIDBAND = (
    *ITEM[:3],
    Column("midband_hz", "real", "exact midband frequency", "Hz", null="an overall level"),
    *ITEM[3:],
)

ITEM_KEY = ("quantity", "weighting", "band_hz", "lowest_band_hz", "highest_band_hz")

NOT_TESTED = "neither difference nor error, or a level is in doubt: nothing is tested"

JUDGED = (
    Column("standard_error_db", "real", "of the difference", "dB"),
    Column("degrees_of_freedom", "real", "of the standard error", null="infinite"),
    Column("lower_db", "real", "lower end of the interval at the set confidence", "dB", null=NOT_TESTED),
    Column("upper_db", "real", "upper end", "dB", null=NOT_TESTED),
    Column(
        "p_value",
        "real",
        "two-sided, no difference",
        null=NOT_TESTED,
    ),
    Column(
        "adjusted_p_value",
        "real",
        "adjusted over the family",
        null=NOT_TESTED,
    ),
    Column(
        "family_size",
        "integer",
        "tests in the family: all bands, or all overall levels, of the table; of one comparison where it names one",
    ),
    Column("finding", "text", "lower, higher, equivalent or not shown"),
)

SIDES = (
    Column("session_label", "text", "session, or both as in 'april + may' where reference and treatment are of two"),
    Column("reference_session", "text", "session of the reference runs"),
    Column("treatment_session", "text", "session of the treatment runs"),
)

RANGE_OF_SPEED = (
    Column("lowest_speed_mps", "real", "lowest achieved speed of the runs used", "m/s", null="no run is used"),
    Column("highest_speed_mps", "real", "highest achieved speed of the runs used", "m/s", null="no run is used"),
)
