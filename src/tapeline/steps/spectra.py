"""Step `spectra`: averaged spectra and level history of one run's pressure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.history import HistoryPart, WeightedHistory
from tapeline.acoustics.levels import gain_from_db, level_db
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.response import response_db
from tapeline.acoustics.time_weighting import FAST_S, SETTLED_TIMES, SLOW_S
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windowed_blocks import WindowedBlocks, block_frames
from tapeline.acoustics.windows import Reals, effective_averages, noise_bandwidth_lines, window
from tapeline.campaign.plan import Plan
from tapeline.campaign.slices import SpectraNeeds
from tapeline.steps import places
from tapeline.store import parquet, tables
from tapeline.store.arrow_file import PressureFile

HISTORY_BLOCK_S = 0.25
"""Block of the history's weighting filter: long against the slowest part of A and C (8 ms at 20.6 Hz)."""

SHARED_BLOCK_S = 0.1
"""From this length on the blocks of the averaged spectra serve the history too."""

INTERVALS_A_PART = 512
"""Intervals of the history that are written at once."""


def run(plan: Plan, run_name: str) -> None:
    """Write the run's spectra and history; empty files where the recording gave no pressure."""
    needs = plan.spectra_needs(run_name)
    results, digest = plan.campaign.results, plan.digest("spectra", run_name)
    source = PressureFile(places.pressure(results, run_name))
    quality = {row["position"]: row for row in parquet.read_rows(places.quality(results, run_name))}
    stamp = {"campaign": needs.campaign, "digest": digest}
    rows: list[dict[str, Any]] = []
    with parquet.writing_parts(tables.HISTORY, places.history(results, run_name), **stamp) as history:
        if source.positions:
            rows = _measure(source, needs, [quality[position] for position in source.positions], history)
    parquet.write_rows(tables.SPECTRA, places.spectra(results, run_name), rows, **stamp)


def _measure(
    source: PressureFile, needs: SpectraNeeds, quality: list[dict[str, Any]], history: parquet.PartWriter
) -> list[dict[str, Any]]:
    """Stream the pressure once through all that is measured; rows of the spectra table."""
    rate, settings = source.sample_rate_hz, needs.spectra
    frames = block_frames(rate, settings.resolution_hz)
    shape = window(settings.window, frames)
    hop = max(1, round(frames * (1.0 - settings.overlap)))
    mean, parts = np.array([row["mean_pa"] for row in quality]), used_parts(needs, quality, rate)
    averaged = AveragedSpectrum(shape, hop, len(source.positions), parts)
    shared = settings.window == "hann" and 2 * hop == frames and frames >= SHARED_BLOCK_S * rate
    own = frames if shared else 2 * block_frames(rate, 2.0 / HISTORY_BLOCK_S)
    track = _history(source, needs, own)
    passes = [WindowedBlocks(shape, hop, mean, [averaged, track] if shared else [averaged])]
    if not shared:
        passes.append(WindowedBlocks(window("hann", own), own // 2, mean, [track]))
    for block in source.blocks():
        for blocks in passes:
            blocks.add(block)
        if track.waiting >= INTERVALS_A_PART:
            history.write(_history_columns(source, needs, track.drain(), parts))
    for blocks in passes:
        blocks.finish()
    history.write(_history_columns(source, needs, track.drain(), parts))
    return _spectra_rows(source, needs, averaged, shape, quality[0]["frames"], parts) if averaged.blocks else []


def used_parts(needs: SpectraNeeds, quality: list[dict[str, Any]], rate_hz: float) -> Parts:
    """The recording's used part less what is left out: stretches named by hand, and spikes where that is asked for."""
    stretches = list(needs.left_out)
    if needs.spectra.leave_out_spikes:
        margin = needs.spectra.spike_margin_s
        stretches += [(at - margin, at + margin) for row in quality for at in row["spike_times_s"] or []]
    out = Parts((max(0, int(start * rate_hz)), max(0, int(np.ceil(stop * rate_hz)))) for start, stop in stretches)
    return Parts([(0, quality[0]["frames"])]).without(out)


def _spectra_rows(
    source: PressureFile, needs: SpectraNeeds, averaged: AveragedSpectrum, shape: Reals, frames: int, parts: Parts
) -> list[dict[str, Any]]:
    rate = source.sample_rate_hz
    density, pairs = averaged.density(rate), averaged.pairs()
    lines_hz = np.arange(density.shape[1]) * rate / shape.size
    common = {
        "run": needs.run,
        "first_hz": 0.0,
        "step_hz": rate / shape.size,
        "sample_rate_hz": rate,
        "block_frames": shape.size,
        "hop_frames": averaged.hop_frames,
        "blocks": averaged.blocks,
        "block_pairs": list(pairs),
        "effective_averages": effective_averages(shape, averaged.hop_frames, pairs),
        "noise_bandwidth_lines": noise_bandwidth_lines(shape),
        "duration_s": frames / rate,
        "used_s": parts.frames / rate,
    }
    charts = {position: (hz, db) for position, hz, db in needs.charts}
    rows = []
    for i, position in enumerate(source.positions):
        hz, db = charts[position]
        row = common | {"position": position, "response_low_hz": None, "response_high_hz": None}
        psd = density[i]
        if hz and needs.response_correction:
            psd = psd / 10.0 ** (response_db(lines_hz, hz, db)[0] / 10.0)
            row |= {"response_low_hz": hz[0], "response_high_hz": hz[-1]}
        rows.append(row | {"psd_pa2_per_hz": psd.astype(np.float32)})
    return rows


def _history(source: PressureFile, needs: SpectraNeeds, frames: int) -> WeightedHistory:
    rate = source.sample_rate_hz
    lines_hz = np.arange(frames // 2 + 1) * rate / frames
    band = bands_between(3, *needs.history_range_hz)
    inside = (lines_hz >= band.lower_hz[0]) & (lines_hz <= band.upper_hz[-1])
    charts = {position: (hz, db) for position, hz, db in needs.charts}
    magnitude = np.zeros((len(needs.history.weighting), len(source.positions), lines_hz.size))
    for w, weighting in enumerate(needs.history.weighting):
        weights = np.sqrt(power_weights(weighting, lines_hz)) * inside
        for i, position in enumerate(source.positions):
            hz, db = charts[position]
            correct = hz and needs.response_correction
            magnitude[w, i] = weights / gain_from_db(response_db(lines_hz, hz, db)[0]) if correct else weights
    return WeightedHistory(magnitude, needs.history.interval_s * rate, rate)


def _history_columns(source: PressureFile, needs: SpectraNeeds, part: HistoryPart, parts: Parts) -> dict[str, Any]:
    """Rows of the history; intervals that touch what is left out, or its fading in a time weighting, have no level."""
    weightings, positions, intervals = part.powers.shape
    ends = (part.first + np.arange(intervals) + 1) * needs.history.interval_s

    def where_used(values: Reals, constant_s: float = 0.0) -> Reals:
        starts = ends - needs.history.interval_s - SETTLED_TIMES * constant_s
        frames = (np.maximum(starts, 0.0) * source.sample_rate_hz, ends * source.sample_rate_hz)
        return np.where(parts.hold(*(np.round(edge).astype(np.int64) for edge in frames)), values, np.nan)

    levels = {
        "level_db": where_used(part.powers),
        "fast_db": where_used(part.fast, FAST_S),
        "slow_db": where_used(part.slow, SLOW_S),
        "fast_maximum_db": where_used(part.fast_largest, FAST_S),
        "slow_maximum_db": where_used(part.slow_largest, SLOW_S),
    }
    times = (part.first + np.arange(intervals)) * needs.history.interval_s
    rows = weightings * positions * intervals
    return {
        "run": _repeated([needs.run], rows, 1),
        "position": _repeated(source.positions, intervals, weightings),
        "weighting": _repeated(needs.history.weighting, positions * intervals, 1),
        "time_s": np.tile(times, weightings * positions),
    } | {name: level_db(values, needs.reference_pressure_pa).ravel() for name, values in levels.items()}


def _repeated(names: Sequence[str], each: int, times: int) -> pa.Array:
    """Every name so many times in a row, and all that so many times over."""
    places = np.tile(np.repeat(np.arange(len(names)), each), times)
    return pa.array(names, type=pa.string()).take(pa.array(places))
