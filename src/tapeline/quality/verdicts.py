"""From measured numbers to reasons and sentences, channel by channel."""

from __future__ import annotations

from dataclasses import dataclass

from tapeline.acoustics.sample_checks import RunTally

LIMITING_PLACES = 3
"""Below full scale one flat top may be chance; so many at the very same value are not (own choice)."""

LEAST_STEPS_FOR_LIMITING = 64.0
"""Peaks of fewer converter steps repeat values by nature (own choice)."""

LONG_DROPOUT_SHARE = 0.01
"""Up to this share of the time dropouts leave the level within 0.05 dB; beyond it the run is lost (common practice)."""

DEAD_STEPS = 0.5
"""A standard deviation below half a converter step is no signal (own choice)."""

FULL_SCALE_SLACK_STEPS = 1.5
"""Converters that clip one step below their end still count as at full scale."""


@dataclass(frozen=True)
class ChannelMeasures:
    """What was counted on one channel of a run; samples in units of the recording (full scale 1 for integers)."""

    position: str
    sample_rate_hz: float
    frames: int
    bits: int | None
    full_scale: float | None
    bad_samples: int
    standard_deviation: float
    minimum: float
    maximum: float
    rms_pa: float
    high: RunTally
    low: RunTally
    repeated: RunTally


@dataclass(frozen=True)
class Finding:
    """One reason code with its sentence."""

    code: str
    sentence: str


def judge(m: ChannelMeasures, dead_level_pa: float) -> list[Finding]:
    """Reasons to doubt a channel; none means good."""
    if m.bad_samples:
        return [Finding("not-finite", f"position {m.position}: {m.bad_samples} samples are no finite numbers")]
    step = 2.0 ** (1 - m.bits) if m.bits else 0.0
    if m.standard_deviation <= DEAD_STEPS * step or m.rms_pa < dead_level_pa:
        return [Finding("dead", f"position {m.position} shows no signal: {m.rms_pa:.2g} Pa rms")]
    return [*_overload(m, step), *_dropouts(m)]


def _overload(m: ChannelMeasures, step: float) -> list[Finding]:
    end = m.full_scale - FULL_SCALE_SLACK_STEPS * step if m.full_scale else None
    at_end = [
        t for t, peak in ((m.high, m.maximum), (m.low, -m.minimum)) if end is not None and peak >= end and t.places
    ]
    if at_end:
        return [Finding("overload", _places(m, at_end, "overloaded"))]
    largest = max(m.maximum, -m.minimum)
    below = [t for t in (m.high, m.low) if t.places >= LIMITING_PLACES]
    if below and (step == 0.0 or largest >= LEAST_STEPS_FOR_LIMITING * step):
        return [Finding("limiting", _places(m, below, "limited below full scale"))]
    return []


def _places(m: ChannelMeasures, tallies: list[RunTally], word: str) -> str:
    seconds = sum(t.frames for t in tallies) / m.sample_rate_hz
    places = sum(t.places for t in tallies)
    first = min(t.first_frame for t in tallies if t.first_frame is not None) / m.sample_rate_hz
    return f"position {m.position} {word} for {1000 * seconds:.1f} ms in {places} places, first at {first:.3f} s"


def _dropouts(m: ChannelMeasures) -> list[Finding]:
    if not m.repeated.places or m.repeated.first_frame is None:
        return []
    seconds, first = m.repeated.frames / m.sample_rate_hz, m.repeated.first_frame / m.sample_rate_hz
    code = "dropout-long" if m.repeated.frames > LONG_DROPOUT_SHARE * m.frames else "dropout"
    places = f"{m.repeated.places} place{'s' if m.repeated.places > 1 else ''}"
    return [
        Finding(
            code, f"position {m.position} stood still for {1000 * seconds:.1f} ms in {places}, first at {first:.3f} s"
        )
    ]
