"""The rows of a campaign's tables. Empty cells are None unless the column has a default (see table_columns)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

EVERY_RUN = "*"
"""Stands for all measurement and background runs in the table of what is left out."""


@dataclass(frozen=True)
class Run:
    """One recording. `background`: None is automatic, () is none; `positions`: () is found by itself."""

    run: str
    recordings: tuple[str, ...]
    format: str | None
    kind: Literal["measurement", "background", "calibration"]
    session: str
    condition: str | None
    speed_mps: float | None
    yaw_deg: float
    background: tuple[str, ...] | None
    calibrator: str | None
    stage: Literal["before", "after"] | None
    positions: tuple[str, ...]
    measured_speed_mps: float | None
    dynamic_pressure_pa: float | None
    temperature_c: float | None
    static_pressure_hpa: float | None
    humidity_pct: float | None
    recorded_at: str | None
    replaces: str | None
    gain_db: float | None
    start_s: float | None
    stop_s: float | None
    flow_series: str | None
    use: bool
    remark: str
    line: int


@dataclass(frozen=True)
class Position:
    """One place on the body. `line_array` is the name in the column `line`; `line` is the table's line."""

    position: str
    x_m: float | None
    y_m: float | None
    z_m: float | None
    area: str | None
    flow: Literal["attached", "separated", "cavity", "sheltered"] | None
    mirror: str | None
    line_array: str | None
    line_order: int | None
    cavity: str | None
    remark: str
    line: int


@dataclass(frozen=True)
class Fitting:
    """Which sensor sat where, on which channel (from 1), in one session."""

    session: str
    channel: int
    position: str
    sensor: str | None
    mount: str | None
    full_scale_v: float | None
    gain_db: float
    polarity: Literal[1, -1]
    unit: Literal["V", "Pa"]
    highpass_hz: float | None
    lowpass_hz: float | None
    line: int


@dataclass(frozen=True)
class Sensor:
    """One sensor and the papers that came with it."""

    sensor: str
    sensitivity_mv_per_pa: float | None
    calibrated_on: str | None
    chart: str | None
    data_sheet: str | None
    diameter_mm: float | None
    sensitivity_uncertainty_db: float | None
    serial: str | None
    chart_reference_hz: float | None
    response_kind: Literal["pressure", "actuator", "free-field"]
    line: int


@dataclass(frozen=True)
class Calibrator:
    """One calibrator. The level of a closed coupler follows the static pressure, that of a feedback one does not."""

    calibrator: str
    kind: Literal["closed-coupler", "feedback"]
    level_db: float
    frequency_hz: float
    level_uncertainty_db: float | None
    adapter_correction_db: float
    adapter_uncertainty_db: float | None
    line: int


@dataclass(frozen=True)
class Override:
    """A verdict that somebody sets against the computed one; without a position it is that of all channels."""

    run: str
    position: str | None
    verdict: Literal["good", "doubtful", "unusable"]
    reason: str
    who: str
    line: int


@dataclass(frozen=True)
class LeftOut:
    """What of a recording is left out: a stretch of all its channels, or a range of frequencies.

    Either the two times are there, in seconds from the recording's start, or the two frequencies in Hz. A range of
    frequencies counts at one position, or at all where none is named; its run may be `EVERY_RUN`.
    """

    run: str
    start_s: float | None
    stop_s: float | None
    position: str | None
    lower_hz: float | None
    upper_hz: float | None
    reason: str
    line: int

    @property
    def stretch_s(self) -> tuple[float, float] | None:
        """Start and stop of a stretch; None for a range of frequencies."""
        return None if self.start_s is None or self.stop_s is None else (self.start_s, self.stop_s)

    @property
    def range_hz(self) -> tuple[float, float] | None:
        """Ends of a range of frequencies; None for a stretch."""
        return None if self.lower_hz is None or self.upper_hz is None else (self.lower_hz, self.upper_hz)

    def is_of(self, run: str) -> bool:
        """Whether the row counts for a run."""
        return self.run in (run, EVERY_RUN)

    @property
    def words(self) -> str:
        """What is left out and why."""
        if self.stretch_s is not None:
            return f"{self.start_s:g} to {self.stop_s:g} s: {self.reason}"
        single = self.lower_hz == self.upper_hz
        frequencies = f"{self.lower_hz:g} Hz" if single else f"{self.lower_hz:g} to {self.upper_hz:g} Hz"
        return f"{frequencies}{f' at {self.position}' if self.position else ''}: {self.reason}"


@dataclass(frozen=True)
class Cavity:
    """The sizes of one cavity, as far as they are known."""

    cavity: str
    length_m: float | None
    depth_m: float | None
    width_m: float | None
    opening_m2: float | None
    volume_m3: float | None
    neck_m: float | None
    line: int
