"""The columns of every table, declared once: name, kind, need, default, meaning and unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from tapeline.campaign.cells import (
    BACKGROUND,
    DATE,
    DATE_TIME,
    IDENTIFIER_KIND,
    IDENTIFIERS,
    PARTS,
    PATH,
    PATH_BELOW,
    RUN_OR_EVERY,
    TEXT,
    Kind,
    number,
    whole,
    word_list,
    words,
)
from tapeline.campaign.tables import Calibrator, Cavity, Fitting, LeftOut, Override, Position, Run, Sensor
from tapeline.campaign.usual_values import KHZ, MILLIMETRES, MILLISECONDS, OtherUnit, Usual
from tapeline.limits import SLOWEST_FLOW_MPS

RowT = TypeVar("RowT")
KMH_PER_MPS = 3.6


@dataclass(frozen=True)
class CsvColumn:
    """One column. `default` stands for an empty cell; `into` is the attribute of the row, by default the name."""

    name: str
    kind: Kind
    description: str
    needed: bool = False
    default: Any = None
    unit: str = ""
    into: str = ""

    @property
    def attribute(self) -> str:
        return self.into or self.name

    @property
    def wanted(self) -> str:
        """What belongs into a cell: meaning, kind and unit."""
        kind = "" if self.kind in (IDENTIFIER_KIND, TEXT) else f" ({self.kind.name}{self.unit and f', {self.unit}'})"
        return f"{self.description}{kind}"


@dataclass(frozen=True)
class CsvTable(Generic[RowT]):
    """One table: its columns and the class of its rows."""

    name: str
    row: Callable[..., RowT]
    columns: tuple[CsvColumn, ...]


RUNNING_SPEED_MPS = Usual(
    0.05,
    340.0,
    "m/s",
    "water channels to the speed of sound",
    "with the wind off write 0",
    zero=True,
)
RUNNING_SPEED_KMH = Usual(0.2, 1200.0, "km/h", RUNNING_SPEED_MPS.origin, "with the wind off write 0", zero=True)
SPEED_MPS = number("m/s", least=0, most=340, usual=RUNNING_SPEED_MPS, smallest=SLOWEST_FLOW_MPS)
DYNAMIC_PRESSURE = number(
    "Pa",
    least=0,
    most=1e7,
    usual=Usual(
        1e-3,
        1.5e5,
        "Pa",
        "low speeds in air to transonic and pressurised tunnels",
        "speeds follow from it by the density of air: leave the cell empty in any other fluid",
        zero=True,
    ),
    smallest=1e-9,
)
AIR_TEMPERATURE = number(
    "degrees Celsius",
    least=-200,
    most=150,
    usual=Usual(
        -50.0,
        60.0,
        "degC",
        "climatic wind tunnels; cryogenic ones lie below",
        "check the unit; nothing to mend where the air was that hot or cold",
        others=(OtherUnit("degrees Fahrenheit", 5 / 9, -160 / 9), OtherUnit("K", 1.0, -273.15)),
    ),
)
STATIC_PRESSURE = number(
    "hPa",
    least=200,
    most=20_000,
    usual=Usual(
        500.0,
        1100.0,
        "hPa",
        "weather, and facilities up to 5500 m of altitude",
        "check the unit; nothing to mend in a pressurised or evacuated facility",
        others=(OtherUnit("Pa", 0.01), OtherUnit("kPa", 10.0), OtherUnit("bar", 1000.0)),
    ),
)
"""Wider than weather: test chambers at the pressure of 12 km of altitude, tunnels of 20 bar (from memory)."""
HUMIDITY = number(
    "%",
    least=0,
    most=100,
    usual=Usual(
        1.0,
        100.0,
        "%",
        "outdoor and indoor air; dried air lies below",
        "check whether a share was written; nothing to mend in a tunnel of dried air",
        zero=True,
        others=(OtherUnit("as a share", 100.0),),
    ),
)
GAIN = number(
    "dB", least=-200, most=200, usual=Usual(0.0, 100.0, "dB", "signal conditioners", zero=True, either_sign=True)
)
TIME_IN_RECORDING = Usual(
    0.0,
    1e5,
    "s",
    "recordings of a day",
    "check whether it is a time of day or in milliseconds",
    others=MILLISECONDS,
)
COORDINATE = number(
    "m",
    usual=Usual(
        0.0,
        500.0,
        "m",
        "bodies as long as trains and ships",
        "check the unit, and whether the frame starts at the body",
        either_sign=True,
        others=MILLIMETRES,
    ),
)
START = number("s", least=0, usual=TIME_IN_RECORDING)
STOP = number("s", above=0, usual=TIME_IN_RECORDING)
LENGTH = number(
    "m", above=0, usual=Usual(1e-4, 100.0, "m", "gaps and recesses of models and vehicles", others=MILLIMETRES)
)
LOWPASS = number("Hz", above=0, usual=Usual(10.0, 2e6, "Hz", "anti-aliasing filters of recorders", others=KHZ))
HIGHPASS = number("Hz", above=0, usual=Usual(1e-3, 2000.0, "Hz", "coupling of sensors and conditioners"))
FREQUENCY = number("Hz", above=0, usual=Usual(1e-3, 2e6, "Hz", "pressure sensors"))
LOWER_FREQUENCY = number("Hz", least=0, usual=Usual(0.0, 2e6, "Hz", "pressure sensors"))
FULL_SCALE = number(
    "V",
    above=0,
    most=1000,
    usual=Usual(0.001, 250.0, "V", "ranges of recorders", others=(OtherUnit("mV", 0.001),)),
)
SENSITIVITY = number(
    "mV/Pa",
    above=0,
    most=1e5,
    usual=Usual(
        1e-4,
        5000.0,
        "mV/Pa",
        "pressure transducers to microphones with amplifiers",
        "check the unit",
        others=(OtherUnit("V/Pa", 1000.0), OtherUnit("uV/Pa", 0.001)),
    ),
)
DIAMETER = number(
    "mm",
    above=0,
    most=100,
    usual=Usual(
        0.05,
        60.0,
        "mm",
        "pinholes and miniature transducers to microphones of one inch and more",
        others=(OtherUnit("m", 1000.0), OtherUnit("inch", 25.4)),
    ),
)
CALIBRATOR_LEVEL = number(
    "dB", least=40, most=180, usual=Usual(70.0, 170.0, "dB", "sound calibrators and pistonphones re 20 uPa")
)
CALIBRATOR_FREQUENCY = number(
    "Hz", above=0, usual=Usual(5.0, 20_000.0, "Hz", "sound calibrators and pistonphones", others=KHZ)
)
ADAPTER_CORRECTION = number(
    "dB", least=-40, most=40, usual=Usual(0.0, 10.0, "dB", "volumes of couplers and adapters", either_sign=True)
)


def uncertainty_db(largest: float) -> Kind:
    """A standard uncertainty in dB; more than `largest` is warned of."""
    look = "check whether it is in dB, not in per cent"
    return number("dB", least=0, most=20, usual=Usual(0.0, largest, "dB", "certificates", look))


RUNS = CsvTable(
    "runs",
    Run,
    (
        CsvColumn("run", IDENTIFIER_KIND, "identifier of the run", needed=True),
        CsvColumn(
            "recording",
            PARTS,
            "path below `recordings`; parts of a split recording are read as one",
            needed=True,
            default=(),
            into="recordings",
        ),
        CsvColumn("format", IDENTIFIER_KIND, "a name in `raw_formats`; empty: read from the file's own header"),
        CsvColumn(
            "kind",
            words(measurement="measurement", background="background", calibration="calibration"),
            "what was recorded",
            needed=True,
        ),
        CsvColumn("session", IDENTIFIER_KIND, "the fitting of the sensors that was in place", needed=True),
        CsvColumn("condition", IDENTIFIER_KIND, "a key of `conditions`; needed for measurements"),
        CsvColumn(
            "speed_kmh",
            number("km/h", least=0, most=1200, usual=RUNNING_SPEED_KMH, smallest=SLOWEST_FLOW_MPS * KMH_PER_MPS),
            "set speed; needed for measurements, here or in speed_mps",
            unit="km/h",
        ),
        CsvColumn("speed_mps", SPEED_MPS, "set speed", unit="m/s"),
        CsvColumn("yaw_deg", number("degrees", least=-180, most=180), "set yaw angle", default=0.0, unit="deg"),
        CsvColumn(
            "background",
            BACKGROUND,
            "background runs to subtract from a measurement, separated by spaces, or none; empty: found by itself",
        ),
        CsvColumn("calibrator", IDENTIFIER_KIND, "the calibrator used; needed for calibrations"),
        CsvColumn("stage", words(before="before", after="after"), "when; needed for calibrations"),
        CsvColumn(
            "positions",
            IDENTIFIERS,
            "positions calibrated in the recording, in this order; empty: found by itself",
            default=(),
        ),
        CsvColumn("measured_speed_mps", SPEED_MPS, "speed achieved; scales the run", unit="m/s"),
        CsvColumn("dynamic_pressure_pa", DYNAMIC_PRESSURE, "dynamic pressure achieved", unit="Pa"),
        CsvColumn("temperature_c", AIR_TEMPERATURE, "air temperature", unit="degC"),
        CsvColumn("static_pressure_hpa", STATIC_PRESSURE, "static air pressure", unit="hPa"),
        CsvColumn("humidity_pct", HUMIDITY, "relative humidity", unit="%"),
        CsvColumn("recorded_at", DATE_TIME, "when; gives the run order"),
        CsvColumn("replaces", IDENTIFIER_KIND, "the run that this one was taken again for"),
        CsvColumn("gain_db", GAIN, "conditioner gain of all channels in this run", unit="dB"),
        CsvColumn("start_s", START, "start of the part to use", unit="s"),
        CsvColumn("stop_s", STOP, "end of the part to use", unit="s"),
        CsvColumn(
            "flow_series",
            PATH_BELOW,
            "CSV below `recordings` with the columns time_s (from the recording's start), speed_mps and yaw_deg: what "
            "the flow did during the run; gives the levels by speed and yaw",
        ),
        CsvColumn("use", words(yes=True, no=False), "`no` leaves the run out", default=True),
        CsvColumn("remark", TEXT, "free text", default=""),
    ),
)

POSITIONS = CsvTable(
    "positions",
    Position,
    (
        CsvColumn("position", IDENTIFIER_KIND, "identifier of the place", needed=True),
        CsvColumn("x_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
        CsvColumn("y_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
        CsvColumn("z_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
        CsvColumn("area", TEXT, "groups positions, such as `seam`"),
        CsvColumn(
            "flow",
            words(attached="attached", separated="separated", cavity="cavity", sheltered="sheltered"),
            "decides whether a sensor-size correction may be offered",
        ),
        CsvColumn("mirror", IDENTIFIER_KIND, "the partner on the other side"),
        CsvColumn("line", IDENTIFIER_KIND, "the line array that the position belongs to", into="line_array"),
        CsvColumn("line_order", whole(0), "place on the line array, counted downstream"),
        CsvColumn("cavity", IDENTIFIER_KIND, "a row of the cavities table"),
        CsvColumn("remark", TEXT, "free text", default=""),
    ),
)

FITTINGS = CsvTable(
    "fittings",
    Fitting,
    (
        CsvColumn("session", IDENTIFIER_KIND, "one fitting of the sensors", needed=True),
        CsvColumn("channel", whole(1, 4096), "channel of the recording, from 1", needed=True),
        CsvColumn("position", IDENTIFIER_KIND, "a row of the positions table", needed=True),
        CsvColumn("sensor", IDENTIFIER_KIND, "a row of the sensors table; empty for recordings in pascal"),
        CsvColumn("mount", TEXT, "the physical attachment; the same name in two sessions: it stayed on the body"),
        CsvColumn(
            "full_scale_v",
            FULL_SCALE,
            "peak voltage at digital full scale; empty for float recordings in volts",
            unit="V",
        ),
        CsvColumn("gain_db", GAIN, "conditioner gain", default=0.0, unit="dB"),
        CsvColumn(
            "highpass_hz",
            HIGHPASS,
            "corner of the high-pass filter before the recorder; bands are given from twice this on",
            unit="Hz",
        ),
        CsvColumn(
            "lowpass_hz",
            LOWPASS,
            "end of the pass band of the anti-aliasing filter; empty: the share of the sample rate in the settings",
            unit="Hz",
        ),
        CsvColumn("polarity", word_list({"+": 1, "-": -1}), "sign of the voltage for a rise in pressure", default=1),
        CsvColumn("unit", words(V="V", Pa="Pa"), "unit of the recording", default="V"),
    ),
)

SENSORS = CsvTable(
    "sensors",
    Sensor,
    (
        CsvColumn("sensor", IDENTIFIER_KIND, "identifier of the sensor", needed=True),
        CsvColumn("sensitivity_mv_per_pa", SENSITIVITY, "sensitivity", unit="mV/Pa"),
        CsvColumn("calibrated_on", DATE, "date of the chart"),
        CsvColumn("chart", PATH, "path of the chart, a CSV file"),
        CsvColumn("data_sheet", PATH, "path of the binary IEEE 1451.4 data sheet"),
        CsvColumn("diameter_mm", DIAMETER, "diameter of the sensing face", unit="mm"),
        CsvColumn(
            "sensitivity_uncertainty_db",
            uncertainty_db(3.0),
            "standard uncertainty of the sensitivity",
            unit="dB",
        ),
        CsvColumn("serial", TEXT, "serial number"),
        CsvColumn("chart_reference_hz", FREQUENCY, "frequency of the chart's sensitivity", unit="Hz"),
        CsvColumn(
            "response_kind",
            word_list({"pressure": "pressure", "actuator": "actuator", "free-field": "free-field"}),
            "which response the chart shows",
            default="pressure",
        ),
    ),
)

CALIBRATORS = CsvTable(
    "calibrators",
    Calibrator,
    (
        CsvColumn("calibrator", IDENTIFIER_KIND, "identifier of the calibrator", needed=True),
        CsvColumn(
            "kind",
            word_list({"closed-coupler": "closed-coupler", "feedback": "feedback"}),
            "whether its level follows the static pressure",
            needed=True,
        ),
        CsvColumn("level_db", CALIBRATOR_LEVEL, "level re 20 uPa", needed=True, unit="dB"),
        CsvColumn("frequency_hz", CALIBRATOR_FREQUENCY, "frequency of the tone", needed=True, unit="Hz"),
        CsvColumn(
            "level_uncertainty_db",
            uncertainty_db(2.0),
            "standard uncertainty of the level; empty: calibration.calibrator_uncertainty_db",
            unit="dB",
        ),
        CsvColumn(
            "adapter_correction_db",
            ADAPTER_CORRECTION,
            "added to the level for the volume of a surface adapter",
            default=0.0,
            unit="dB",
        ),
        CsvColumn(
            "adapter_uncertainty_db",
            uncertainty_db(3.0),
            "standard uncertainty of the adapter's correction; empty: calibration.adapter_uncertainty_db where there "
            "is a correction",
            unit="dB",
        ),
    ),
)

CAVITIES = CsvTable(
    "cavities",
    Cavity,
    (
        CsvColumn("cavity", IDENTIFIER_KIND, "identifier of the cavity", needed=True),
        CsvColumn("length_m", LENGTH, "length along the flow", unit="m"),
        CsvColumn("depth_m", LENGTH, "depth below the surface", unit="m"),
        CsvColumn("width_m", LENGTH, "width across the flow", unit="m"),
        CsvColumn(
            "opening_m2",
            number(
                "m2", above=0, usual=Usual(1e-8, 100.0, "m2", "openings of cavities", others=(OtherUnit("mm2", 1e-6),))
            ),
            "area of the opening",
            unit="m2",
        ),
        CsvColumn(
            "volume_m3",
            number(
                "m3", above=0, usual=Usual(1e-11, 1000.0, "m3", "cavities to cabins", others=(OtherUnit("mm3", 1e-9),))
            ),
            "volume behind the opening",
            unit="m3",
        ),
        CsvColumn(
            "neck_m",
            number("m", least=0, usual=Usual(0.0, 10.0, "m", "necks of cavities", others=MILLIMETRES)),
            "length of the neck",
            unit="m",
        ),
    ),
)

OVERRIDES = CsvTable(
    "overrides",
    Override,
    (
        CsvColumn(
            "run",
            IDENTIFIER_KIND,
            "a measurement or background run, or a calibration run whose checks somebody decides on",
            needed=True,
        ),
        CsvColumn("position", IDENTIFIER_KIND, "a position; empty: all channels of the run"),
        CsvColumn(
            "verdict",
            words(good="good", doubtful="doubtful", unusable="unusable"),
            "the verdict that counts, whatever was found; of a check: unusable refuses it, good lets it count where it "
            "has figures, doubtful marks it",
            needed=True,
        ),
        CsvColumn("reason", TEXT, "why, in words; shown wherever the result is", needed=True),
        CsvColumn("who", TEXT, "who decided", needed=True),
    ),
)

LEFT_OUT = CsvTable(
    "left_out",
    LeftOut,
    (
        CsvColumn(
            "run",
            RUN_OR_EVERY,
            "a measurement or background run; `*`, for a range of frequencies: all of them",
            needed=True,
        ),
        CsvColumn("start_s", START, "start of a stretch, from the recording's start", unit="s"),
        CsvColumn("stop_s", STOP, "end of a stretch, from the recording's start", unit="s"),
        CsvColumn("position", IDENTIFIER_KIND, "where a range of frequencies is left out; empty: at all positions"),
        CsvColumn(
            "lower_hz",
            LOWER_FREQUENCY,
            "lower end of a range of frequencies: bands that it overlaps get no level; such a row has no times",
            unit="Hz",
        ),
        CsvColumn("upper_hz", FREQUENCY, "upper end of that range", unit="Hz"),
        CsvColumn("reason", TEXT, "why: a gust, passing traffic, a door; shown with the run", needed=True),
    ),
)

TABLES: tuple[CsvTable[Any], ...] = (RUNS, POSITIONS, FITTINGS, SENSORS, CALIBRATORS, CAVITIES, OVERRIDES, LEFT_OUT)
