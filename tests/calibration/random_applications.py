"""Synthetic sessions of calibrator applications with known truth: random, healthy, and with faults planted on request.

A closed coupler of 124 dB at 250 Hz with an adapter of 0.12 dB at 985 hPa, or a 94 dB calibrator at 1 kHz. Every
application has a settling coupler, knocks before and after, harmonics, hum and noise; the tone leaks into all other
channels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tapeline.campaign.plan import Channel, Overrule, Source, picked
from tapeline.campaign.setting_sections import Calibration
from tapeline.jobs.calibrate import CalibrateLimits, CalibrateNeeds, CalibratorCheck
from tapeline.jobs.calibrate.run import check_rows
from tapeline.jobs.sensitivity import Papers, SensitivityNeeds
from tapeline.jobs.sensitivity.run import judged_session, read_papers, session_rows

STATIC_PRESSURE_HPA = 985.0
ADAPTER_DB = 0.12
LEAK_DB = -35.0
FULL_SCALE_V = 10.0
TAIL_S = 0.8

Wave = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Changes the tone of an application: from time since its start and the tone to another tone."""


@dataclass
class Applications:
    """One calibrator recording to be made: what is calibrated in which order, and what is done to single applications.

    `cut_at` limits the whole signal of a channel to a share of its tone's crest, as a conditioner out of range does.
    `hum_db` is a tone of the calibrator's nominal frequency that is there all the time, against the calibrator's;
    `doubled` names a channel and another one that carries the same pressure.
    """

    calibrated: list[int]
    stated: list[int] = field(default_factory=list)
    waves: dict[int, Wave] = field(default_factory=dict)
    lengths_s: dict[int, float] = field(default_factory=dict)
    cut_at: dict[int, float] = field(default_factory=dict)
    nominal_hz: float | None = None
    level_off_db: float = 0.0
    noise_pa: float | None = None
    leak_db: float = LEAK_DB
    hum_db: float | None = None
    doubled: tuple[int, int] | None = None
    silent: bool = False
    channels_written: int | None = None


@dataclass
class Session:
    """What is true of a session. `sensitivity` is that of the sensors, the charts are off by their spread.

    `unstated` changes what the fittings say of a channel.
    """

    seed: int
    channels: int
    folder: Path
    rate_hz: float = 12_800.0
    closed_coupler: bool = True
    application_s: tuple[float, float] = (2.2, 3.6)
    static_pressure_hpa: float | None = STATIC_PRESSURE_HPA
    subtype: str = "PCM_24"
    unstated: dict[int, dict[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.random = np.random.default_rng([self.seed, self.channels])
        self._written_s = 0.0
        self.nominal_hz = 250.0 if self.closed_coupler else 1000.0
        self.level_db = 124.0 if self.closed_coupler else 94.0
        self.adapter_db = ADAPTER_DB if self.closed_coupler else 0.0
        self.tone_hz = self.nominal_hz * (1.0 + self.random.uniform(-0.006, 0.006))
        self.chart = 0.004 * 10.0 ** (self.random.uniform(-2.0, 2.0, self.channels) / 20.0)
        self.sensitivity = self.chart * 10.0 ** (self.random.normal(0.0, 0.12, self.channels) / 20.0)
        crest = float(np.sqrt(2.0)) * self.pascals() * float(self.chart.max())
        self.gain_db = float(np.floor(20.0 * np.log10(FULL_SCALE_V / crest) - self.random.uniform(8.0, 16.0)))

    def pascals(self) -> float:
        """True rms pressure at the sensors: 20 lg(985 / 1013.25) = -0.2456 dB in the closed coupler."""
        pressure = STATIC_PRESSURE_HPA / 1013.25 if self.closed_coupler else 1.0
        return float(2e-5 * 10.0 ** ((self.level_db + self.adapter_db) / 20.0) * pressure)

    def order(self) -> list[int]:
        """A random order of all channels."""
        return [int(c) for c in self.random.permutation(self.channels)]

    def position(self, channel: int) -> str:
        return f"p{channel + 1}"

    def channel(self, number: int, **changes: Any) -> Channel:
        """A fitted channel (index from 0) as the tables say."""
        values: dict[str, Any] = {
            "channel": number + 1,
            "position": self.position(number),
            "sensor": f"s{number + 1}",
            "mount": None,
            "unit": "V",
            "full_scale_v": FULL_SCALE_V,
            "gain_db": self.gain_db,
            "polarity": 1,
            "sensitivity_v_per_pa": float(self.chart[number]),
            "sensitivity_uncertainty_db": None,
            "chart_hz": (),
            "chart_db": (),
        }
        return Channel(**(values | self.unstated.get(number, {}) | changes))

    def write(self, name: str, applications: Applications, drift_db: Mapping[int, float] | None = None) -> None:
        """Write one recording, one application after the other, so that many channels need little memory."""
        written = applications.channels_written or self.channels
        volts = self.sensitivity * 10.0 ** (self.gain_db / 20.0)
        for channel, decibels in (drift_db or {}).items():
            volts[channel] *= 10.0 ** (decibels / 20.0)
        path = self.folder / f"{name}.wav"
        with soundfile.SoundFile(path, "w", int(self.rate_hz), written, subtype=self.subtype) as file:
            for channel in applications.calibrated:
                pascal = self._turn(channel, applications)
                samples = np.clip(pascal * volts[:, None] / FULL_SCALE_V, -1.0, 1.0 - 2.0**-23)
                file.write(samples[:written].T)

    def _turn(self, channel: int, applications: Applications) -> np.ndarray:
        random, rate = self.random, self.rate_hz
        hertz = self.tone_hz if applications.nominal_hz is None else applications.nominal_hz
        steady = applications.lengths_s.get(channel, random.uniform(*self.application_s))
        on = TAIL_S + random.uniform(0.0, 0.2)
        time = np.arange(int((on + steady + TAIL_S + 0.2) * rate)) / rate
        shape = np.clip((time - on) / 0.06, 0.0, 1.0) * np.clip((on + steady - time) / 0.06, 0.0, 1.0)
        settling = 10.0 ** (-random.uniform(0.0, 1.0) * np.exp(-np.maximum(time - on, 0.0) / 0.15) / 20.0)
        phase = 2.0 * np.pi * hertz * time + random.uniform(0.0, 6.28)
        wave = np.sin(phase) + random.uniform(0.0, 0.012) * np.sin(2.0 * phase) + 0.004 * np.sin(3.0 * phase + 1.0)
        peak = np.sqrt(2.0) * self.pascals() * 10.0 ** (applications.level_off_db / 20.0)
        tone = 0.0 * time if applications.silent else peak * shape * settling * wave
        if channel in applications.waves:
            tone = applications.waves[channel](time - on, tone)
        noise = (
            applications.noise_pa
            if applications.noise_pa is not None
            else 10.0 ** (random.uniform(-62.0, -28.0) / 20.0) * peak
        )
        pascal = random.standard_normal((self.channels, time.size), dtype=np.float32) * np.float32(noise)
        pascal += (0.5 * noise * np.sin(2.0 * np.pi * 50.0 * time + random.uniform(0.0, 6.28))).astype(np.float32)
        leaks = 10.0 ** ((applications.leak_db + random.uniform(-3.0, 3.0, self.channels)) / 20.0)
        leaks[channel] = 1.0
        pascal += leaks[:, None].astype(np.float32) * tone.astype(np.float32)
        for at in (on - random.uniform(0.15, 0.5), on + steady + random.uniform(0.15, 0.5)):
            knock = np.exp(-(((time - at) / 0.03) ** 2)) * np.sin(
                2.0 * np.pi * random.uniform(20.0, 60.0) * (time - at)
            )
            pascal[channel] += (random.uniform(0.3, 1.5) * peak * knock).astype(np.float32)
        if applications.hum_db is not None:
            hum = np.sin(2.0 * np.pi * self.nominal_hz * (self._written_s + time))
            pascal += (peak * 10.0 ** (applications.hum_db / 20.0) * hum).astype(np.float32)
        if applications.doubled is not None:
            pascal[applications.doubled[1]] = pascal[applications.doubled[0]]
        self._written_s += time.size / rate
        for limited, share in applications.cut_at.items():
            np.clip(pascal[limited], -share * peak, share * peak, out=pascal[limited])
        return pascal

    def check(self, name: str, stage: str, applications: Applications, **changes: Any) -> CalibratorCheck:
        """The row of the run table and of the calibrators table for one recording."""
        values: dict[str, Any] = {
            "source": Source(name, (f"{name}.wav",), None, None, None, None),
            "stage": stage,
            "positions": tuple(self.position(c) for c in applications.stated),
            "calibrator": "main",
            "closed_coupler": self.closed_coupler,
            "level_db": self.level_db,
            "frequency_hz": self.nominal_hz,
            "level_uncertainty_db": 0.1,
            "adapter_correction_db": self.adapter_db,
            "adapter_uncertainty_db": None,
            "static_pressure_hpa": self.static_pressure_hpa,
        }
        return CalibratorCheck(**(values | changes))

    def needs(self, checks: Sequence[CalibratorCheck], channels: Sequence[Channel]) -> CalibrateNeeds:
        """The needs of the job, with all settings as their defaults are."""
        limits = picked(CalibrateLimits, Calibration())
        calibrators = (("main", self.nominal_hz), ("spare", 1250.0 - self.nominal_hz))
        return CalibrateNeeds("c", "april", tuple(checks), tuple(channels), calibrators, limits)

    def checks_table(
        self, checks: Sequence[CalibratorCheck], channels: Sequence[Channel] | None = None
    ) -> list[dict[str, Any]]:
        """Rows of the checks table as the job makes them."""
        fitted = channels or [self.channel(c) for c in range(self.channels)]
        needs = self.needs(checks, fitted)
        return [row for check in checks for row in check_rows(self.folder, needs, check)[0]]

    def calibration_table(
        self,
        rows: Sequence[Mapping[str, Any]],
        channels: Sequence[Channel] | None = None,
        overrules: Sequence[Overrule] = (),
        **settings: Any,
    ) -> dict[str, dict[str, Any]]:
        """Rows of the calibration table by position."""
        fitted = tuple(channels or [self.channel(c) for c in range(self.channels)])
        papers = tuple(Papers(c.sensor or "", None, None, False, None, "pressure", None) for c in fitted)
        needs = SensitivityNeeds("c", "april", None, fitted, papers, Calibration(**settings), tuple(overrules))
        read = {item.sensor: read_papers(self.folder, item) for item in papers}
        return {row["position"]: row for row in session_rows(needs, judged_session(needs, rows), read)}
