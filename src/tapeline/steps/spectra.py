"""Step `spectra`: averaged spectra and level history of one run's pressure."""

from __future__ import annotations

from typing import Any

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum, block_frames
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.history import WeightedHistory
from tapeline.acoustics.levels import gain_from_db, level_db
from tapeline.acoustics.response import response_db
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windows import Reals, effective_averages, noise_bandwidth_lines, window
from tapeline.campaign.plan import Plan
from tapeline.campaign.slices import SpectraNeeds
from tapeline.steps import places
from tapeline.store import parquet, tables
from tapeline.store.arrow_file import PressureFile

HISTORY_BLOCK_S = 0.25
"""Block of the history's weighting filter: long against the slowest part of A and C (8 ms at 20.6 Hz)."""


def run(plan: Plan, run_name: str) -> None:
    """Write the run's spectra and history; empty files where the recording gave no pressure."""
    needs = plan.spectra_needs(run_name)
    results, digest = plan.campaign.results, plan.digest("spectra", run_name)
    source = PressureFile(places.pressure(results, run_name))
    means = {row["position"]: row["mean_pa"] for row in parquet.read_rows(places.quality(results, run_name))}
    spectra_rows: list[dict[str, Any]] = []
    history: dict[str, Any] = {name: [] for name in tables.HISTORY.column_names()}
    if source.positions:
        mean = np.array([means[position] for position in source.positions])
        spectra_rows, history = _measure(source, needs, mean)
    stamp = {"campaign": needs.campaign, "digest": digest}
    parquet.write_rows(tables.SPECTRA, places.spectra(results, run_name), spectra_rows, **stamp)
    parquet.write(tables.HISTORY, places.history(results, run_name), history, **stamp)


def _measure(source: PressureFile, needs: SpectraNeeds, mean: Reals) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    rate, settings = source.sample_rate_hz, needs.spectra
    frames = block_frames(rate, settings.resolution_hz)
    shape = window(settings.window, frames)
    hop = max(1, round(frames * (1.0 - settings.overlap)))
    averaged = AveragedSpectrum(shape, hop, mean)
    track = _history(source, needs, mean)
    total = 0
    for block in source.blocks():
        averaged.add(block)
        track.add(block)
        total += block.shape[1]
    rows = _spectra_rows(source, needs, averaged, shape, total) if averaged.blocks else []
    return rows, _history_columns(source, needs, track)


def _spectra_rows(
    source: PressureFile, needs: SpectraNeeds, averaged: AveragedSpectrum, shape: Reals, frames: int
) -> list[dict[str, Any]]:
    rate = source.sample_rate_hz
    density = averaged.density(rate)
    lines_hz = np.arange(density.shape[1]) * rate / shape.size
    common = {
        "run": needs.run,
        "first_hz": 0.0,
        "step_hz": rate / shape.size,
        "sample_rate_hz": rate,
        "block_frames": shape.size,
        "hop_frames": averaged.hop_frames,
        "blocks": averaged.blocks,
        "effective_averages": effective_averages(shape, averaged.hop_frames, averaged.blocks),
        "noise_bandwidth_lines": noise_bandwidth_lines(shape),
        "duration_s": frames / rate,
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


def _history(source: PressureFile, needs: SpectraNeeds, mean: Reals) -> WeightedHistory:
    rate = source.sample_rate_hz
    frames = block_frames(rate, 1.0 / HISTORY_BLOCK_S)
    frames += frames % 2
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
    return WeightedHistory(magnitude, frames, needs.history.interval_s * rate, mean, rate)


def _history_columns(source: PressureFile, needs: SpectraNeeds, track: WeightedHistory) -> dict[str, Any]:
    reference = needs.reference_pressure_pa
    levels = level_db(track.powers(), reference)
    (fast, fast_largest), (slow, slow_largest) = track.fast(), track.slow()
    weightings, positions, intervals = levels.shape
    times = np.arange(intervals) * needs.history.interval_s
    return {
        "run": [needs.run] * levels.size,
        "position": [p for _ in range(weightings) for p in source.positions for _ in range(intervals)],
        "weighting": [w for w in needs.history.weighting for _ in range(positions * intervals)],
        "time_s": np.tile(times, weightings * positions),
        "level_db": levels.ravel(),
        "fast_db": level_db(fast, reference).ravel(),
        "slow_db": level_db(slow, reference).ravel(),
        "fast_maximum_db": level_db(fast_largest, reference).ravel(),
        "slow_maximum_db": level_db(slow_largest, reference).ravel(),
    }
