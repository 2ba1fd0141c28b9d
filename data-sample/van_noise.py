"""What sounds at the invented van: power spectral densities of every component at every position, and tones.

All densities are one-sided, in Pa^2/Hz. The formulas are those of the literature where one is named; strengths and
shapes without a source are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entry_tables import REFERENCE_PRESSURE_PA, Entry, Position, Run

Reals = NDArray[np.float64]

REFERENCE_SPEED_MPS = 100.0 / 3.6
REFERENCE_DENSITY_KGM3 = 1.2
CONVECTION_SHARE = 0.7
CORCOS_DECAY = 0.11

SLOT_WIDTH_M = 0.008
SEAM_STROUHAL = 0.36
SEAM_WIDTH_LN = 0.45
SEAM_LEVEL_DB = 111.0
SEAM_EXPONENT = 6.0
SEAM_CORE_M = 0.10
TAPED_SHARE = 0.02

TUNNEL_EXPONENT = 5.5
FAN_HZ_PER_MPS = 5.58
CAVITY_TONE_LEVEL_DB = 101.0
CAVITY_TONE_EXPONENT = 5.0


@dataclass(frozen=True)
class Air:
    """Density, kinematic viscosity and speed of sound."""

    density_kgm3: float
    viscosity_m2s: float
    sound_speed_mps: float


@dataclass(frozen=True)
class Surroundings:
    """What is special about a position: its boundary layer, and how much of the other sounds reaches it."""

    edge_speed_share: float
    thickness_m: float
    friction: float
    flow_db: float
    seam_db: float
    tunnel_db: float


SURROUNDINGS = {
    "line-1": Surroundings(1.00, 0.030, 0.0030, 0.0, -3.0, 0.0),
    "line-2": Surroundings(1.00, 0.030, 0.0030, 0.0, -3.0, 0.0),
    "line-3": Surroundings(1.00, 0.030, 0.0030, 0.0, -3.0, 0.0),
    "seam-left": Surroundings(1.12, 0.020, 0.0032, -1.0, 0.0, 0.5),
    "seam-right": Surroundings(1.12, 0.020, 0.0032, -1.0, 0.0, 0.5),
    "rail-recess": Surroundings(0.95, 0.025, 0.0030, -5.0, 0.0, 0.5),
    "ladder-foot": Surroundings(0.60, 0.100, 0.0010, 25.0, -8.0, 1.0),
    "rear-panel": Surroundings(0.80, 0.080, 0.0030, -21.0, -6.0, -1.0),
}


@dataclass(frozen=True)
class SeamPart:
    """One part of the slot along the roof edge: its centre, its share of the strength, the tape that closes it."""

    name: str
    x_m: float
    y_m: float
    z_m: float
    share: float
    tape: str


SEAM_PARTS = (
    SeamPart("front-left", 1.20, -0.80, 2.56, 1.0, "front-tape"),
    SeamPart("front-right", 1.20, 0.80, 2.56, 1.0, "front-tape"),
    SeamPart("rear-left", 3.20, -0.80, 2.56, 0.3, "rear-tape"),
    SeamPart("rear-right", 3.20, 0.80, 2.56, 0.3, "rear-tape"),
)


@dataclass(frozen=True)
class FlowState:
    """What decides the sound of one run: speed, air, tape, and the run's own scatter."""

    speed_mps: float
    air: Air
    applied: frozenset[str]
    source_scatter_db: float
    tunnel_scatter_db: float
    sources: bool


def air_of(run: Run) -> Air:
    """Moist air as an ideal gas (vapour pressure after Magnus), viscosity after Sutherland."""
    kelvin = run.temperature_c + 273.15
    vapour = run.humidity_pct * 6.112 * math.exp(17.62 * run.temperature_c / (243.12 + run.temperature_c))
    density = (run.static_pressure_pa - 0.378 * vapour) / (287.05 * kelvin)
    viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4) / density
    return Air(density, viscosity, 343.2 * math.sqrt(kelvin / 293.15))


def flow_density(frequency_hz: Reals, place: Surroundings, state: FlowState) -> Reals:
    """Wall pressure under the boundary layer: Goody, AIAA J. 42 (2004) 1788, times 2 pi for density per hertz."""
    edge = place.edge_speed_share * state.speed_mps
    air = state.air
    shear = 0.5 * air.density_kgm3 * edge**2 * place.friction
    timescales = place.thickness_m / edge * (shear / air.density_kgm3) / air.viscosity_m2s
    x = 2.0 * np.pi * frequency_hz * place.thickness_m / edge
    shape = 3.0 * x**2 / ((x**0.75 + 0.5) ** 3.7 + (1.1 * timescales**-0.57 * x) ** 7)
    return np.asarray(2.0 * np.pi * shape * shear**2 * place.thickness_m / edge * _power(place.flow_db))


def seam_density(frequency_hz: Reals, part: SeamPart, state: FlowState) -> Reals:
    """What one part of the slot radiates, at its core: a broad hump at a fixed Strouhal number of the slot's width.

    The mean square grows with the sixth power of speed and the square of density (a compact source at a surface).
    """
    centre = SEAM_STROUHAL * state.speed_mps / SLOT_WIDTH_M
    known = np.maximum(frequency_hz, 1.0)
    hump = np.exp(-0.5 * (np.log(known / centre) / SEAM_WIDTH_LN) ** 2) / (known * SEAM_WIDTH_LN * np.sqrt(2.0 * np.pi))
    speed = (state.speed_mps / REFERENCE_SPEED_MPS) ** SEAM_EXPONENT
    density = (state.air.density_kgm3 / REFERENCE_DENSITY_KGM3) ** 2
    left = TAPED_SHARE if part.tape in state.applied else 1.0
    return np.asarray(hump * (_mean_square(SEAM_LEVEL_DB) * part.share * left * speed * density))


def seam_distance_m(part: SeamPart, position: Position) -> float:
    """From the centre of a part of the slot to a position."""
    return math.dist((part.x_m, part.y_m, part.z_m), (position.x_m, position.y_m, position.z_m))


def seam_reception(part: SeamPart, position: Position) -> float:
    """Share of the core's mean square that arrives: a line source, 3 dB a doubling of distance, and what shields it."""
    spread = 1.0 / (1.0 + seam_distance_m(part, position) / SEAM_CORE_M)
    return spread * _power(SURROUNDINGS[position.name].seam_db)


def tunnel_density(frequency_hz: Reals, place: Surroundings, state: FlowState) -> Reals:
    """The tunnel's own broadband noise: falls by some 5 dB an octave in third octaves."""
    at_100_hz = _mean_square(87.0) / 23.08
    speed = (state.speed_mps / REFERENCE_SPEED_MPS) ** TUNNEL_EXPONENT
    fall = 1.0 / (1.0 + (frequency_hz / 60.0) ** 2.66) * (1.0 + (100.0 / 60.0) ** 2.66)
    return np.asarray(at_100_hz * speed * fall * _power(place.tunnel_db + state.tunnel_scatter_db))


def sensor_noise_density(frequency_hz: Reals) -> Reals:
    """Noise of sensor and conditioner as pressure: white, rising below 50 Hz."""
    return _mean_square(21.0) * (1.0 + 50.0 / np.maximum(frequency_hz, 1.0))


def fan_tone(place: Surroundings, state: FlowState) -> tuple[float, float]:
    """Frequency and mean square of the fan's blade tone."""
    speed = (state.speed_mps / REFERENCE_SPEED_MPS) ** TUNNEL_EXPONENT
    return FAN_HZ_PER_MPS * state.speed_mps, _mean_square(84.0 + place.tunnel_db + state.tunnel_scatter_db) * speed


def rossiter_hz(mode: int, length_m: float, state: FlowState) -> float:
    """Rossiter (1964): f L / U = (n - a) / (M + 1/k) with a = 0.25, k = 0.57."""
    mach = state.speed_mps / state.air.sound_speed_mps
    return (mode - 0.25) / (mach + 1.0 / 0.57) * state.speed_mps / length_m


def cavity_tone(length_m: float, state: FlowState) -> tuple[float, float]:
    """Frequency and mean square of the recess's first Rossiter mode, without the run's scatter."""
    speed = (state.speed_mps / REFERENCE_SPEED_MPS) ** CAVITY_TONE_EXPONENT
    density = (state.air.density_kgm3 / REFERENCE_DENSITY_KGM3) ** 2
    return rossiter_hz(1, length_m, state), _mean_square(CAVITY_TONE_LEVEL_DB) * speed * density


def source_density(frequency_hz: Reals, position: Position, state: FlowState, shift_db: float) -> Reals:
    """Flow and seam together at one position, with the run's scatter and the mount's shift."""
    if not state.sources:
        return np.zeros_like(frequency_hz)
    total = flow_density(frequency_hz, SURROUNDINGS[position.name], state)
    for part in SEAM_PARTS:
        total = total + seam_density(frequency_hz, part, state) * seam_reception(part, position)
    return total * _power(state.source_scatter_db + shift_db)


def background_density(frequency_hz: Reals, position: Position, state: FlowState) -> Reals:
    """The tunnel's noise and the sensor's at one position."""
    noise = sensor_noise_density(frequency_hz)
    if state.speed_mps > 0.0:
        noise = noise + tunnel_density(frequency_hz, SURROUNDINGS[position.name], state)
    return noise


def source_tones(entry: Entry, position: Position, state: FlowState, shift_db: float) -> list[tuple[float, float]]:
    """Frequency and mean square of the tones that the van makes at one position."""
    if not (position.cavity and state.sources):
        return []
    frequency, square = cavity_tone(entry.cavity_length_m[position.cavity], state)
    return [(frequency, square * _power(state.source_scatter_db + shift_db))]


def background_tones(position: Position, state: FlowState) -> list[tuple[float, float]]:
    """Frequency and mean square of the tones that the tunnel makes at one position."""
    return [fan_tone(SURROUNDINGS[position.name], state)] if state.speed_mps > 0.0 else []


def _power(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


def _mean_square(level_db: float) -> float:
    return REFERENCE_PRESSURE_PA**2 * _power(level_db)
