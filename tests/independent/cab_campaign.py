"""The invented cab's campaign written as files: recordings, tables and settings, the same for the same seed. Synthetic.

Two sessions of eight sensors, three conditions, two speeds, three repeats in short runs, checks before and after.
  north  12 kHz, 24-bit WAV, gain 10 dB, tone of 1 kHz, a background run of its own for every condition and speed
  south  12 kHz, 16-bit WAV, gain 20 dB, closed coupler of 250 Hz, two background runs a speed for all conditions,
         other sensors and channels; three mounts left from north
Every recording draws from a generator of its own, so that one of them can be made again with a fault and nothing else.
"""

from __future__ import annotations

import csv
import datetime
import os
import shutil
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from cab_truth import (
    AREAS,
    CHANGES,
    COMPARISONS,
    CONDITIONS,
    FLOOR_DB,
    MIRRORS,
    POSITIONS,
    REFERENCE_PA2,
    SPEED_EXPONENT,
    SPEEDS_MPS,
    Values,
    background_db,
    grid_hz,
    levels_db,
    place,
    source_db,
)

RATE_HZ = 12000
FULL_SCALE_V = 5.0
COMMON_SD_DB, CHANNEL_SD_DB = 0.2, 0.2
"""Scatter of a run: at all positions alike, and of each channel by itself."""
BACKGROUND_SD_DB = 0.15
SPEED_SD, LOGGED_SPEED_SD = 0.002, 0.001
CALIBRATOR_SD_DB, TABLE_SD_DB, SENSOR_DRIFT_SD_DB = 0.12, 0.2, 0.05
RESPONSE_SD_DB = 0.05
MOUNT_SD_DB = {"anew": 0.5, "kept": 0.2}
KEPT = ("hatch", "nose", "step-r")
TONE_S, PAUSE_S = 2.0, 0.5
SENSITIVITIES_MV_PER_PA = {
    "k1": 14.0, "k2": 15.1, "k3": 12.6, "k4": 16.2, "k5": 13.3, "k6": 17.3, "k7": 14.6, "k8": 12.1, "k9": 15.6,
    "k10": 13.8,
}  # fmt: skip
SENSORS = {
    "north": dict(zip(POSITIONS, ("k1", "k2", "k3", "k4", "k5", "k6", "k7", "k8"), strict=True)),
    "south": dict(zip(POSITIONS, ("k9", "k1", "k3", "k4", "k2", "k10", "k5", "k8"), strict=True)),
}
CHANNELS = {
    "north": dict(zip(POSITIONS, (3, 1, 8, 5, 2, 7, 4, 6), strict=True)),
    "south": dict(zip(POSITIONS, (1, 2, 3, 4, 8, 7, 6, 5), strict=True)),
}
GAIN_DB = {"north": 10.0, "south": 20.0}
BITS = {"north": 24, "south": 16}
CALIBRATORS: dict[str, dict[str, Any]] = {
    "north": {"calibrator": "speaker", "kind": "feedback", "level_db": 94.0, "frequency_hz": 1000.0},
    "south": {
        "calibrator": "coupler", "kind": "closed-coupler", "level_db": 114.0, "frequency_hz": 250.0,
        "adapter_correction_db": -0.12,
    },
}  # fmt: skip
STATIC_HPA = 1002.0
STARTS = {"north": "2025-03-04T08:00:00", "south": "2025-04-09T08:00:00"}

SETTINGS = """\
campaign: cab
title: Invented driver's cab (synthetic data)
conditions:
  open: {title: Gaps open, applied: []}
  taped: {title: All gaps taped, applied: [upper, lower]}
  part: {title: Upper gaps taped, applied: [upper]}
reference_condition: open
comparisons:
  whole: {reference: open, treatment: taped}
  half: {reference: open, treatment: part}
spectra: {resolution_hz: 3, range_hz: [20, 5000]}
bands: {range_hz: [80, 4000]}
overall:
  - {weighting: Z, range_hz: [80, 4000]}
  - {weighting: A, range_hz: [80, 4000]}
uncertainty:
  response_db: [[80.0, 0.05], [4000.0, 0.05]]
ranking: {entries: 200, draws: 500}
"""


@dataclass(frozen=True)
class Recorded:
    """One recording: what the log says of it; `place` is when, 0 at the check before to 1 at the check after."""

    run: str
    session: str
    kind: str
    condition: str = ""
    speed_mps: float = 0.0
    stage: str = ""
    place: float = 0.0


@dataclass(frozen=True)
class Design:
    """How large the campaign is."""

    repeats: int = 3
    duration_s: float = 7.0
    sessions: tuple[str, ...] = ("north", "south")


def log_of(design: Design, session: str) -> list[Recorded]:
    """All recordings of a session in order of time: the last repeats of the open state come at the end."""
    made: list[Recorded] = [Recorded(f"{session}-still", session, "background")]

    def background(condition: str, speed: float, number: int = 1) -> None:
        name = f"{session}-air-{condition or number}-{speed:.0f}"
        made.append(Recorded(name, session, "background", condition, speed))

    def block(condition: str, numbers: Sequence[int]) -> None:
        made.extend(
            Recorded(f"{session}-{condition}-{speed:.0f}-{number}", session, "measurement", condition, speed)
            for number in numbers
            for speed in SPEEDS_MPS
        )

    every = list(range(1, design.repeats + 1))
    for condition, numbers in (("open", every[:-1]), ("taped", every), ("part", every), ("open", every[-1:])):
        if session == "north" and condition not in {each.condition for each in made}:
            for speed in SPEEDS_MPS:
                background(condition, speed)
        if session == "south" and condition in ("open", "part"):
            for speed in SPEEDS_MPS:
                if len([m for m in made if m.kind == "background"]) < 5:
                    background("", speed, 1 if condition == "open" else 2)
        block(condition, numbers)
    places = np.linspace(0.1, 0.9, len(made))
    made = [replace(each, place=float(at)) for each, at in zip(made, places, strict=True)]
    before, after = (
        Recorded(f"{session}-calibrator-{stage}", session, "calibration", stage=stage, place=at)
        for stage, at in (("before", 0.0), ("after", 1.0))
    )
    return [before, *made, after]


def _link(source: str, target: str) -> None:
    """A second name for a file, or a copy where the other folder is on another disk."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


@dataclass
class Cab:
    """The campaign in a folder with all that is true of it, and what makes any recording again.

    `unusable` are channels (run, position; an empty position for all) that somebody has struck out by hand.
    """

    folder: Path
    seed: int
    design: Design = field(default_factory=Design)
    rows: dict[str, dict[str, object]] = field(default_factory=dict)
    extra_drift_db: dict[tuple[str, str], float] = field(default_factory=dict)
    unusable: list[tuple[str, str]] = field(default_factory=list)

    @cached_property
    def log(self) -> dict[str, Recorded]:
        return {each.run: each for session in self.design.sessions for each in log_of(self.design, session)}

    def drawn(self, *names: str) -> np.random.Generator:
        """A generator of numbers for one purpose."""
        return np.random.default_rng([self.seed, *(zlib.crc32(name.encode()) for name in names)])

    def copied(self, folder: Path) -> Cab:
        """The same campaign in another folder, whose files are links to this one's until they are written anew."""
        for part in ("charts", "recordings", "results"):
            if (self.folder / part).exists():
                shutil.copytree(self.folder / part, folder / part, copy_function=_link)
        return Cab(
            folder, self.seed, self.design, {run: dict(row) for run, row in self.rows.items()},
            dict(self.extra_drift_db), list(self.unusable),
        )  # fmt: skip

    # What is true.

    def mount_db(self, session: str, position: str, frequency_hz: Values) -> Values:
        """What a sensor hears more than there is, by its mount; a mount that was kept differs less."""
        first = self.drawn("mount", position).normal(0.0, MOUNT_SD_DB["anew"], 2)
        if session != "north":
            kept = position in KEPT
            own = self.drawn("mount", session, position).normal(0.0, MOUNT_SD_DB["kept" if kept else "anew"], 2)
            first = first + own if kept else own
        return np.asarray(0.8 * first[0] + 0.6 * first[1] * place(frequency_hz))

    def true_levels_db(self, session: str, condition: str, position: str, speed_mps: float) -> Values:
        """Levels re 20 uPa of the source as the sensor hears it at the set speed: bands, A, Z."""
        grid = grid_hz()
        return levels_db(source_db(condition, position, speed_mps, grid) + self.mount_db(session, position, grid), grid)

    def calibrator_error_db(self, session: str) -> float:
        """What the calibrator's level is above the stated one."""
        return float(self.drawn("calibrator", session).normal(0.0, CALIBRATOR_SD_DB))

    def sensitivity_v_per_pa(self, session: str, position: str, at: float) -> float:
        """Of the sensor at its charts' 0 dB, at a time between the checks."""
        sensor = SENSORS[session][position]
        drift = self.drawn("drift", session, sensor).normal(0.0, SENSOR_DRIFT_SD_DB)
        drift += self.extra_drift_db.get((session, position), 0.0)
        return float(SENSITIVITIES_MV_PER_PA[sensor] / 1000.0 * 10.0 ** (drift * (at - 0.5) / 20.0))

    def chart_db(self, sensor: str, frequency_hz: Values) -> Values:
        tilt, rise = np.random.default_rng(zlib.crc32(sensor.encode())).uniform(-0.6, 0.6, 2)
        x = place(frequency_hz) - place(np.array(250.0))
        return np.asarray(tilt * x + rise * x**2)

    def response_db(self, sensor: str, frequency_hz: Values) -> Values:
        """The sensor's response: its chart's, and what the chart is off by."""
        off = self.drawn("chart", sensor).normal(0.0, RESPONSE_SD_DB, 2)
        turn = np.pi / 4.0 * (1.0 + place(frequency_hz))
        return self.chart_db(sensor, frequency_hz) + off[0] * np.cos(turn) + off[1] * np.sin(turn)

    # Recordings.

    def volts(self, run: str, speed_factor: float = 1.0, fan_bands: Sequence[int] = (), fan_db: float = 0.0) -> Values:
        """What a run's channels give, (frames, channels). A fan is `fan_db` louder than the open state in its bands."""
        one = self.log[run]
        random = self.drawn("run", run)
        frames = round(self.design.duration_s * RATE_HZ)
        frequency = np.fft.rfftfreq(frames, 1.0 / RATE_HZ)
        common, speed = random.normal(0.0, COMMON_SD_DB), 1.0 + random.normal(0.0, SPEED_SD)
        below_db, channel_db = random.normal(0.0, BACKGROUND_SD_DB), random.normal(0.0, CHANNEL_SD_DB, len(POSITIONS))
        band = np.round(10.0 * np.log10(np.maximum(frequency, 1.0) / 1000.0)).astype(int)
        in_fan = np.isin(band, fan_bands)
        volts = np.empty((frames, len(POSITIONS)))
        for p, position in enumerate(POSITIONS):
            density = np.full(frequency.size, 10.0 ** (FLOOR_DB / 10.0))
            if one.speed_mps:
                found = background_db(position, one.speed_mps, frequency) + below_db
                density += 10.0 ** (found / 10.0)
                fan = source_db("open", position, one.speed_mps, frequency) + fan_db
                density += np.where(in_fan, 10.0 ** (fan / 10.0), 0.0)
            if one.kind == "measurement":
                level = source_db(one.condition, position, one.speed_mps, frequency) + common + channel_db[p]
                level += self.mount_db(one.session, position, frequency)
                level += 10.0 * SPEED_EXPONENT * np.log10(speed * speed_factor)
                density += 10.0 ** (level / 10.0)
            density *= REFERENCE_PA2 * np.minimum((frequency / 40.0) ** 4, 1.0)
            sensor = SENSORS[one.session][position]
            size = np.sqrt(density * RATE_HZ * frames / 4.0) * 10.0 ** (self.response_db(sensor, frequency) / 20.0)
            lines = size * (random.standard_normal(frequency.size) + 1j * random.standard_normal(frequency.size))
            scale = self.sensitivity_v_per_pa(one.session, position, one.place) * 10.0 ** (GAIN_DB[one.session] / 20.0)
            volts[:, CHANNELS[one.session][position] - 1] = np.fft.irfft(lines, frames) * scale
        return volts

    def floor_volts(self, run: str, position: str) -> Values:
        """A channel's electrical noise alone, of a sensor that does not hear any more."""
        one = self.log[run]
        frames = round(self.design.duration_s * RATE_HZ)
        rms_pa = np.sqrt(10.0 ** (FLOOR_DB / 10.0) * REFERENCE_PA2 * RATE_HZ / 2.0)
        scale = self.sensitivity_v_per_pa(one.session, position, one.place) * 10.0 ** (GAIN_DB[one.session] / 20.0)
        return np.asarray(rms_pa * scale * self.drawn("floor", run).standard_normal(frames))

    def calibrator_volts(
        self, run: str, lower_db: Mapping[str, float] | None = None, exchanged: Mapping[str, str] | None = None
    ) -> Values:
        """A calibrator recording, (frames, channels): one position after the other.

        `lower_db` takes a position's tone down; `exchanged` says whose sensor is on a position's channel.
        """
        one = self.log[run]
        session, random = one.session, self.drawn("run", run)
        calibrator = CALIBRATORS[session]
        level = calibrator["level_db"] + calibrator.get("adapter_correction_db", 0.0)
        level += self.calibrator_error_db(session)
        if calibrator["kind"] == "closed-coupler":
            level += 20.0 * np.log10(STATIC_HPA / 1013.25)
        turn = round((TONE_S + PAUSE_S) * RATE_HZ)
        frames = turn * len(POSITIONS) + round(PAUSE_S * RATE_HZ)
        volts = 1e-5 * random.standard_normal((frames, len(POSITIONS)))
        time = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
        gain = 10.0 ** (GAIN_DB[session] / 20.0)
        for number, position in enumerate(POSITIONS):
            there = (exchanged or {}).get(position, position)
            hertz = np.array(calibrator["frequency_hz"])
            decibels = (
                level + float(self.response_db(SENSORS[session][there], hertz)) + (lower_db or {}).get(position, 0.0)
            )
            peak = np.sqrt(2.0 * REFERENCE_PA2 * 10.0 ** (decibels / 10.0))
            peak *= self.sensitivity_v_per_pa(session, there, one.place) * gain
            start = number * turn + round(PAUSE_S * RATE_HZ)
            tone = peak * np.sin(2.0 * np.pi * float(hertz) * 1.001 * time + 0.3 * number)
            volts[start : start + time.size, CHANNELS[session][position] - 1] += tone
        return volts

    def recording(self, run: str) -> Path:
        return self.folder / "recordings" / f"{run}.wav"

    def write(self, run: str, volts: Values) -> None:
        """Write a recording; what is beyond full scale is cut off there."""
        path = self.recording(run)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        bits = BITS[self.log[run].session]
        whole = np.clip(np.round(volts / FULL_SCALE_V * 2 ** (bits - 1)), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        samples = (whole.astype(np.int64) << (32 - bits)).astype(np.int32)
        soundfile.write(path, samples, RATE_HZ, subtype=f"PCM_{bits}")

    # Tables.

    def write_sound(self) -> None:
        """Write all files of the campaign as it is without a fault."""
        for run, one in self.log.items():
            self.write(run, self.calibrator_volts(run) if one.kind == "calibration" else self.volts(run))
            self.rows[run] = self._row(one)
        self._write_charts()
        self.write_tables()

    def _row(self, one: Recorded) -> dict[str, object]:
        at = datetime.datetime.fromisoformat(STARTS[one.session]) + datetime.timedelta(hours=6.0 * one.place)
        row: dict[str, object] = {
            "run": one.run, "recording": f"{one.run}.wav", "kind": one.kind, "session": one.session,
            "condition": one.condition, "speed_mps": "" if one.kind == "calibration" else one.speed_mps,
            "measured_speed_mps": self.logged_speed_mps(one.run) if one.speed_mps else "", "temperature_c": 20,
            "static_pressure_hpa": STATIC_HPA, "humidity_pct": 50, "recorded_at": at.isoformat(timespec="seconds"),
            "calibrator": "", "stage": one.stage, "positions": "", "gain_db": GAIN_DB[one.session],
        }  # fmt: skip
        if one.kind == "calibration":
            row |= {"calibrator": CALIBRATORS[one.session]["calibrator"], "positions": " ".join(POSITIONS)}
        return row

    def logged_speed_mps(self, run: str, speed_factor: float = 1.0) -> float:
        """What the log says of the speed achieved, nearly what it was."""
        random = self.drawn("run", run)
        random.normal()
        true = self.log[run].speed_mps * (1.0 + random.normal(0.0, SPEED_SD)) * speed_factor
        return round(true * (1.0 + self.drawn("logged", run).normal(0.0, LOGGED_SPEED_SD)), 3)

    def write_tables(self) -> None:
        """Write settings and tables as `rows` and the cab have them."""
        config = self.folder / "config"
        config.mkdir(parents=True, exist_ok=True)
        (config / "campaign.yaml").write_text(SETTINGS)
        mirrors = MIRRORS | {other: own for own, other in MIRRORS.items()}
        tables: dict[str, list[dict[str, object]]] = {
            "runs": list(self.rows.values()),
            "positions": [
                {"position": p, "x_m": 0.3 * n, "area": AREAS[p], "mirror": mirrors.get(p, "")}
                for n, p in enumerate(POSITIONS)
            ],
            "fittings": [
                {
                    "session": session, "channel": CHANNELS[session][p], "position": p,
                    "sensor": SENSORS[session][p], "mount": f"pad-{p}" if p in KEPT else "",
                    "full_scale_v": FULL_SCALE_V, "gain_db": GAIN_DB[session],
                }
                for session in self.design.sessions
                for p in POSITIONS
            ],
            "sensors": [
                {
                    "sensor": name, "calibrated_on": "2025-01-15", "chart": f"charts/{name}.csv",
                    "sensitivity_mv_per_pa": self._stated(name), "sensitivity_uncertainty_db": TABLE_SD_DB,
                    "chart_reference_hz": 250,
                }
                for name in SENSITIVITIES_MV_PER_PA
            ],
            "calibrators": [row | {"level_uncertainty_db": CALIBRATOR_SD_DB} for row in CALIBRATORS.values()],
        }  # fmt: skip
        if self.unusable:
            tables["overrides"] = [
                {"run": run, "position": position, "verdict": "unusable", "reason": "known to be wrong", "who": "test"}
                for run, position in self.unusable
            ]
        for name, rows in tables.items():
            _write_csv(config / f"{name}.csv", rows)

    def _stated(self, sensor: str) -> float:
        error = self.drawn("stated", sensor).normal(0.0, TABLE_SD_DB)
        return round(SENSITIVITIES_MV_PER_PA[sensor] * 10.0 ** (error / 20.0), 3)

    def _write_charts(self) -> None:
        (self.folder / "charts").mkdir(parents=True, exist_ok=True)
        for sensor in SENSITIVITIES_MV_PER_PA:
            hertz = np.geomspace(40.0, 6000.0, 60)
            rows = [
                {"frequency_hz": f"{f:.2f}", "response_db": f"{db:.4f}"}
                for f, db in zip(hertz, self.chart_db(sensor, hertz), strict=True)
            ]
            _write_csv(self.folder / "charts" / f"{sensor}.csv", rows)


def _write_csv(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    columns = list(dict.fromkeys(column for row in rows for column in row))
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


__all__ = ["CHANGES", "COMPARISONS", "CONDITIONS", "Cab", "Design", "Recorded"]
