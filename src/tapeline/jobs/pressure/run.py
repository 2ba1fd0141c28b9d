"""Job `pressure`: one recording to pascal, and verdicts on its channels from the same pass."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapeline.campaign.plan import Channel, Plan
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.pressure import JOB, PressureNeeds, pressure_file, quality_file
from tapeline.jobs.pressure import needs as needs_of
from tapeline.jobs.pressure.channel_quality import (
    channel_measures,
    impossible_sample_pa,
    measured_columns,
    stream_checks,
    verdict_limits,
)
from tapeline.jobs.sensitivity.judged_checks import judged_checks
from tapeline.jobs.sensitivity.run import sensitivities, why_without
from tapeline.jobs.sources import keep_sources, open_source, watched_source
from tapeline.jobs.units_to_pascal import full_scale_missing, pa_per_unit
from tapeline.quality.reasons import worst
from tapeline.quality.verdicts import ChannelMeasures, Finding, judge
from tapeline.recordings.recording import Part, Recording, RecordingError
from tapeline.store import arrow_file, parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow, QualityRow

STRICT_VARIABLE = "TAPELINE_STRICT"
"""Environment variable by which a faulty recording fails its job at once."""

WRITE_FRAMES = 16_384


class FaultyRecordingError(Exception):
    """A recording with a fault, in a run that asked to stop at the first one."""


@dataclass(frozen=True)
class UsedChannel:
    """One channel on its way to pascal: factor from units of the recording to Pa."""

    channel: Channel
    pa_per_unit: float


def run(plan: Plan, run_name: str) -> None:
    """Write the run's pressure file and quality table; a faulty recording gives an empty file and a named fault."""
    needs = needs_of(plan, run_name)
    results, digest = plan.results, JOB.digest(plan, run_name)
    made = parquet.read_rows(tables.CHECKS, checks_file(results, needs.session))
    checks = judged_checks(made, needs.channels, needs.overrules).rows
    found = sensitivities(checks, needs.channels, needs.policy, needs.chart_uncertainty_db)
    metadata = {"tapeline.campaign": needs.campaign, "tapeline.run": run_name, "tapeline.made_from": digest}
    path = pressure_file(results, run_name)
    watched = watched_source(plan.campaign.root, needs.source)
    try:
        recording, part = open_source(plan.campaign.root, needs.source)
        used, rows = _usable_channels(needs, recording, checks, found)
        with arrow_file.writing(path, [u.channel.position for u in used], recording.sample_rate_hz, metadata) as writer:
            rows += _convert(needs, recording, part, used, writer)
            hashes = watched.content_hashes()
    except RecordingError as found_fault:
        error, hashes = watched.fault_and_hashes(found_fault)
        if os.environ.get(STRICT_VARIABLE):
            raise FaultyRecordingError(f"run {run_name}: {error.code}: {error.sentence}") from error
        with arrow_file.writing(path, [], 0.0, metadata):
            pass
        fault = Finding(error.code, f"run {run_name}: {error.sentence}")
        rows = [_row(needs, channel, [fault]) for channel in needs.channels]
    rows = [row | {"recording_sha256": hashes} for row in rows]
    quality = quality_file(results, run_name)
    parquet.write_rows(tables.QUALITY, quality, rows, campaign=needs.campaign, digest=digest)
    keep_sources(quality, plan.campaign.root, needs.source.paths, [watched])


def _usable_channels(
    needs: PressureNeeds, recording: Recording, checks: Sequence[ChecksRow], found: Mapping[str, float]
) -> tuple[list[UsedChannel], list[QualityRow]]:
    """Channels that can be converted, and quality rows for those that cannot."""
    used, rows = [], []
    for channel in needs.channels:
        where = f"position {channel.position}, channel {channel.channel}"
        if channel.channel > recording.channels:
            sentence = f"{where}: the recording has {recording.channels} channels"
            rows.append(_row(needs, channel, [Finding("channel-missing", sentence)]))
        elif channel.position not in found:
            code, words = why_without(checks, channel, needs.chart_uncertainty_db)
            rows.append(_row(needs, channel, [Finding(code, f"{where}: {words}")]))
        elif full_scale_missing(channel, recording.bits):
            sentence = f"{where}: {recording.bits}-bit samples need full_scale_v in the fittings table"
            rows.append(_row(needs, channel, [Finding("full-scale-unknown", sentence)]))
        else:
            used.append(UsedChannel(channel, pa_per_unit(channel, found[channel.position], needs.source.gain_db)))
    return used, rows


def _convert(
    needs: PressureNeeds,
    recording: Recording,
    part: Part,
    used: list[UsedChannel],
    writer: arrow_file.PressureWriter,
) -> list[QualityRow]:
    """Stream the used part through the checks and into the pressure file; quality rows of all used channels."""
    if not used:
        return []
    index = [u.channel.channel - 1 for u in used]
    whole = index == list(range(recording.channels))
    factors = np.array([u.pa_per_unit for u in used], dtype=np.float32)[:, None]
    checks = stream_checks(needs.quality, needs.mains_hz, [u.pa_per_unit for u in used], recording)
    impossible = np.float32(impossible_sample_pa(needs.quality))
    waiting, count = np.empty((len(used), WRITE_FRAMES), dtype=np.float32), 0
    for block in recording.blocks(part.start, part.stop):
        samples = block if whole else block[index]
        checks.add(samples)
        frames = samples.shape[1]
        if count + frames > WRITE_FRAMES:
            writer.write(waiting[:, :count])
            count = 0
        pascal = np.multiply(samples, factors, out=waiting[:, count : count + frames])
        if not (pascal.max() <= impossible and pascal.min() >= -impossible):
            # No number, as no pressure: nothing downstream then makes a level of it.
            pascal[np.abs(pascal) > impossible] = np.nan
        count += frames
    if count:
        writer.write(waiting[:, :count])
    checks.finish()
    measures = channel_measures(
        [u.channel.position for u in used],
        [abs(u.pa_per_unit) for u in used],
        [1.0 if recording.bits or u.channel.full_scale_v else None for u in used],
        recording,
        part.frames,
        checks,
        needs.quality.same_signal_correlation,
    )
    return [
        _measured_row(needs, recording, u, m, float(mean))
        for u, m, mean in zip(used, measures, checks.moments.mean, strict=True)
    ]


def _measured_row(
    needs: PressureNeeds, recording: Recording, used: UsedChannel, m: ChannelMeasures, mean: float
) -> QualityRow:
    limits = verdict_limits(needs.quality, needs.mains_hz)
    row = _row(needs, used.channel, judge(m, limits))
    return row | measured_columns(recording, m, limits, used.pa_per_unit, mean, row["reasons"])


def _row(needs: PressureNeeds, channel: Channel, findings: list[Finding]) -> QualityRow:
    codes = [finding.code for finding in findings]
    return {
        "run": needs.source.run,
        "session": needs.session,
        "position": channel.position,
        "channel": channel.channel,
        "verdict": worst(codes),
        "reasons": codes,
        "sentences": [finding.sentence for finding in findings],
        "hum_hz": [],
    }
