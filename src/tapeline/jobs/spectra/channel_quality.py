"""From the streamed checks of one recording to the measures that verdicts rest on, and to the table's columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.stationarity import change_over, level_trend, without_common
from tapeline.acoustics.stream_checks import StreamChecks, StreamLimits
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.pressure.calibrated_recording import impossible_sample_pa
from tapeline.jobs.spectra import StreamQuality
from tapeline.limits import DROPOUT_AT_LEAST_SAMPLES
from tapeline.quality.verdicts import ChannelMeasures, VerdictLimits, clipped, limited, share_pct, strong_mains_lines
from tapeline.recordings.recording import Recording

if TYPE_CHECKING:
    from tapeline.store.rows import QualityRow


def stream_checks(
    quality: StreamQuality, mains_hz: float, pa_per_unit: Sequence[float], recording: Recording
) -> StreamChecks:
    """The checks for one recording, ready to take in samples of as many channels as have a `pa_per_unit`."""
    rate = recording.sample_rate_hz
    repeated = max(DROPOUT_AT_LEAST_SAMPLES, round(quality.dropout_s * rate))
    limits = StreamLimits(quality.overload_run_samples, repeated, quality.spike_ratio, mains_hz)
    largest = impossible_sample_pa(quality.impossible_pa) / np.abs(np.asarray(pa_per_unit, dtype=np.float64))
    return StreamChecks(len(pa_per_unit), rate, recording.bits, limits, largest)


def verdict_limits(quality: StreamQuality, mains_hz: float) -> VerdictLimits:
    """The limits of the verdicts on one run."""
    return VerdictLimits(
        dead_level_pa=quality.dead_level_pa,
        impossible_pa=quality.impossible_pa,
        overload_share_pct=quality.overload_share_pct,
        spike_places=quality.spike_places,
        spike_rate_per_s=quality.spike_rate_per_s,
        offset_limit=quality.offset_limit,
        trend_limit_db=quality.trend_limit_db,
        hum_limit_db=quality.hum_limit_db,
        kurtosis_limit=quality.kurtosis_limit,
        skewness_limit=quality.skewness_limit,
        mains_hz=mains_hz,
    )


def channel_measures(
    positions: Sequence[str],
    pa_per_unit: Sequence[float],
    full_scales: Sequence[float | None],
    recording: Recording,
    frames: int,
    checks: StreamChecks,
    same_signal_correlation: float,
) -> list[ChannelMeasures]:
    """The measures of every channel after the last samples are in."""
    moments = checks.moments
    deviations = moments.standard_deviation
    powers = checks.powers.segments()
    offset = change_over(checks.offsets.segments())
    whole, own = level_trend(powers), level_trend(without_common(powers))
    hum = checks.hum.excess_db()
    alike = np.abs(checks.likeness.correlation()) >= same_signal_correlation
    bits = checks.bits.used() if checks.bits is not None else None
    rms_step = checks.changes.rms_step
    return [
        ChannelMeasures(
            position=position,
            sample_rate_hz=recording.sample_rate_hz,
            frames=frames,
            bits=recording.bits,
            full_scale=full_scales[i],
            nonfinite_samples=int(moments.bad[i]),
            impossible_samples=int(moments.beyond[i]),
            standard_deviation=float(deviations[i]),
            minimum=float(moments.minimum[i]),
            maximum=float(moments.maximum[i]),
            rms_pa=float(deviations[i]) * pa_per_unit[i],
            high=checks.extremes.high[i],
            low=checks.extremes.low[i],
            repeated=checks.repeated.tallies[i],
            rms_step=float(rms_step[i]),
            spikes=checks.changes.tallies[i],
            skewness=float(moments.skewness[i]),
            kurtosis=float(moments.kurtosis[i]),
            bits_used=None if bits is None else int(bits[i]),
            trend_db=_number(whole.change_db, i),
            trend_error_db=_number(whole.standard_error_db, i),
            reverse_arrangements_z=_number(whole.reverse_arrangements_z, i),
            relative_trend_db=_number(own.change_db, i),
            relative_trend_error_db=_number(own.standard_error_db, i),
            offset_change=_number(offset, i),
            hum_db=tuple(hum[i].tolist()),
            same_as=tuple(positions[j] for j in np.flatnonzero(alike[i]).tolist() if j != i),
        )
        for i, position in enumerate(positions)
    ]


def _number(values: Reals, index: int) -> float:
    return float(values[index]) if values.size else math.nan


def measured_columns(
    recording: Recording,
    m: ChannelMeasures,
    limits: VerdictLimits,
    pa_per_unit: float,
    mean: float,
    reasons: Sequence[str],
) -> QualityRow:
    """The numbers of the quality table behind the verdict on one channel; `mean` in units of the recording."""
    cut = {
        "overload": clipped,
        "overload-brief": clipped,
        "at-full-scale": clipped,
        "limiting": limited,
        "limiting-brief": limited,
    }
    overload = next((tallies(m) for code, tallies in cut.items() if code in reasons), [])
    sized = "impossible-level" not in reasons
    largest = max(m.maximum - mean, mean - m.minimum)
    first = [t.first_frame for t in overload if t.first_frame is not None]
    peak = max(m.maximum, -m.minimum)
    known_hum = [value for value in m.hum_db if math.isfinite(value)]
    rate = m.sample_rate_hz
    return {
        "sample_rate_hz": rate,
        "duration_s": m.frames / rate,
        "frames": m.frames,
        "declared_frames": recording.declared_frames,
        "mean_pa": mean * pa_per_unit if sized else None,
        "rms_pa": m.rms_pa if sized else None,
        "rms_frequency_hz": m.rms_frequency_hz if sized else None,
        "peak_pa": largest * abs(pa_per_unit) if sized else None,
        "range_use_db": 20.0 * math.log10(peak / m.full_scale) if m.full_scale and peak > 0.0 else None,
        "overload_s": sum(t.frames for t in overload) / rate,
        "overload_count": sum(t.places for t in overload),
        "overload_first_s": min(first) / rate if first else None,
        "overload_share_pct": share_pct(m, overload),
        "dropout_s": m.repeated.frames / rate,
        "dropout_count": m.repeated.places,
        "dropout_first_s": None if m.repeated.first_frame is None else m.repeated.first_frame / rate,
        "nonfinite_samples": m.nonfinite_samples,
        "impossible_samples": m.impossible_samples,
        "crest_factor": largest / m.standard_deviation if m.standard_deviation > 0.0 else None,
        "skewness": m.skewness,
        "kurtosis": m.kurtosis,
        "bits_used": m.bits_used,
        "spike_count": m.spikes.places,
        "spike_times_s": [frame / rate for frame in m.spikes.frames],
        "spike_first_s": None if m.spikes.first_frame is None else m.spikes.first_frame / rate,
        "trend_db": finite_or_none(m.trend_db),
        "trend_error_db": finite_or_none(m.trend_error_db),
        "reverse_arrangements_z": finite_or_none(m.reverse_arrangements_z),
        "relative_trend_db": finite_or_none(m.relative_trend_db),
        "offset_change_pa": finite_or_none(m.offset_change * pa_per_unit),
        "hum_db": max(known_hum) if known_hum else None,
        "hum_hz": [order * limits.mains_hz for order in strong_mains_lines(m, limits)],
    }
