"""Rows of the quality table: what one pass over a recording's samples says of each of its channels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapeline.campaign.plan import Channel
from tapeline.jobs.pressure.calibrated_recording import CalibratedRecording
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.channel_quality import channel_measures, measured_columns, stream_checks, verdict_limits
from tapeline.quality.reasons import worst
from tapeline.quality.verdicts import Finding, judge
from tapeline.recordings.recording import RecordingError

if TYPE_CHECKING:
    from tapeline.store.rows import QualityRow


def judged_rows(needs: SpectraNeeds, source: CalibratedRecording) -> list[QualityRow]:
    """A row a channel, those without a sensitivity first; raises RecordingError as the recording's reader does."""
    rows = [
        _row(needs, channel, [source.without[channel.position]])
        for channel in needs.pressure.channels
        if channel.position in source.without
    ]
    if not source.used:
        return rows
    recording = source.recording
    checks = stream_checks(needs.quality, needs.mains_hz, source.factors, recording)
    for samples in source.samples():
        checks.add(samples)
    checks.finish()
    measures = channel_measures(
        source.positions,
        [abs(factor) for factor in source.factors],
        [1.0 if recording.bits or u.channel.full_scale_v else None for u in source.used],
        recording,
        source.part.frames,
        checks,
        needs.quality.same_signal_correlation,
    )
    limits = verdict_limits(needs.quality, needs.mains_hz)
    for used, m, mean in zip(source.used, measures, checks.moments.mean, strict=True):
        row = _row(needs, used.channel, judge(m, limits))
        rows.append(row | measured_columns(recording, m, limits, used.pa_per_unit, float(mean), row["reasons"]))
    return rows


def faulty_rows(needs: SpectraNeeds, error: RecordingError) -> list[QualityRow]:
    """A row a channel of a recording that cannot be used."""
    fault = Finding(error.code, f"run {needs.run}: {error.sentence}")
    return [_row(needs, channel, [fault]) for channel in needs.pressure.channels]


def _row(needs: SpectraNeeds, channel: Channel, findings: Sequence[Finding]) -> QualityRow:
    codes = [finding.code for finding in findings]
    return {
        "run": needs.run,
        "session": needs.pressure.session,
        "position": channel.position,
        "channel": channel.channel,
        "verdict": worst(codes),
        "reasons": codes,
        "sentences": [finding.sentence for finding in findings],
        "hum_hz": [],
    }
