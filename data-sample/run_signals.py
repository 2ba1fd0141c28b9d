"""Sound pressure over time in one run: Gaussian noise shaped in the frequency domain, convected, delayed, and tones.

A record twice as long as needed is synthesised and its middle is cut out, so that what is left is not periodic.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from entry_tables import Entry, Position, Run, generator
from planted import OVERLOADED, duration_s, flow_state, gusts, mount_shift_db, true_response_db
from van_noise import (
    CONVECTION_SHARE,
    CORCOS_DECAY,
    SEAM_PARTS,
    SURROUNDINGS,
    background_tones,
    flow_density,
    seam_density,
    seam_distance_m,
    seam_reception,
    sensor_noise_density,
    source_tones,
    tunnel_density,
)

Reals = NDArray[np.float64]
Complex = NDArray[np.complex128]

TUNNEL_WAVES = {"nozzle": 1.0, "collector": -1.0, "ceiling": 0.0}


class RunSynthesis:
    """The pressures of one run at all positions, from random numbers that belong to this run alone."""

    def __init__(self, entry: Entry, run: Run, sample_rate_hz: float) -> None:
        self.entry, self.run, self.rate = entry, run, sample_rate_hz
        self.state = flow_state(entry, run)
        self.frames = round(duration_s(run) * sample_rate_hz)
        self.length = 2 ** math.ceil(math.log2(1.5 * self.frames))
        self.hertz = np.asarray(np.fft.rfftfreq(self.length, 1.0 / sample_rate_hz), dtype=np.float64)
        self.waves = {name: self.noise("tunnel", name) for name in TUNNEL_WAVES}
        self.seam = {part.name: self.noise("seam", part.name) for part in SEAM_PARTS}
        self.boundary = self.boundary_layers() if self.state.sources else {}

    def noise(self, *names: str) -> Complex:
        """Complex Gaussian lines that give, times the root of a density, that density."""
        draw = generator("run", self.run.name, *names).standard_normal((2, self.hertz.size))
        return np.asarray((draw[0] + 1j * draw[1]) * np.sqrt(self.rate * self.length / 4.0))

    def delayed(self, lines: Complex, seconds: float) -> Complex:
        """The same lines later in time."""
        return np.asarray(lines * np.exp(-2j * np.pi * self.hertz * seconds))

    def boundary_layers(self) -> dict[str, Complex]:
        """Boundary-layer lines of every position; along a line array they are convected and lose coherence.

        Corcos' cross-spectrum exp(-0.11 omega xi / Uc) exp(-i omega xi / Uc) along one line is that of a chain in which
        each sensor takes over a share of the one upstream, delayed, and adds noise of its own.
        """
        found: dict[str, Complex] = {}
        upstream: dict[str, Position] = {}
        for position in sorted(self.entry.positions.values(), key=lambda place: place.x_m):
            own = self.noise("flow", position.name)
            before = upstream.get(position.line) if position.line else None
            if before is not None:
                travel_s = (position.x_m - before.x_m) / (CONVECTION_SHARE * self.state.speed_mps)
                share = np.exp(-CORCOS_DECAY * 2.0 * np.pi * self.hertz * travel_s)
                own = share * self.delayed(found[before.name], travel_s) + np.sqrt(1.0 - share**2) * own
            found[position.name] = own
            upstream[position.line] = position
        return found

    def source_lines(self, position: Position, shift_db: float) -> Complex:
        """Flow and seam at one position."""
        lines = self.boundary[position.name] * np.sqrt(
            flow_density(self.hertz, SURROUNDINGS[position.name], self.state)
        )
        for part in SEAM_PARTS:
            travel_s = seam_distance_m(part, position) / self.state.air.sound_speed_mps
            density = seam_density(self.hertz, part, self.state) * seam_reception(part, position)
            lines = lines + self.delayed(self.seam[part.name], travel_s) * np.sqrt(density)
        return np.asarray(lines * 10.0 ** ((self.state.source_scatter_db + shift_db) / 20.0))

    def background_lines(self, position: Position) -> Complex:
        """Plane waves through the tunnel, and the sensor's noise."""
        lines = self.noise("sensor", position.name) * np.sqrt(sensor_noise_density(self.hertz))
        if self.state.speed_mps > 0.0:
            density = tunnel_density(self.hertz, SURROUNDINGS[position.name], self.state) / len(TUNNEL_WAVES)
            for name, direction in TUNNEL_WAVES.items():
                travel_s = direction * position.x_m / self.state.air.sound_speed_mps
                lines = lines + self.delayed(self.waves[name], travel_s) * np.sqrt(density)
        return lines

    def tones(self, tones: list[tuple[float, float]], kind: str, sensor: str, delay_s: float) -> Reals:
        """Steady tones as the sensor responds to them; the phase is the run's."""
        time = np.arange(self.frames) / self.rate - delay_s
        total = np.zeros(self.frames)
        for frequency_hz, mean_square in tones:
            phase = float(generator("run", self.run.name, "tone", kind).uniform(0.0, 2.0 * np.pi))
            response = 10.0 ** (float(true_response_db(sensor, np.array([frequency_hz]))[0]) / 20.0)
            total += response * math.sqrt(2.0 * mean_square) * np.sin(2.0 * np.pi * frequency_hz * time + phase)
        return total

    def pressure(self, position: Position, sensor: str) -> Reals:
        """What the sensor makes of the sound at a position, in Pa at its sensitivity at 250 Hz; shape (frames,)."""
        shift_db = mount_shift_db(self.entry, self.run.session, position.name)
        response = 10.0 ** (true_response_db(sensor, self.hertz) / 20.0)
        towards_nozzle_s = -position.x_m / self.state.air.sound_speed_mps
        total = self.in_time(self.background_lines(position) * response)
        total += self.tones(background_tones(position, self.state), "fan", sensor, towards_nozzle_s)
        if self.state.sources:
            source = self.in_time(self.source_lines(position, shift_db) * response)
            source += self.tones(source_tones(self.entry, position, self.state, shift_db), "cavity", sensor, 0.0)
            if (self.run.name, position.name) == OVERLOADED:
                source *= gusts(self.run, self.rate)
            total += source
        return total

    def in_time(self, lines: Complex) -> Reals:
        """The middle of the record that the lines stand for."""
        record = np.fft.irfft(lines, self.length)
        first = (self.length - self.frames) // 2
        return np.asarray(record[first : first + self.frames])


def run_pressures(entry: Entry, run: Run, sample_rate_hz: float) -> Reals:
    """Pressure on every channel in Pa, shape (channels, frames), with the sensors' response in it."""
    synthesis = RunSynthesis(entry, run, sample_rate_hz)
    fitted = entry.fittings[run.session]
    return np.stack([synthesis.pressure(entry.positions[row.position], row.sensor) for row in fitted])
