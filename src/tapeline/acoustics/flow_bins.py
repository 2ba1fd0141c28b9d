"""Records cut into segments by what the flow did in each: speed and yaw measured beside the sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.windows import Reals


@dataclass(frozen=True)
class FlowBin:
    """Segments of like speed and yaw: the bin's centre, their times in seconds, and the means over them."""

    speed_mps: float
    yaw_deg: float
    segments: tuple[tuple[float, float], ...]
    mean_speed_mps: float
    mean_yaw_deg: float


def flow_bins(
    time_s: Reals,
    speed_mps: Reals,
    yaw_deg: Reals,
    duration_s: float,
    segment_s: float,
    speed_step_mps: float,
    yaw_step_deg: float,
) -> list[FlowBin]:
    """Bins in rising order of speed, then yaw; the three series are (readings,), their times rising.

    The record is cut into whole segments of `segment_s`; a segment's flow is the mean of the readings in it, its bin
    the nearest multiple of the steps (the method of bins, common practice for uncontrolled wind). Segments without a
    reading are in no bin.
    """
    bins: dict[tuple[int, int], list[tuple[int, float, float]]] = {}
    for number in range(int(np.floor(duration_s / segment_s + 1e-9))):
        inside = slice(*np.searchsorted(time_s, [number * segment_s, (number + 1) * segment_s]))
        if inside.stop == inside.start:
            continue
        speed, yaw = float(np.mean(speed_mps[inside])), float(np.mean(yaw_deg[inside]))
        key = (round(speed / speed_step_mps), round(yaw / yaw_step_deg))
        bins.setdefault(key, []).append((number, speed, yaw))
    return [
        FlowBin(
            speed_mps=key[0] * speed_step_mps,
            yaw_deg=key[1] * yaw_step_deg,
            segments=tuple((number * segment_s, (number + 1) * segment_s) for number, _, _ in found),
            mean_speed_mps=float(np.mean([speed for _, speed, _ in found])),
            mean_yaw_deg=float(np.mean([yaw for _, _, yaw in found])),
        )
        for key, found in sorted(bins.items())
    ]
