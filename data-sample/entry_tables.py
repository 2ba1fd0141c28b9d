"""The wind-tunnel entry as the campaign's own tables describe it; numbers that stand there are taken from there."""

from __future__ import annotations

import csv
import math
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml

SEED = 20260414
REFERENCE_PRESSURE_PA = 2.0e-5


@dataclass(frozen=True)
class Run:
    """One row of the run table. `speed_mps` is the speed achieved; "" stands for an empty cell."""

    name: str
    recording: str
    format: str
    kind: str
    session: str
    condition: str
    set_speed_kmh: float
    speed_mps: float
    temperature_c: float
    static_pressure_pa: float
    humidity_pct: float
    recorded_at: str
    calibrator: str
    positions: tuple[str, ...]
    replaces: str
    gain_db: float | None
    used: bool


@dataclass(frozen=True)
class Position:
    """One place on the body, metres."""

    name: str
    x_m: float
    y_m: float
    z_m: float
    line: str
    cavity: str


@dataclass(frozen=True)
class Fitting:
    """One channel of one session."""

    session: str
    channel: int
    position: str
    sensor: str
    mount: str
    full_scale_v: float
    gain_db: float
    polarity: int


@dataclass(frozen=True)
class Calibrator:
    """One calibrator."""

    kind: str
    level_db: float
    frequency_hz: float
    adapter_correction_db: float

    def level_at_db(self, static_pressure_pa: float) -> float:
        """Level in the coupler; that of a closed coupler follows the static pressure, 20 lg(p / 101.325 kPa)."""
        level = self.level_db + self.adapter_correction_db
        if self.kind == "closed-coupler":
            level += 20.0 * math.log10(static_pressure_pa / 101_325.0)
        return level


@dataclass(frozen=True)
class Entry:
    """All that the tables say. Runs are in the order in which they were taken."""

    runs: dict[str, Run]
    positions: dict[str, Position]
    fittings: dict[str, tuple[Fitting, ...]]
    charted_v_per_pa: dict[str, float]
    calibrators: dict[str, Calibrator]
    cavity_length_m: dict[str, float]
    applied: dict[str, frozenset[str]]
    comparisons: dict[str, tuple[str, str]]
    sample_rate_hz: dict[str, float]
    header_bytes: dict[str, int]
    bands_hz: tuple[float, float]

    def session_runs(self, session: str) -> list[Run]:
        """The runs of one session in the order in which they were taken."""
        return [run for run in self.runs.values() if run.session == session]

    def superseded(self) -> frozenset[str]:
        """Runs that were taken again."""
        return frozenset(run.replaces for run in self.runs.values() if run.replaces)

    def counts(self, run: Run) -> bool:
        """Whether the run table lets this run count."""
        return run.used and run.name not in self.superseded()


def generator(*names: str) -> np.random.Generator:
    """Random numbers that depend on these names alone: no run depends on the order or presence of others."""
    return np.random.default_rng([SEED, *(zlib.crc32(name.encode()) for name in names)])


def read_entry(campaign_folder: Path) -> Entry:
    """Read config/campaign.yaml and its tables."""
    settings: dict[str, Any] = yaml.safe_load((campaign_folder / "config/campaign.yaml").read_text(encoding="utf-8"))
    tables = {name: _rows(campaign_folder / path) for name, path in settings["tables"].items()}
    runs = sorted((_run(row) for row in tables["runs"]), key=lambda run: run.recorded_at)
    fittings: dict[str, list[Fitting]] = {}
    for row in tables["fittings"]:
        fittings.setdefault(row["session"], []).append(_fitting(row))
    formats = settings["raw_formats"]
    return Entry(
        runs={run.name: run for run in runs},
        positions={row["position"]: _position(row) for row in tables["positions"]},
        fittings={name: tuple(sorted(rows, key=lambda row: row.channel)) for name, rows in fittings.items()},
        charted_v_per_pa={row["sensor"]: float(row["sensitivity_mv_per_pa"]) / 1000.0 for row in tables["sensors"]},
        calibrators={row["calibrator"]: _calibrator(row) for row in tables["calibrators"]},
        cavity_length_m={row["cavity"]: float(row["length_m"]) for row in tables["cavities"]},
        applied={name: frozenset(body["applied"]) for name, body in settings["conditions"].items()},
        comparisons={name: (body["reference"], body["treatment"]) for name, body in settings["comparisons"].items()},
        sample_rate_hz={name: float(body["sample_rate_hz"]) for name, body in formats.items()},
        header_bytes={name: int(body["header_bytes"]) for name, body in formats.items()},
        bands_hz=(float(settings["bands"]["range_hz"][0]), float(settings["bands"]["range_hz"][1])),
    )


def _rows(path: Path) -> list[dict[str, str]]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def _run(row: dict[str, str]) -> Run:
    set_speed_kmh = float(row["speed_kmh"] or 0.0)
    return Run(
        name=row["run"],
        recording=row["recording"],
        format=row["format"],
        kind=row["kind"],
        session=row["session"],
        condition=row["condition"],
        set_speed_kmh=set_speed_kmh,
        speed_mps=float(row["measured_speed_mps"] or set_speed_kmh / 3.6),
        temperature_c=float(row["temperature_c"]),
        static_pressure_pa=100.0 * float(row["static_pressure_hpa"]),
        humidity_pct=float(row["humidity_pct"]),
        recorded_at=row["recorded_at"],
        calibrator=row["calibrator"],
        positions=tuple(row["positions"].split()),
        replaces=row["replaces"],
        gain_db=float(row["gain_db"]) if row["gain_db"] else None,
        used=row["use"] != "no",
    )


def _position(row: dict[str, str]) -> Position:
    x_m, y_m, z_m = (float(row[axis]) for axis in ("x_m", "y_m", "z_m"))
    return Position(row["position"], x_m, y_m, z_m, row["line"], row["cavity"])


def _fitting(row: dict[str, str]) -> Fitting:
    return Fitting(
        session=row["session"],
        channel=int(row["channel"]),
        position=row["position"],
        sensor=row["sensor"],
        mount=row["mount"],
        full_scale_v=float(row["full_scale_v"]),
        gain_db=float(row["gain_db"]),
        polarity=-1 if row["polarity"] == "-" else 1,
    )


def _calibrator(row: dict[str, str]) -> Calibrator:
    numbers = (float(row[name]) for name in ("level_db", "frequency_hz", "adapter_correction_db"))
    return Calibrator(row["kind"], *numbers)
