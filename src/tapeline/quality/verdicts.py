"""From measured numbers of one run to reasons and sentences, channel by channel."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.acoustics.clipping import clipping_bias
from tapeline.acoustics.sample_checks import RunTally
from tapeline.acoustics.spikes import SpikeTally
from tapeline.limits import (
    CLIPPED_SINGLE_SAMPLES,
    COARSE_CONVERTER_STEPS,
    DEAD_CONVERTER_STEPS,
    DOUBTED_AT_LEAST_SPIKES,
    DROPOUT_CONVERTER_STEPS,
    FULL_SCALE_SLACK_CONVERTER_STEPS,
    IMPOSSIBLE_SAMPLE_RATIO,
    LIMITING_CONVERTER_STEPS,
    LIMITING_FLAT_TOPS,
    LONG_DROPOUT_TIME_SHARE,
    MAINS_SINGLE_LINE_HARMONICS,
    ROUND_CREST_SHARE,
    TREND_STANDARD_ERRORS,
    WHOLE_TREND_RATIO,
)


@dataclass(frozen=True)
class ChannelMeasures:
    """What was counted on one channel of a run; samples in units of the recording (full scale 1 for integers)."""

    position: str
    sample_rate_hz: float
    frames: int
    bits: int | None
    full_scale: float | None
    nonfinite_samples: int
    impossible_samples: int
    standard_deviation: float
    minimum: float
    maximum: float
    rms_pa: float
    high: RunTally
    low: RunTally
    repeated: RunTally
    rms_step: float
    spikes: SpikeTally
    skewness: float
    kurtosis: float
    bits_used: int | None
    trend_db: float
    trend_error_db: float
    reverse_arrangements_z: float
    relative_trend_db: float
    relative_trend_error_db: float
    offset_change: float
    hum_db: tuple[float, ...]
    same_as: tuple[str, ...]

    @property
    def step(self) -> float:
        """One converter step as really used, 0 for floats."""
        return 2.0 ** (1 - (self.bits_used or self.bits)) if self.bits else 0.0

    @property
    def rms_frequency_hz(self) -> float | None:
        """Root-mean-square frequency of the spectrum, from the rms step between samples; None without a signal.

        A sine of frequency f has steps of 2 sin(pi f / rate) times its rms.
        """
        if not self.standard_deviation > 0.0:
            return None
        half_step = min(self.rms_step / (2.0 * self.standard_deviation), 1.0)
        return self.sample_rate_hz * math.asin(half_step) / math.pi


@dataclass(frozen=True)
class VerdictLimits:
    """From where on a channel is doubted; see the section `quality` of the settings."""

    dead_level_pa: float
    impossible_pa: float
    overload_share_pct: float
    spike_places: int
    spike_rate_per_s: float
    trend_limit_db: float
    offset_limit: float
    hum_limit_db: float
    kurtosis_limit: float
    skewness_limit: float
    mains_hz: float


@dataclass(frozen=True)
class Finding:
    """One reason code with its sentence."""

    code: str
    sentence: str


def judge(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    """Reasons to doubt a channel; none means good."""
    if m.nonfinite_samples:
        words = (
            "1 sample is no finite number"
            if m.nonfinite_samples == 1
            else f"{m.nonfinite_samples} samples are no finite numbers"
        )
        return [Finding("not-finite", f"position {m.position}: {words}")]
    if m.impossible_samples or not m.rms_pa <= limits.impossible_pa:
        return [Finding("impossible-level", _impossible(m, limits))]
    if m.standard_deviation <= DEAD_CONVERTER_STEPS * m.step or m.rms_pa < limits.dead_level_pa:
        return [Finding("dead", f"position {m.position} shows no signal: {m.rms_pa:.2g} Pa rms")]
    overload, dropouts = _overload(m, limits), _dropouts(m)
    # Cut crests and restarts after dropouts jump and spread oddly too; they have their name already.
    named = bool(overload or dropouts)
    return [
        *(overload or _at_full_scale(m)),
        *dropouts,
        *([] if named else _spikes(m, limits)),
        *_same(m),
        *_hum(m, limits),
        *_trend(m, limits),
        *_offset(m, limits),
        *([] if named else _shape(m, limits)),
        *_resolution(m),
    ]


def _impossible(m: ChannelMeasures, limits: VerdictLimits) -> str:
    if m.impossible_samples:
        most = IMPOSSIBLE_SAMPLE_RATIO * limits.impossible_pa
        words = "1 sample lies" if m.impossible_samples == 1 else f"{m.impossible_samples} samples lie"
        words = f"{words} beyond {most:.3g} Pa"
    else:
        words = f"{m.rms_pa:.3g} Pa rms, more than the {limits.impossible_pa:.3g} Pa that a sound pressure can have"
    return f"position {m.position}: {words}: check gain, full scale, sensitivity and the recorder's export"


def clipped(m: ChannelMeasures) -> list[RunTally]:
    """Samples at the ends of the recorder's range that the channel reaches."""
    end = m.full_scale - FULL_SCALE_SLACK_CONVERTER_STEPS * m.step if m.full_scale else math.inf
    return [t for t, peak in ((m.high, m.maximum), (m.low, -m.minimum)) if peak >= end]


def limited(m: ChannelMeasures) -> list[RunTally]:
    """Samples at flat tops below the ends of the range."""
    if m.step and max(m.maximum, -m.minimum) < LIMITING_CONVERTER_STEPS * m.step:
        return []
    return [t for t in (m.high, m.low) if t.places >= LIMITING_FLAT_TOPS and t.beside <= ROUND_CREST_SHARE * t.at]


def share_pct(m: ChannelMeasures, tallies: Sequence[RunTally]) -> float:
    """Share of the channel's samples at the value of some tallies, in %."""
    return 100.0 * sum(t.at for t in tallies) / m.frames


def _overload(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    at_end = clipped(m)
    flat = any(t.places for t in at_end)
    many = share_pct(m, at_end) >= limits.overload_share_pct
    # Single samples at the end far from their neighbours are spikes: the crests of a signal do not jump.
    crests = sum(t.at for t in at_end) >= CLIPPED_SINGLE_SAMPLES and not _spikes(m, limits)
    if many and (flat or crests):
        return [Finding("overload", _cut(m, at_end, "overloaded"))]
    if flat:
        return [Finding("overload-brief", _cut(m, at_end, "overloaded"))]
    below = limited(m)
    if below:
        code = "limiting" if share_pct(m, below) >= limits.overload_share_pct else "limiting-brief"
        return [Finding(code, _cut(m, below, "limited below full scale"))]
    return []


def _at_full_scale(m: ChannelMeasures) -> list[Finding]:
    count = sum(t.at for t in clipped(m))
    if not count:
        return []
    words = "1 sample is" if count == 1 else f"{count} single samples are"
    return [Finding("at-full-scale", f"position {m.position}: {words} at full scale")]


def _cut(m: ChannelMeasures, tallies: Sequence[RunTally], word: str) -> str:
    """Where crests are cut, how many of the samples, and what it does to levels at most."""
    where = f"at {sum(t.at for t in tallies)} single samples"
    firsts = [t.first_frame for t in tallies if t.first_frame is not None]
    if firsts:
        seconds = sum(t.frames for t in tallies) / m.sample_rate_hz
        places = _counted(sum(t.places for t in tallies))
        where = f"for {1000 * seconds:.1f} ms in {places}, first at {min(firsts) / m.sample_rate_hz:.3f} s"
    bias = clipping_bias([share_pct(m, [t]) / 100.0 for t in tallies])
    return (
        f"position {m.position} {word} {where}: {share_pct(m, tallies):.2g} % of the samples; bias "
        f"{bias.level_db:.2g} dB in level, up to {bias.weak_band_db:.1f} dB in weak bands"
    )


def _counted(places: int) -> str:
    return "1 place" if places == 1 else f"{places} places"


def _dropouts(m: ChannelMeasures) -> list[Finding]:
    if not m.repeated.places or m.repeated.first_frame is None:
        return []
    if m.rms_step < DROPOUT_CONVERTER_STEPS * m.step:
        return []
    seconds, first = m.repeated.frames / m.sample_rate_hz, m.repeated.first_frame / m.sample_rate_hz
    code = "dropout-long" if m.repeated.frames > LONG_DROPOUT_TIME_SHARE * m.frames else "dropout"
    where = f"in {_counted(m.repeated.places)}, first at {first:.3f} s"
    return [Finding(code, f"position {m.position} stood still for {1000 * seconds:.1f} ms {where}")]


def _spikes(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    many = max(DOUBTED_AT_LEAST_SPIKES, limits.spike_rate_per_s * m.frames / m.sample_rate_hz)
    few = m.spikes.strong < limits.spike_places and m.spikes.places < many
    if few or m.spikes.first_frame is None:
        return []
    first = m.spikes.first_frame / m.sample_rate_hz
    words = f"jumps in {_counted(m.spikes.places)}, up to {m.spikes.largest:.0f} times its usual step"
    return [Finding("spikes", f"position {m.position} {words}, first at {first:.3f} s: a contact may be loose")]


def _same(m: ChannelMeasures) -> list[Finding]:
    if not m.same_as:
        return []
    others = ", ".join(m.same_as)
    return [Finding("same-signal", f"position {m.position} carries the same signal as {others}")]


def strong_mains_lines(m: ChannelMeasures, limits: VerdictLimits) -> list[int]:
    """Multiples of the mains frequency that stand out, from 1; empty where there is no hum."""
    strong = [order for order, excess in enumerate(m.hum_db, 1) if excess >= limits.hum_limit_db]
    return [] if len(strong) == 1 and strong[0] > MAINS_SINGLE_LINE_HARMONICS else strong


def _hum(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    strong = strong_mains_lines(m, limits)
    if not strong:
        return []
    lines = ", ".join(f"{order * limits.mains_hz:g}" for order in strong)
    most = max(m.hum_db[order - 1] for order in strong)
    return [Finding("hum", f"position {m.position}: mains hum at {lines} Hz, up to {most:.0f} dB above what is around")]


def _trend(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    minutes = m.frames / m.sample_rate_hz / 60.0
    per_minute = f"({m.trend_db / minutes:+.1f} dB/min)"
    if abs(m.relative_trend_db) >= max(limits.trend_limit_db, TREND_STANDARD_ERRORS * m.relative_trend_error_db):
        words = (
            f"its level changes by {m.relative_trend_db:+.1f} dB over the run against the other channels {per_minute}"
        )
        return [Finding("unsteady", f"position {m.position}: {words}")]
    if abs(m.trend_db) >= max(WHOLE_TREND_RATIO * limits.trend_limit_db, TREND_STANDARD_ERRORS * m.trend_error_db):
        words = f"its level changes by {m.trend_db:+.1f} dB over the run {per_minute}"
        return [Finding("unsteady", f"position {m.position}: {words}")]
    return []


def _offset(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    if not abs(m.offset_change) >= limits.offset_limit * m.standard_deviation:
        return []
    words = f"its mean moves by {abs(m.offset_change) / m.standard_deviation:.1f} times its rms over the run"
    return [
        Finding("drifting-offset", f"position {m.position}: {words}: look for moisture and for a warming conditioner")
    ]


def _shape(m: ChannelMeasures, limits: VerdictLimits) -> list[Finding]:
    found = []
    if m.kurtosis >= limits.kurtosis_limit:
        found.append(f"kurtosis {m.kurtosis:.1f}")
    if abs(m.skewness) >= limits.skewness_limit:
        found.append(f"skewness {m.skewness:+.1f}")
    words = "outside what wall pressure shows"
    return [Finding("unusual-distribution", f"position {m.position}: {' and '.join(found)}, {words}")] if found else []


def _resolution(m: ChannelMeasures) -> list[Finding]:
    found = []
    if m.bits and m.bits_used is not None and m.bits_used < m.bits:
        found.append(Finding("unused-bits", f"position {m.position}: {m.bits_used} of {m.bits} bits are used"))
    if m.bits and m.standard_deviation < COARSE_CONVERTER_STEPS * m.step:
        steps = m.standard_deviation / m.step
        found.append(Finding("coarse-steps", f"position {m.position}: its rms is {steps:.1f} converter steps"))
    return found
