"""Tables of levels of whole sessions, with the frequencies that go with them, for faults to be planted in."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from tapeline.quality.across_runs import AcrossLimits, Findings, findings_across
from tapeline.quality.level_table import RunLevel

LIMITS = AcrossLimits(odd_level_db=6.0, area_level_db=15.0, speed_level_db=3.0, silent_level_db=20.0)
POSITIONS = tuple(f"p{index}" for index in range(6))
FLOOR_DB = 70.0
RATE_HZ = 12_800.0
FLOW_HZ = 500.0
"""Wall pressure; noise of electronics is white: a quarter of the sample rate."""
Run = tuple[str, str, float]


def runs(*conditions: str, repeats: int = 3, speed_mps: float = 28.0) -> list[Run]:
    """Runs c1, c2, … of conditions at one speed, one after the other."""
    named = [(condition, repeat) for condition in conditions for repeat in range(1, repeats + 1)]
    return [(f"{condition}{repeat}", condition, speed_mps) for condition, repeat in named]


def session(measured: Sequence[Run], seed: int = 1, scatter_db: float = 0.5, floor: bool = True) -> list[RunLevel]:
    """Some 100 dB of wall pressure at six positions that differ by some dB; `floor` adds a run without wind."""
    random = np.random.default_rng(seed)
    own = random.uniform(-6.0, 6.0, len(POSITIONS))
    rows = []
    for order, (run, condition, speed) in enumerate(measured):
        for index, position in enumerate(POSITIONS):
            level = 100.0 + 50.0 * np.log10(speed / 28.0) + own[index] + random.normal(0.0, scatter_db)
            hertz = FLOW_HZ * (1.0 + 0.1 * index) * (1.0 + random.normal(0.0, 0.03))
            rows.append(
                RunLevel(run, position, "measurement", condition, speed, 0.0, order, float(level), True, float(hertz),
                         RATE_HZ, speed, None, 20.0)
            )  # fmt: skip
    if floor:
        rows += [
            RunLevel(
                "calm", p, "background", None, 0.0, 0.0, 99, FLOOR_DB, True, RATE_HZ / 4.0, RATE_HZ, 0.0, None, 20.0
            )
            for p in POSITIONS
        ]
    return rows


def edited(rows: Sequence[RunLevel], run: str, position: str | None = None, **changes: Any) -> list[RunLevel]:
    """One channel, or all of one run, changed; `by_db` is added to the level."""
    by_db = changes.pop("by_db", 0.0)
    return [
        dataclasses.replace(row, **{"level_db": row.level_db + by_db, **changes})
        if row.run == run and position in (None, row.position)
        else row
        for row in rows
    ]


def found_in(rows: Sequence[RunLevel], areas: dict[str, str] | None = None) -> Findings:
    return findings_across(rows, areas or {}, LIMITS)


def codes(rows: Sequence[RunLevel]) -> dict[tuple[str, str], list[str]]:
    """Reason codes by run and position."""
    return {place: [finding.code for finding in findings] for place, findings in found_in(rows).items()}


def dead(rows: Sequence[RunLevel], run: str, position: str | None = None, level_db: float = FLOOR_DB) -> list[RunLevel]:
    """Noise of electronics in place of the flow."""
    return edited(rows, run, position, level_db=level_db, frequency_hz=RATE_HZ / 4.0)
