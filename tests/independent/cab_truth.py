"""An invented driver's cab in a wind tunnel: what is true of it at every position, condition and speed. Synthetic.

Spectral densities in dB re 20 uPa and 1 Hz, and their integrals over third octaves and over the whole range.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

REFERENCE_PA2 = 4.0e-10
BANDS = np.arange(-11, 7)  # 80 Hz to 4 kHz: midbands 1000 * 10**(n/10), IEC 61260-1 base ten
NOMINAL_HZ = (80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000)
SPEEDS_MPS = (25.0, 35.0)
SPEED_EXPONENT = 5.2
POSITIONS = ("door-l", "door-r", "hatch", "nose", "pane-l", "pane-r", "step-l", "step-r")
MIRRORS = {"door-l": "door-r", "pane-l": "pane-r", "step-l": "step-r"}
AREAS = {
    "door-l": "doors", "door-r": "doors", "hatch": "doors",
    "nose": "front", "pane-l": "front", "pane-r": "front",
    "step-l": "steps", "step-r": "steps",
}  # fmt: skip
CONDITIONS = ("open", "taped", "part")
COMPARISONS = {"whole": ("open", "taped"), "half": ("open", "part")}

FLOOR_DB = 8.0
"""Density of the sensors' own noise in dB re 20 uPa and 1 Hz."""

CHANGES: Mapping[tuple[str, str], tuple[float, int, int]] = {
    ("taped", "door-l"): (-6.0, -8, -2),
    ("taped", "door-r"): (-4.5, -8, 0),
    ("taped", "hatch"): (-1.2, -10, -6),
    ("taped", "nose"): (2.5, 2, 5),
    ("taped", "pane-l"): (-8.0, 0, 5),
    ("taped", "pane-r"): (-2.0, -5, 1),
    ("taped", "step-l"): (-3.0, -3, 4),
    ("part", "door-l"): (-3.0, -8, -2),
    ("part", "hatch"): (-5.0, -4, 2),
    ("part", "pane-l"): (-4.0, 0, 5),
    ("part", "step-l"): (-1.5, -3, 4),
}
"""What a treatment does at a position: dB from one band to another, falling to nothing within one band beyond."""

LEVELS_DB = {
    "door-l": 62.0, "door-r": 61.0, "hatch": 57.0, "nose": 66.0,
    "pane-l": 63.5, "pane-r": 62.5, "step-l": 59.0, "step-r": 60.0,
}  # fmt: skip
MARGINS_DB = {
    "door-l": (20.0, -6.0), "door-r": (17.0, 0.0), "hatch": (11.0, 5.0), "nose": (24.0, 0.0),
    "pane-l": (16.0, -5.0), "pane-r": (18.0, 4.0), "step-l": (13.0, -3.0), "step-r": (3.0, 4.0),
}  # fmt: skip
"""The open state above the background at 560 Hz in dB, and how much it rises towards 4 kHz."""


def place(frequency_hz: Values) -> Values:
    """Place in the range, -1 at 80 Hz to 1 at 4 kHz, by the logarithm of frequency."""
    low, high = 1000.0 * 10.0 ** (BANDS[[0, -1]] / 10.0)
    inside = np.clip(frequency_hz, low, high)
    return np.asarray(2.0 * np.log(inside / low) / np.log(high / low) - 1.0)


def change_db(condition: str, position: str, frequency_hz: Values) -> Values:
    """What a condition does against the open state, in dB; exactly zero away from its bands."""
    size, first, last = CHANGES.get((condition, position), (0.0, 0, 0))
    band = 10.0 * np.log10(np.maximum(frequency_hz, 1.0) / 1000.0)
    return np.asarray(np.interp(band, [first - 1, first, last, last + 1], [0.0, size, size, 0.0]))


def source_db(condition: str, position: str, speed_mps: float, frequency_hz: Values) -> Values:
    """Density of what the flow makes at a position."""
    x = place(frequency_hz)
    hump = 2.0 * np.cos(3.0 * x + POSITIONS.index(position))
    speed = 10.0 * SPEED_EXPONENT * np.log10(speed_mps / 30.0)
    return LEVELS_DB[position] + speed - 7.0 * x + hump + change_db(condition, position, frequency_hz)


def background_db(position: str, speed_mps: float, frequency_hz: Values) -> Values:
    """Density of the tunnel's own noise at a position."""
    margin, rise = MARGINS_DB[position]
    return source_db("open", position, speed_mps, frequency_hz) - margin - rise * place(frequency_hz)


def edges_hz(bands: Values) -> tuple[Values, Values]:
    midbands = 1000.0 * 10.0 ** (bands / 10.0)
    return midbands * 10.0**-0.05, midbands * 10.0**0.05


def a_weighting(frequency_hz: Values) -> Values:
    """Factor on power; analytic form of IEC 61672-1:2013, 0 dB at 1 kHz."""
    f2 = frequency_hz**2
    top = 12194.0**4 * f2**4
    below = (f2 + 20.6**2) ** 2 * (f2 + 107.7**2) * (f2 + 737.9**2) * (f2 + 12194.0**2) ** 2
    return np.asarray(top / below * 10.0**0.2)


def levels_db(density_db: Values, frequency_hz: Values) -> Values:
    """Levels from densities at `grid_hz()`: the bands, then the whole range in the weightings A and Z."""
    power = 10.0 ** (density_db / 10.0)
    bands = np.trapezoid(power, frequency_hz, axis=1)
    weighted = np.trapezoid(power * a_weighting(frequency_hz), frequency_hz, axis=1).sum()
    return np.asarray(10.0 * np.log10(np.concatenate([bands, [weighted, bands.sum()]])))


def grid_hz(points: int = 61) -> Values:
    """Frequencies to integrate over, (bands, points)."""
    low, high = edges_hz(BANDS.astype(float))
    return np.asarray(low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, points))
