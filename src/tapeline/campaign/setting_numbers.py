"""Kinds of numbers in campaign.yaml: what can be computed with at all (limits), and what is usual (warned of beyond).

The limits stand in each field; the usual ranges are wide, so that no sound campaign meets them: water channels, models
of some centimetres, cryogenic and pressurised tunnels. Where nothing else is said they are this project's own choice.
"""

from __future__ import annotations

import itertools
from typing import Annotated, TypeAlias

from pydantic import AfterValidator, AllowInfNan, Field
from pydantic_core import PydanticCustomError

from tapeline.campaign.usual_values import KHZ, MILLIMETRES, MILLISECONDS, OtherUnit, Usual
from tapeline.limits import LARGEST_LEVEL_DB, LARGEST_VALUE_UNITS, SMALLEST_VALUE_UNITS


def refuse(expected: str) -> PydanticCustomError:
    """The error by which a validator says what it expects; the words end up in the fault."""
    return PydanticCustomError("expected", "expected {expected}", {"expected": expected})


OF_HUNDRED = (OtherUnit("%", 0.01),)

HIGHEST_HZ, LOWEST_HZ = 1e7, 1e-3
"""Ends of all frequencies: above the highest sampling rate, below the widest block that fits into memory."""

Number: TypeAlias = Annotated[float, Field(strict=True), AllowInfNan(False)]
Whole: TypeAlias = Annotated[int, Field(strict=True)]

LimitDb: TypeAlias = Annotated[
    Number,
    Field(le=LARGEST_LEVEL_DB),
    Usual(0.001, 200.0, "dB", "limits in use; 200 dB switches one off", zero=True),
]
UncertaintyDb: TypeAlias = Annotated[
    Number,
    Field(le=LARGEST_LEVEL_DB),
    Usual(0.0, 20.0, "dB", "standard uncertainties", "check whether it is in dB, not in per cent"),
]
MarginDb: TypeAlias = Annotated[
    Number, Field(ge=-LARGEST_LEVEL_DB, le=LARGEST_LEVEL_DB), Usual(0.0, 200.0, "dB", "margins above a background")
]
Percent: TypeAlias = Annotated[
    Number, Field(le=1000), Usual(0.0001, 100.0, "%", "limits in use", "check whether a share was written", zero=True)
]
Share: TypeAlias = Annotated[Number, Usual(0.0001, 1.0, "", "shares", "check whether it is a share of 1", zero=True)]
Level: TypeAlias = Annotated[Number, Usual(1e-6, 0.2, "", "levels of tests", "check the number: 0.01 is 1 %")]
LineSpacing: TypeAlias = Annotated[
    Number,
    Field(ge=LOWEST_HZ),
    Usual(0.05, 200.0, "Hz", "spectra of recordings of minutes", "a block lasts 1/spacing seconds"),
]
SampleRate: TypeAlias = Annotated[
    Number,
    Field(ge=1.0),
    Usual(200.0, 2e6, "Hz", "recorders of sound and pressure", others=(*KHZ, OtherUnit("MHz", 1e6))),
]
Frequency: TypeAlias = Annotated[Number, Field(le=HIGHEST_HZ), Usual(15.0, 800.0, "Hz", "railway to aircraft mains")]
Duration: TypeAlias = Annotated[
    Number,
    Field(ge=1e-6, le=1e6),
    Usual(0.01, 3600.0, "s", "parts of recordings", "check whether it is in seconds", others=MILLISECONDS),
]
ShortDuration: TypeAlias = Annotated[
    Number,
    Field(ge=1e-6, le=3600),
    Usual(1e-4, 10.0, "s", "gaps in recordings", "check whether it is in seconds", others=MILLISECONDS),
]
Margin: TypeAlias = Annotated[
    Number,
    Usual(0.0, 10.0, "s", "time beside a spike", "check whether it is in seconds", others=MILLISECONDS),
]
Hours: TypeAlias = Annotated[Number, Field(ge=1e-6, le=1e6), Usual(0.05, 2e4, "hours", "minutes to two years")]
Speed: TypeAlias = Annotated[
    Number,
    Field(ge=1e-6, le=340.0),
    Usual(0.05, 340.0, "m/s", "water channels to the speed of sound", "it is in m/s, not in the report's unit"),
]
SpeedStep: TypeAlias = Annotated[Number, Field(ge=1e-6), Usual(0.01, 50.0, "m/s", "bins of speed")]
AngleStep: TypeAlias = Annotated[Number, Field(ge=1e-6), Usual(0.05, 90.0, "degrees", "bins of yaw")]
Angle: TypeAlias = Annotated[Number, Usual(0.001, 45.0, "degrees", "settings of a turntable", zero=True)]
EnteredSpeed: TypeAlias = Annotated[
    Number,
    Field(ge=0, le=1224.0),
    Usual(0.05, 1224.0, "", "m/s or km/h, water channels to the speed of sound", "check entered_speed_unit", zero=True),
]
Yaw: TypeAlias = Annotated[Number, Field(ge=-180, le=180)]
Length: TypeAlias = Annotated[
    Number,
    Field(ge=1e-9, le=1e6),
    Usual(1e-5, 100.0, "m", "roughness and gaps to vehicles", "check the unit", others=MILLIMETRES),
]
Pressure: TypeAlias = Annotated[
    Number,
    Field(ge=SMALLEST_VALUE_UNITS, le=LARGEST_VALUE_UNITS),
    Usual(10.0, 1e8, "Pa", "more than the loudest flow, in air and water", "check the unit"),
]
QuietPressure: TypeAlias = Annotated[
    Number,
    Field(le=LARGEST_VALUE_UNITS),
    Usual(1e-8, 1.0, "Pa", "less than a quiet sensor hears", "check the unit: 20 uPa are 2e-5 Pa", zero=True),
]
ReferencePressure: TypeAlias = Annotated[
    Number,
    Field(ge=SMALLEST_VALUE_UNITS, le=LARGEST_VALUE_UNITS),
    Usual(
        1e-6,
        1.0,
        "Pa",
        "1 uPa in liquids, 20 uPa in gases, 1 Pa",
        "leave the key out for 20 uPa",
        others=(OtherUnit("uPa", 1e-6),),
    ),
]
AirPressureUncertainty: TypeAlias = Annotated[
    Number, Field(le=20_000), Usual(0.0, 50.0, "hPa", "barometers", others=(OtherUnit("Pa", 0.01),))
]
PressureChange: TypeAlias = Annotated[
    Number,
    Field(le=2000),
    Usual(0.0, 100.0, "kPa", "weather, and altitude", others=(OtherUnit("hPa", 0.1), OtherUnit("Pa", 0.001))),
]
TemperatureChange: TypeAlias = Annotated[
    Number, Field(le=500), Usual(0.0, 250.0, "K", "climatic and cryogenic tunnels")
]
Coefficient: TypeAlias = Annotated[
    Number, Field(le=LARGEST_LEVEL_DB), Usual(0.0, 1.0, "dB for each unit", "certificates of microphones")
]
Exponent: TypeAlias = Annotated[Number, Usual(1.0, 10.0, "", "powers of speed", "pressure has 4 to 6")]
ExponentUncertainty: TypeAlias = Annotated[Number, Usual(0.0, 4.0, "", "spread of powers of speed")]
Times: TypeAlias = Annotated[
    Number, Field(le=LARGEST_VALUE_UNITS), Usual(0.01, 1e6, "", "limits in use; 1e6 switches one off", zero=True)
]
ManyTimes: TypeAlias = Annotated[
    Number,
    Field(le=LARGEST_VALUE_UNITS),
    Usual(0.0, 1e4, "", "statistics of a band", "a band without a level says why"),
]
Count: TypeAlias = Annotated[Whole, Field(le=1_000_000), Usual(1, 100_000, "", "limits in use")]
FewBands: TypeAlias = Annotated[Whole, Field(le=10_000), Usual(5, 200, "", "bands of a spectrum")]
Days: TypeAlias = Annotated[
    Whole, Field(le=1_000_000), Usual(7, 36_525, "days", "a week to a century", "two years are 730 days")
]
HeaderBytes: TypeAlias = Annotated[
    Whole, Field(le=1_000_000_000_000), Usual(0, 100_000_000, "bytes", "headers of recordings")
]
Confidence: TypeAlias = Annotated[
    Number,
    Field(le=0.999999),
    Usual(0.6, 0.9999, "", "confidence levels", "check whether it is a share: 0.95 is 95 %", others=OF_HUNDRED),
]
RateShare: TypeAlias = Annotated[
    Number,
    Field(ge=1e-6),
    Usual(0.1, 0.5, "", "pass bands of anti-aliasing filters", "it is a share of the sampling rate"),
]


def _increasing(limits: tuple[float, float]) -> tuple[float, float]:
    low, high = limits
    if not 0 < low < high:
        raise refuse("two increasing frequencies above 0 Hz, such as [25, 8000]")
    if low < LOWEST_HZ or high > HIGHEST_HZ:
        raise refuse(f"two increasing frequencies from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz, such as [25, 8000]")
    return limits


FrequencyRange: TypeAlias = Annotated[
    tuple[Number, Number],
    AfterValidator(_increasing),
    Usual(0.1, 500_000.0, "Hz", "pressure under flow", others=KHZ),
]

LEAST_AXIS_DB = 1.0
"""Length of the shortest axis that may be set (own choice: less shows nothing but scatter)."""


def _apart(limits: tuple[float, float]) -> tuple[float, float]:
    low, high = limits
    if high - low < LEAST_AXIS_DB:
        raise refuse(f"two levels in dB, the second at least {LEAST_AXIS_DB:g} dB above the first, such as [40, 100]")
    if low < -LARGEST_LEVEL_DB or high > LARGEST_LEVEL_DB:
        raise refuse(f"two levels from {-LARGEST_LEVEL_DB:g} to {LARGEST_LEVEL_DB:g} dB, such as [40, 100]")
    return limits


AxisRange: TypeAlias = Annotated[
    tuple[Number, Number], AfterValidator(_apart), Usual(-200.0, 300.0, "dB", "levels and densities")
]


def _rising(curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    hz = [pair[0] for pair in curve]
    if not hz or hz[0] <= 0 or any(b <= a for a, b in itertools.pairwise(hz)) or any(db < 0 for _, db in curve):
        raise refuse(
            "pairs of [Hz, dB], frequencies above 0 Hz and increasing, no decibels below 0, such as [[250, 0.05]]"
        )
    if hz[0] < LOWEST_HZ or hz[-1] > HIGHEST_HZ or any(db > MOST_UNCERTAINTY_DB for _, db in curve):
        ends = f"from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz and at most {MOST_UNCERTAINTY_DB:g} dB"
        raise refuse(f"pairs of [Hz, dB] {ends}, such as [[250, 0.05]]")
    return curve


MOST_UNCERTAINTY_DB = 40.0
"""A standard uncertainty of more says that nothing is known (own choice)."""

Curve: TypeAlias = Annotated[tuple[tuple[Number, Number], ...], AfterValidator(_rising)]
BatchSize: TypeAlias = Annotated[
    Number,
    Field(le=1e6),
    Usual(1.0, 10_000.0, "MB", "batches that several cores share", others=(OtherUnit("GB", 1e3),)),
]
