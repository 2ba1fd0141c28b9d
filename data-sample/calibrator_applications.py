"""Recordings of a calibrator that is put on one sensor after the other: tone, handling, leakage into neighbours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entry_tables import Entry, Run, generator
from planted import true_response_db
from van_noise import sensor_noise_density

Reals = NDArray[np.float64]

LEAD_S = 0.35
SLIPPED = ("a01", "seam-left")
SLIP_S = 0.45
ORDER_STREAM, TONE_STREAM = "rings", "ring"
"""Names that random numbers are drawn for: with other names the recordings would be others."""


@dataclass(frozen=True)
class Application:
    """One sensor's turn: when the coupler is put on, the tone is steady, and the coupler comes off."""

    position: str
    on_s: float
    steady_s: float
    steady_until_s: float
    off_s: float
    frequency_hz: float
    level_db: float


def applications(entry: Entry, run: Run) -> list[Application]:
    """The turns in order: that of the run table's `positions`, or one of its own that is not the channels' order."""
    draw = generator(ORDER_STREAM, run.name)
    channels = [row.position for row in entry.fittings[run.session]]
    order = list(run.positions) or [channels[i] for i in _unordered(draw, len(channels))]
    calibrator = entry.calibrators[run.calibrator]
    off_nominal = 1.0 + (0.0031 if calibrator.kind == "closed-coupler" else -0.0024) + 2e-4 * draw.uniform(-1.0, 1.0)
    found, time = [], LEAD_S
    for position in order:
        on = time + (SLIP_S if (run.name, position) == SLIPPED else 0.0)
        steady = on + float(draw.uniform(0.14, 0.18))
        until = steady + float(draw.uniform(1.80, 1.98))
        off = until + float(draw.uniform(0.06, 0.09))
        found.append(
            Application(
                position=position,
                on_s=on,
                steady_s=steady,
                steady_until_s=until,
                off_s=off,
                frequency_hz=float(calibrator.frequency_hz * off_nominal),
                level_db=calibrator.level_at_db(run.static_pressure_pa),
            )
        )
        time = off + float(draw.uniform(0.14, 0.20))
    return found


def calibrator_pressures(entry: Entry, run: Run, sample_rate_hz: float) -> Reals:
    """Pressure on every channel in Pa, shape (channels, frames), with the sensors' response in it."""
    turns = applications(entry, run)
    frames = round((turns[-1].off_s + LEAD_S) * sample_rate_hz)
    time = np.arange(frames) / sample_rate_hz
    fitted = entry.fittings[run.session]
    places = [row.position for row in fitted]
    total = np.stack([_quiet_hall(run, place, frames, sample_rate_hz) for place in places])
    for turn in turns:
        draw = generator(TONE_STREAM, run.name, turn.position)
        tone = _tone(turn, run, time, draw)
        for channel, place in enumerate(places):
            leak_db = 0.0 if place == turn.position else float(draw.uniform(-45.0, -30.0))
            lag = 0 if place == turn.position else int(draw.integers(1, 12))
            total[channel] += 10.0 ** (leak_db / 20.0) * np.roll(tone, lag)
        total[places.index(turn.position)] += _handling(turn, time, draw)
    lines = np.fft.rfft(total, axis=1)
    hertz = np.asarray(np.fft.rfftfreq(frames, 1.0 / sample_rate_hz), dtype=np.float64)
    response = np.stack([10.0 ** (true_response_db(row.sensor, hertz) / 20.0) for row in fitted])
    return np.asarray(np.fft.irfft(lines * response, frames, axis=1))


def _unordered(draw: np.random.Generator, count: int) -> list[int]:
    while True:
        order = [int(i) for i in draw.permutation(count)]
        if order != sorted(order):
            return order


def _tone(turn: Application, run: Run, time: Reals, draw: np.random.Generator) -> Reals:
    """The calibrator's tone, 1 % of harmonics in it, as the coupler lets it through."""
    phase = float(draw.uniform(0.0, 2.0 * np.pi))
    angle = 2.0 * np.pi * turn.frequency_hz * time + phase
    peak = math.sqrt(2.0) * 2.0e-5 * 10.0 ** (turn.level_db / 20.0)
    wave = np.sin(angle) + 0.009 * np.sin(2.0 * angle + 0.4) + 0.004 * np.sin(3.0 * angle + 1.1)
    rise = _smooth((time - turn.on_s) / (turn.steady_s - turn.on_s))
    fall = _smooth((turn.off_s - time) / (turn.off_s - turn.steady_until_s))
    through = rise * fall
    if (run.name, turn.position) == SLIPPED:
        slipped = _smooth((time - turn.on_s + SLIP_S) / 0.08) * _smooth((turn.on_s - 0.10 - time) / 0.06)
        through = through + 0.75 * slipped
    return np.asarray(peak * wave * through)


def _handling(turn: Application, time: Reals, draw: np.random.Generator) -> Reals:
    """Thumps and low rumble on the sensor while the coupler goes on and comes off; weaker than the tone."""
    strength = 0.6 * 2.0e-5 * 10.0 ** (turn.level_db / 20.0)
    total = np.zeros(time.size)
    for centre in (turn.on_s + 0.04, turn.off_s - 0.01):
        for start in centre + draw.uniform(-0.04, 0.04, 3):
            after = np.clip(time - start, 0.0, None)
            broad = draw.standard_normal(time.size)
            total += strength * float(draw.uniform(0.4, 1.0)) * broad * np.exp(-after / 0.006) * (time >= start)
        rumble = np.sin(2.0 * np.pi * float(draw.uniform(8.0, 25.0)) * (time - centre) + float(draw.uniform(0.0, 6.0)))
        total += strength * rumble * np.exp(-0.5 * ((time - centre) / 0.03) ** 2)
    return total


def _quiet_hall(run: Run, place: str, frames: int, sample_rate_hz: float) -> Reals:
    """The hall at rest and the sensor's noise."""
    hertz = np.asarray(np.fft.rfftfreq(frames, 1.0 / sample_rate_hz), dtype=np.float64)
    hall = 4.0e-10 * 10.0**3.6 / (1.0 + (hertz / 100.0) ** 2)
    draw = generator("hall", run.name, place).standard_normal((2, hertz.size))
    lines = (draw[0] + 1j * draw[1]) * np.sqrt(sample_rate_hz * frames / 4.0 * (hall + sensor_noise_density(hertz)))
    return np.asarray(np.fft.irfft(lines, frames))


def _smooth(share: Reals) -> Reals:
    """From 0 to 1 without corners."""
    inside = np.clip(share, 0.0, 1.0)
    return np.asarray(inside**2 * (3.0 - 2.0 * inside))
