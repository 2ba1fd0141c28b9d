"""Where a value stands on an axis, and which values are written beside it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from tapeline.report.wording import counted

Limits: TypeAlias = tuple[float, float]

STEPS = (1.0, 2.0, 5.0, 10.0)
OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal octave midbands of IEC 61260-1, which the trade writes on frequency axes."""
THIRDS_HZ = tuple(
    round(step * decade, 3)
    for decade in (10.0, 100.0, 1000.0, 10000.0)
    for step in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)
"""Nominal third-octave midbands of IEC 61260-1."""


@dataclass(frozen=True)
class Scale:
    """Values from `limits[0]` at `start` to `limits[1]` at `end` (pixels); in equal ratios where `is_log`."""

    limits: Limits
    start: float
    end: float
    is_log: bool = False

    def at(self, value: float) -> float:
        """The place of a value, also of one beyond the limits; NaN where it has none."""
        low, high = self.limits
        if self.is_log:
            if not value > 0.0:
                return math.nan
            low, high, value = math.log(low), math.log(high), math.log(value)
        return self.start + (value - low) / (high - low) * (self.end - self.start)

    def clipped(self, value: float) -> float:
        """The place of a value, or the end of the axis that it lies beyond."""
        return self.at(min(max(value, self.limits[0]), self.limits[1]))

    def ticks(self, most: int = 6) -> list[float]:
        """Round values within the limits, at most so many; octave midbands on a logarithmic scale of frequency."""
        low, high = self.limits
        if self.is_log:
            inside = [hertz for hertz in OCTAVES_HZ if low <= hertz <= high]
            return inside if len(inside) > 1 else [low, high]
        step = step_of(high - low, most)
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        return [index * step for index in range(first, last + 1)]


def step_of(span: float, most: int) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that divides `span` into at most `most` parts.

    >>> step_of(38.0, 5)
    10.0
    """
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    return next(step * power for step in STEPS if step * power >= raw * (1.0 - 1e-9))


def tick_words(value: float) -> str:
    """A value beside an axis, without a fraction that says nothing; thousands of hertz are not shortened here."""
    return f"{value + 0.0:g}"


def frequency_words(hertz: float) -> str:
    """A frequency beside an axis in hertz: "31.5", "500", "1k", "16k"."""
    return f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:g}"


def rounded_limits(values: Iterable[float | None], step: float, margin: float, least_span: float) -> Limits:
    """Limits that hold all finite values with a margin, rounded outward to `step`; around zero where there are none."""
    finite = [value for value in values if value is not None and math.isfinite(value)]
    low, high = (min(finite), max(finite)) if finite else (0.0, 0.0)
    low = math.floor((low - margin) / step) * step
    high = math.ceil((high + margin) / step) * step
    missing = max(least_span - (high - low), 0.0)
    return low - math.floor(missing / 2 / step) * step, high + math.ceil(missing / 2 / step) * step


def beyond_words(values: Iterable[float | None], limits: Limits) -> str:
    """How many values an axis does not show, as a sentence after another; nothing where it shows all."""
    count = sum(value is not None and not limits[0] <= value <= limits[1] for value in values)
    return f" {counted(count, 'value')} beyond the axis, {limits[0]:g} to {limits[1]:g} dB." if count else ""


def band_limits(lower_hz: Sequence[float], upper_hz: Sequence[float]) -> Limits:
    """The frequency range of some bands; that of 25 Hz to 8 kHz where there are none."""
    return (min(lower_hz), max(upper_hz)) if lower_hz and upper_hz else (22.4, 8912.5)
