"""Job `spectra`: verdicts on the channels of one recording, its averaged spectra and level history.

The recording is read twice: the mean and the spikes to leave out are known only at its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra, SpectrumConsumer, block_frames
from tapeline.acoustics.windows import effective_averages, noise_bandwidth_lines, window
from tapeline.arrays import Reals
from tapeline.campaign.plan import Plan
from tapeline.jobs.cell_values import given
from tapeline.jobs.pressure.calibrated_recording import CalibratedRecording, open_calibrated
from tapeline.jobs.sources import keep_sources, require_lenient, watched_source
from tapeline.jobs.spectra import (
    JOB,
    SpectraNeeds,
    flow_series_files,
    history_file,
    quality_file,
    requested_file,
    spectra_file,
)
from tapeline.jobs.spectra import needs as needs_of
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.jobs.spectra.conditioned_spectra import ConditionedPass, usable_references
from tapeline.jobs.spectra.cross_spectra import CrossSpectraPass
from tapeline.jobs.spectra.flow_spectra import FlowPass
from tapeline.jobs.spectra.level_history import history_columns, history_of
from tapeline.jobs.spectra.line_spectra import LinePass
from tapeline.jobs.spectra.quality_rows import faulty_rows, judged_rows
from tapeline.jobs.spectra.spectrogram import SpectrogramPass
from tapeline.limits import HISTORY_FILTER_BLOCK_S, HISTORY_SHARED_BLOCK_S
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.watched_files import WatchedFiles
from tapeline.store import parquet, tables
from tapeline.store.parquet import RowsOfTable

if TYPE_CHECKING:
    from tapeline.jobs.spectra.band_history import BandHistoryPass
    from tapeline.store.rows import HistoryRow, QualityRow, SpectraRow

INTERVALS_A_PART = 128
"""Intervals of the history that are written at once."""


def run(plan: Plan, run_name: str) -> None:
    """Write the run's verdicts, spectra, history and what is asked for.

    A faulty recording gives empty files and a named fault. The verdicts come last: a run that has them has all files.
    """
    needs = needs_of(plan, run_name)
    root, results = plan.campaign.root, plan.results
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan, run_name)}
    watched = watched_source(root, needs.pressure.source)
    flow = WatchedFiles([root / name for name in flow_series_files(plan, run_name)])
    found: dict[str, RowsOfTable[Any]] = {}
    try:
        with parquet.writing_parts(tables.HISTORY, history_file(results, run_name), **stamp) as history:
            source = open_calibrated(root, results, needs.pressure)
            quality = judged_rows(needs, source)
            if source.positions:
                used = {row["position"]: row for row in quality}
                found = _measure(root, source, needs, [used[name] for name in source.positions], history)
            hashes = watched.content_hashes()
    except RecordingError as fault:
        error, hashes = watched.fault_and_hashes(fault)
        require_lenient(run_name, error)
        parquet.write_rows(tables.HISTORY, history_file(results, run_name), [], **stamp)
        found, quality = {}, faulty_rows(needs, error)
    with suppress(RecordingError):
        # One that changed meanwhile gets no record: the next run makes the results again.
        flow.content_hashes()
    paths = {spectra_file(results, run_name): tables.SPECTRA}
    paths |= {requested_file(results, run_name, name): tables.MADE_ON_REQUEST[name] for name in plan.on_request}
    for path, table in paths.items():
        found.get(table.name, RowsOfTable(table, ())).write(path, **stamp)
    judged = quality_file(results, run_name)
    rows: list[QualityRow] = [{**row, "recording_sha256": hashes} for row in quality]
    parquet.write_rows(tables.QUALITY, judged, rows, **stamp)
    keep_sources(judged, root, (*needs.pressure.source.paths, *flow_series_files(plan, run_name)), [watched, flow])


def _measure(
    root: Path,
    source: CalibratedRecording,
    needs: SpectraNeeds,
    quality: Sequence[QualityRow],
    history: parquet.PartWriter[HistoryRow],
) -> dict[str, RowsOfTable[Any]]:
    """Stream the pressure once through all that is measured; rows of the tables, by their names."""
    rate, positions = source.sample_rate_hz, source.positions
    frames = block_frames(rate, needs.spectra.resolution_hz)
    shape = window(needs.spectra.window, frames)
    hop = max(1, round(frames * (1.0 - needs.spectra.overlap)))
    mean, parts = np.array([row["mean_pa"] for row in quality]), used_parts(needs, quality, rate)
    averaged = AveragedSpectrum(shape, hop, len(positions), parts)
    cross = flow = explained = None
    takers: list[SpectrumConsumer] = [averaged]
    if needs.cross_spectra is not None:
        cross = CrossSpectraPass(needs, needs.cross_spectra, positions, rate, shape, hop, parts)
        takers.append(cross.taker)
    if needs.references is not None:
        references = usable_references(needs.references[0], positions, [row["verdict"] for row in quality])
        if references:
            explained = ConditionedPass(needs, references, positions, rate, shape, hop, parts)
            takers.append(explained.taker)
    if needs.flow is not None:
        flow = FlowPass(root, needs, needs.flow, positions, rate, shape, hop, parts)
        takers += flow.takers
    lines = [LinePass(needs, *each, positions, rate, shape, hop, parts) for each in needs.lines]
    takers += [each.taker for each in lines]
    shared = needs.spectra.window == "hann" and 2 * hop == frames and frames >= HISTORY_SHARED_BLOCK_S * rate
    own = frames if shared else 2 * block_frames(rate, 2.0 / HISTORY_FILTER_BLOCK_S)
    track = history_of(needs, positions, rate, own)
    blocks = [ShortTimeSpectra(shape, hop, mean, [*takers, track] if shared else takers)]
    if not shared:
        blocks.append(ShortTimeSpectra(window("hann", own), own // 2, mean, [track]))
    passes = _own_passes(needs, positions, mean, rate, parts)
    for samples in source.blocks():
        for each in (*blocks, *passes):
            each.add(samples)
        if track.waiting >= INTERVALS_A_PART:
            history.write(history_columns(needs, positions, rate, track.drain(), parts))
    for stream in blocks:
        stream.finish()
    history.write(history_columns(needs, positions, rate, track.drain(), parts))
    made: list[RowsOfTable[Any]] = [one.made() for one in passes]
    if averaged.blocks:
        rows = _spectra_rows(source, needs, averaged, shape, given(quality[0]["frames"]))
        made.append(RowsOfTable(tables.SPECTRA, rows))
        if explained is not None:
            density = np.array([row["psd_pa2_per_hz"] for row in rows])
            made.append(RowsOfTable(tables.CONDITIONED_SPECTRA, explained.rows(averaged.pairs(), density)))
    if cross is not None:
        made.append(RowsOfTable(tables.CROSS_SPECTRA, cross.rows(averaged.pairs())))
    if flow is not None:
        made.append(RowsOfTable(tables.FLOW_SPECTRA, flow.rows()))
    if lines:
        made.append(RowsOfTable(tables.LINE_SPECTRA, [row for each in lines for row in each.rows()]))
    return {each.table.name: each for each in made}


def _own_passes(
    needs: SpectraNeeds, positions: Sequence[str], mean: Reals, rate_hz: float, parts: Parts
) -> list[BandHistoryPass | SpectrogramPass]:
    """What is made on request from the samples themselves. The filters are loaded where they are asked for."""
    passes: list[BandHistoryPass | SpectrogramPass] = []
    if needs.band_history is not None:
        from tapeline.jobs.spectra.band_history import BandHistoryPass

        passes.append(BandHistoryPass(needs, *needs.band_history, positions, rate_hz, parts))
    if needs.spectrogram is not None:
        passes.append(SpectrogramPass(needs, needs.spectrogram, positions, mean, rate_hz, parts))
    return passes


def used_parts(needs: SpectraNeeds, quality: Sequence[QualityRow], rate_hz: float) -> Parts:
    """The recording's used part less what is left out: stretches named by hand, and spikes where asked for."""
    stretches = list(needs.left_out)
    if needs.spectra.leave_out_spikes:
        margin = needs.spectra.spike_margin_s
        heard = [row for row in quality if row["verdict"] != "unusable"]
        stretches += [(at - margin, at + margin) for row in heard for at in row["spike_times_s"] or []]
    # A thousandth of a frame is rounding.
    edges = [(int(start * rate_hz + 1e-3), int(np.ceil(stop * rate_hz - 1e-3))) for start, stop in stretches]
    out = Parts((max(0, start), max(0, stop)) for start, stop in edges)
    return Parts([(0, given(quality[0]["frames"]))]).without(out)


def _spectra_rows(
    source: CalibratedRecording, needs: SpectraNeeds, averaged: AveragedSpectrum, shape: Reals, frames: int
) -> list[SpectraRow]:
    rate = source.sample_rate_hz
    density, pairs = averaged.density(rate), averaged.pairs()
    lines_hz = np.arange(density.shape[1]) * rate / shape.size
    common: SpectraRow = {
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
        "averaged_s": averaged.covered.frames / rate,
    }
    spread = averaged.relative_spread()
    corrected = density / chart_gains(needs, source.positions, lines_hz) ** 2
    charts = {response.position: response.hz for response in needs.responses if needs.response_correction}
    rows: list[SpectraRow] = []
    for i, position in enumerate(source.positions):
        reach = charts.get(position) or (None, None)
        rows.append(
            {
                **common,
                "position": position,
                "psd_pa2_per_hz": corrected[i].astype(np.float32),
                "relative_spread": spread[i].astype(np.float32),
                "response_low_hz": reach[0],
                "response_high_hz": reach[-1],
            }
        )
    return rows
