"""Records cut into segments by what the flow did in each: speed and yaw measured beside the sound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals
from tapeline.limits import WHOLE_NUMBER_WITHIN_UNITS


@dataclass(frozen=True)
class Segment:
    """One segment of a record: its times in seconds and the means of the readings in it."""

    start_s: float
    stop_s: float
    speed_mps: float
    yaw_deg: float


@dataclass(frozen=True)
class FlowBin:
    """Segments of similar speed and yaw, and the centre of their bin."""

    speed_mps: float
    yaw_deg: float
    segments: tuple[Segment, ...]


def mean_angle_deg(angles_deg: ArrayLike) -> float:
    """Circular mean of angles in degrees: of 179 and -179 it is 180."""
    turns = np.exp(1j * np.deg2rad(np.asarray(angles_deg, dtype=np.float64)))
    return float(np.rad2deg(np.angle(np.mean(turns))))


def flow_bins(
    time_s: Reals,
    speed_mps: Reals,
    yaw_deg: Reals,
    duration_s: float,
    segment_s: float,
    speed_step_mps: float,
    yaw_step_deg: float,
) -> list[FlowBin]:
    """Segments of a record by bins of speed and yaw, in rising order of speed, then yaw.

    The three series have shape (readings,), with rising times. The record is cut into whole segments of `segment_s`; a
    segment's flow is the mean of its readings, its bin the nearest multiple of the steps (the method of bins, common
    practice for uncontrolled wind). Segments without a reading are in no bin.
    """
    bins: dict[tuple[int, int], list[tuple[int, float, float]]] = {}
    for number in range(int(np.floor(duration_s / segment_s + WHOLE_NUMBER_WITHIN_UNITS))):
        inside = slice(*np.searchsorted(time_s, [number * segment_s, (number + 1) * segment_s]))
        if inside.stop == inside.start:
            continue
        speed, yaw = float(np.mean(speed_mps[inside])), mean_angle_deg(yaw_deg[inside])
        key = (math.floor(speed / speed_step_mps + 0.5), math.floor(yaw / yaw_step_deg + 0.5))
        bins.setdefault(key, []).append((number, speed, yaw))
    return [
        FlowBin(
            speed_mps=key[0] * speed_step_mps,
            yaw_deg=key[1] * yaw_step_deg,
            segments=tuple(Segment(n * segment_s, (n + 1) * segment_s, speed, yaw) for n, speed, yaw in found),
        )
        for key, found in sorted(bins.items())
    ]
