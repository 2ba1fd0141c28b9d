"""Weighted level against time of one run: columns of the table `history`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.history import HistoryPart, WeightedHistory
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.weightings import power_weights
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import levels_with_gaps
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.limits import FAST_TIME_CONSTANT_S, SLOW_TIME_CONSTANT_S, TIME_WEIGHTING_SETTLED_TIMES


def history_edges_hz(range_hz: tuple[float, float]) -> tuple[float, float]:
    """Edges of a history over a range: those of its third octaves, whatever bands are asked for."""
    band = bands_between(3, *range_hz)
    return float(band.lower_hz[0]), float(band.upper_hz[-1])


def history_of(needs: SpectraNeeds, positions: Sequence[str], rate_hz: float, frames: int) -> WeightedHistory:
    """The history of a run from half overlapping Hann blocks of so many frames, the charts' responses taken out."""
    lines_hz = np.arange(frames // 2 + 1) * rate_hz / frames
    lowest, highest = history_edges_hz(needs.history_range_hz)
    inside = (lines_hz >= lowest) & (lines_hz <= highest)
    magnitude = np.zeros((len(needs.history.weighting), len(positions), lines_hz.size), dtype=np.float32)
    for i, position in enumerate(positions):
        gains = chart_gains(needs, [position], lines_hz)[0]
        for w, weighting in enumerate(needs.history.weighting):
            magnitude[w, i] = np.sqrt(power_weights(weighting, lines_hz)) * inside / gains
    return WeightedHistory(magnitude, needs.history.interval_s * rate_hz, rate_hz)


def history_columns(
    needs: SpectraNeeds, positions: Sequence[str], rate_hz: float, part: HistoryPart, parts: Parts
) -> dict[str, pa.Array | NDArray[np.generic]]:
    """Columns of the history; intervals that touch what is left out, or its fading in time weightings, have none."""
    weightings, channels, intervals = part.powers.shape
    ends = (part.first + np.arange(intervals) + 1) * needs.history.interval_s

    def where_used(values: Reals, constant_s: float = 0.0) -> Reals:
        starts = ends - needs.history.interval_s - TIME_WEIGHTING_SETTLED_TIMES * constant_s
        frames = (np.maximum(starts, 0.0) * rate_hz, ends * rate_hz)
        return np.where(parts.hold(*(np.round(edge).astype(np.int64) for edge in frames)), values, np.nan)

    levels = {
        "level_db": where_used(part.powers),
        "fast_db": where_used(part.fast, FAST_TIME_CONSTANT_S),
        "slow_db": where_used(part.slow, SLOW_TIME_CONSTANT_S),
        "fast_maximum_db": where_used(part.fast_largest, FAST_TIME_CONSTANT_S),
        "slow_maximum_db": where_used(part.slow_largest, SLOW_TIME_CONSTANT_S),
    }
    silent = levels["level_db"] == 0.0
    times = (part.first + np.arange(intervals)) * needs.history.interval_s
    rows = weightings * channels * intervals
    return {
        "run": _repeated([needs.run], rows, 1),
        "position": _repeated(positions, intervals, weightings),
        "weighting": _repeated(needs.history.weighting, channels * intervals, 1),
        "time_s": np.tile(times, weightings * channels),
        "silent": silent.ravel(),
    } | {name: levels_with_gaps(values, needs.reference_pressure_pa).ravel() for name, values in levels.items()}


def _repeated(names: Sequence[str], each: int, times: int) -> pa.Array:
    """Every name so many times in a row, and all that so many times over."""
    places = np.tile(np.repeat(np.arange(len(names)), each), times)
    return pa.array(names, type=pa.string()).take(pa.array(places))
