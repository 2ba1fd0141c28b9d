"""Step `pressure`: one recording to pascal, and verdicts on its channels from the same pass."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.acoustics.levels import gain_from_db
from tapeline.acoustics.sample_checks import ExtremeRuns, Moments, RepeatedRuns
from tapeline.campaign.plan import Plan
from tapeline.campaign.slices import Channel, PressureNeeds
from tapeline.quality.reasons import worst
from tapeline.quality.verdicts import ChannelMeasures, Finding, judge
from tapeline.recordings.recording import Part, Recording, RecordingError
from tapeline.steps import places
from tapeline.steps.sensitivity import sensitivities
from tapeline.steps.sources import content_hashes, open_source
from tapeline.store import arrow_file, parquet, tables

STRICT_VARIABLE = "TAPELINE_STRICT"
"""Environment variable by which a faulty recording fails its job at once."""

WRITE_FRAMES = 65_536
SHORTEST_REPEATED_RUN = 16


class FaultyRecordingError(Exception):
    """A recording with a fault, in a run that asked to stop at the first one."""


@dataclass(frozen=True)
class UsedChannel:
    """One channel on its way to pascal: factor from units of the recording to Pa."""

    channel: Channel
    pa_per_unit: float


def run(plan: Plan, run_name: str) -> None:
    """Write the run's pressure file and quality table; a faulty recording gives an empty file and a named fault."""
    needs = plan.pressure_needs(run_name)
    results, digest = plan.campaign.results, plan.digest("pressure", run_name)
    found = sensitivities(
        places.checks(results, needs.session), needs.channels, needs.policy, needs.chart_uncertainty_db
    )
    metadata = {"tapeline.campaign": needs.campaign, "tapeline.run": run_name, "tapeline.made_from": digest}
    path = places.pressure(results, run_name)
    try:
        recording, part = open_source(plan.campaign.root, needs.source)
        used, rows = _usable_channels(needs, recording, found)
        with arrow_file.writing(path, [u.channel.position for u in used], recording.sample_rate_hz, metadata) as writer:
            rows += _convert(needs, recording, part, used, writer)
    except RecordingError as error:
        if os.environ.get(STRICT_VARIABLE):
            raise FaultyRecordingError(f"run {run_name}: {error.code}: {error.sentence}") from error
        with arrow_file.writing(path, [], 0.0, metadata):
            pass
        fault = Finding(error.code, f"run {run_name}: {error.sentence}")
        rows = [_row(needs, channel, [fault]) for channel in needs.channels]
    hashes = content_hashes(plan.campaign.root, needs.source)
    rows = [row | {"recording_sha256": hashes} for row in rows]
    parquet.write_rows(tables.QUALITY, places.quality(results, run_name), rows, campaign=needs.campaign, digest=digest)


def _usable_channels(
    needs: PressureNeeds, recording: Recording, found: dict[str, float]
) -> tuple[list[UsedChannel], list[dict[str, Any]]]:
    """Channels that can be converted, and quality rows for those that cannot."""
    used, rows = [], []
    for channel in needs.channels:
        where = f"position {channel.position}, channel {channel.channel}"
        if channel.channel > recording.channels:
            sentence = f"{where}: the recording has {recording.channels} channels"
            rows.append(_row(needs, channel, [Finding("channel-missing", sentence)]))
        elif channel.position not in found:
            sentence = f"{where}: sensor {channel.sensor} has neither a usable check nor a stated sensitivity"
            rows.append(_row(needs, channel, [Finding("no-sensitivity", sentence)]))
        elif channel.full_scale_v is None and recording.bits is not None and channel.unit == "V":
            sentence = f"{where}: {recording.bits}-bit samples need full_scale_v in the fittings table"
            rows.append(_row(needs, channel, [Finding("full-scale-unknown", sentence)]))
        else:
            used.append(UsedChannel(channel, _pa_per_unit(needs, channel, found[channel.position])))
    return used, rows


def _pa_per_unit(needs: PressureNeeds, channel: Channel, sensitivity_v_per_pa: float) -> float:
    scale = channel.full_scale_v or 1.0
    if channel.unit != "V":
        return scale * channel.polarity
    gain_db = needs.source.gain_db if needs.source.gain_db is not None else channel.gain_db
    return scale * channel.polarity / (sensitivity_v_per_pa * float(gain_from_db(gain_db)))


def _convert(
    needs: PressureNeeds,
    recording: Recording,
    part: Part,
    used: list[UsedChannel],
    writer: arrow_file.PressureWriter,
) -> list[dict[str, Any]]:
    """Stream the used part through the checks and into the pressure file; quality rows of all used channels."""
    if not used:
        return []
    index = [u.channel.channel - 1 for u in used]
    factors = np.array([u.pa_per_unit for u in used], dtype=np.float32)[:, None]
    rate = recording.sample_rate_hz
    moments = Moments(len(used))
    extremes = ExtremeRuns(len(used), needs.quality.overload_run_samples)
    repeated = RepeatedRuns(len(used), max(SHORTEST_REPEATED_RUN, round(needs.quality.dropout_s * rate)))
    waiting: list[arrow_file.Samples] = []
    for block in recording.blocks(part.start, part.stop):
        samples = block[index]
        moments.add(samples)
        extremes.add(samples)
        repeated.add(samples)
        waiting.append(samples * factors)
        if sum(held.shape[1] for held in waiting) >= WRITE_FRAMES:
            writer.write(np.concatenate(waiting, axis=1))
            waiting = []
    if waiting:
        writer.write(np.concatenate(waiting, axis=1))
    return [
        _measured_row(
            needs, recording, part, u, _measures(recording, part, u, i, moments, extremes, repeated), moments.mean[i]
        )
        for i, u in enumerate(used)
    ]


def _measures(
    recording: Recording,
    part: Part,
    used: UsedChannel,
    i: int,
    moments: Moments,
    extremes: ExtremeRuns,
    repeated: RepeatedRuns,
) -> ChannelMeasures:
    full_scale = 1.0 if recording.bits or used.channel.full_scale_v else None
    deviation = float(moments.standard_deviation[i])
    return ChannelMeasures(
        position=used.channel.position,
        sample_rate_hz=recording.sample_rate_hz,
        frames=part.frames,
        bits=recording.bits,
        full_scale=full_scale,
        bad_samples=int(moments.bad[i]),
        standard_deviation=deviation,
        minimum=float(moments.minimum[i]),
        maximum=float(moments.maximum[i]),
        rms_pa=deviation * abs(used.pa_per_unit),
        high=extremes.high[i],
        low=extremes.low[i],
        repeated=repeated.tallies[i],
    )


def _measured_row(
    needs: PressureNeeds, recording: Recording, part: Part, used: UsedChannel, m: ChannelMeasures, mean: float
) -> dict[str, Any]:
    findings = judge(m, needs.quality.dead_level_pa)
    codes = {finding.code for finding in findings}
    overload = [m.high, m.low] if codes & {"overload", "limiting"} else []
    largest = max(m.maximum - mean, mean - m.minimum)
    first = [t.first_frame for t in overload if t.first_frame is not None]
    peak = max(m.maximum, -m.minimum)
    row = _row(needs, used.channel, findings)
    row |= {
        "sample_rate_hz": m.sample_rate_hz,
        "duration_s": part.frames / m.sample_rate_hz,
        "frames": part.frames,
        "declared_frames": recording.declared_frames,
        "mean_pa": mean * used.pa_per_unit,
        "rms_pa": m.rms_pa,
        "peak_pa": largest * abs(used.pa_per_unit),
        "range_use_db": 20.0 * float(np.log10(peak / m.full_scale)) if m.full_scale and peak > 0.0 else None,
        "overload_s": sum(t.frames for t in overload) / m.sample_rate_hz,
        "overload_places": sum(t.places for t in overload),
        "overload_first_s": min(first) / m.sample_rate_hz if first else None,
        "dropout_s": m.repeated.frames / m.sample_rate_hz,
        "dropout_places": m.repeated.places,
        "dropout_first_s": None if m.repeated.first_frame is None else m.repeated.first_frame / m.sample_rate_hz,
        "bad_samples": m.bad_samples,
    }
    return row


def _row(needs: PressureNeeds, channel: Channel, findings: list[Finding]) -> dict[str, Any]:
    codes = [finding.code for finding in findings]
    return {
        "run": needs.source.run,
        "session": needs.session,
        "position": channel.position,
        "channel": channel.channel,
        "verdict": worst(codes),
        "reasons": codes,
        "sentences": [finding.sentence for finding in findings],
    }
