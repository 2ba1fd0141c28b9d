"""One calibrator recording: who was rung when, and the measured tone of every ring."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.acoustics.levels import gain_from_db, power_pa2
from tapeline.acoustics.response import response_db
from tapeline.acoustics.sine_fit import fit_sine
from tapeline.acoustics.uncertainty import Term, combined
from tapeline.calibration.level_at_sensor import CalibratorPapers, LevelAtSensor, LevelDefaults, level_at_sensor
from tapeline.calibration.measured_tone import (
    MeasuredTone,
    ToneLimits,
    length_refusal,
    measure_tone,
    tone_refusals,
)
from tapeline.calibration.ring_order import doubts_of_order
from tapeline.calibration.rings import Ring, rings_in
from tapeline.calibration.tone import Reals, SteadyPart, ToneTrack
from tapeline.campaign.slices import CalibrateNeeds, CalibratorCheck, Channel, picked
from tapeline.recordings.recording import Part, Recording
from tapeline.steps.scaling import gain_db, volts_per_unit
from tapeline.steps.term_columns import term_columns

UNSTATED_SENSITIVITY_V_PER_PA = 0.01
"""Stands in for a sensor without a stated sensitivity when its tone is looked for, with a wide search."""

NEAR_DB, WIDE_DB = 12.0, 60.0
"""How far a tone may be from what the tables let expect, and how far where nothing is known or found (own choice)."""

USUAL_FREQUENCIES_HZ = (250.0, 1000.0)
"""Tones of most calibrators (IEC 60942, public texts): looked for where the stated one is missing."""

OTHER_TONE_PCT = 5.0
"""Calibrators whose frequencies are nearer than this are not told apart by them (own choice)."""

LONGEST_MEASURED_S = 10.0
"""A longer steady part is measured in its middle: ten seconds fix level and frequency, and memory stays small."""


@dataclass(frozen=True)
class Heard:
    """One recording as opened, with the channels that it has."""

    recording: Recording
    part: Part
    channels: Sequence[Channel]
    check: CalibratorCheck
    needs: CalibrateNeeds

    @property
    def rate_hz(self) -> float:
        return self.recording.sample_rate_hz


def rows_of_recording(
    needs: CalibrateNeeds, check: CalibratorCheck, channels: Sequence[Channel], recording: Recording, part: Part
) -> list[dict[str, Any]]:
    """Rows of the checks table: every channel that was rung or should have been, all where nothing was heard."""
    length = {"sample_rate_hz": recording.sample_rate_hz, "duration_s": part.frames / recording.sample_rate_hz}
    heard = Heard(recording, part, [c for c in channels if c.channel <= recording.channels], check, needs)
    rings, level_off = _rings(heard) if heard.channels else ([], set())
    rows = {c.position: row for c in heard.channels if (row := _best_row(heard, c, rings)) is not None}
    for position in level_off & rows.keys():
        doubt(rows[position], "level-off", _level_off_words(heard, rows[position]))
    expected = [c for c in channels if not check.positions or c.position in check.positions]
    unheard = [c for c in expected if c.position not in rows] if check.positions or not rows else []
    other = _other_tones(heard, [c for c in unheard if c in heard.channels])
    for channel in channels:
        if channel not in heard.channels:
            row = rows[channel.position] = empty_row(needs, check, channel)
            words = f"it is on channel {channel.channel} of {recording.channels}"
            doubt(row, "channel-missing", words)
    for channel in unheard:
        if channel.position not in rows:
            row = rows[channel.position] = empty_row(needs, check, channel)
            doubt(row, "no-tone", f"no steady tone near {check.frequency_hz:g} Hz")
            if channel.position in other:
                doubt(row, "wrong-tone", other[channel.position])
    sequence = [heard.channels[ring.channel].position for ring in rings]
    for found in doubts_of_order(sequence, check.positions):
        if found.position in rows:
            rows[found.position]["reasons"].append(found.code)
            rows[found.position]["sentences"].append(found.sentence)
    return [row | length for row in rows.values()]


def doubt(row: dict[str, Any], code: str, words: str) -> None:
    """Add a reason and its sentence to a row."""
    row["reasons"].append(code)
    row["sentences"].append(f"position {row['position']}: {words}")


def empty_row(needs: CalibrateNeeds, check: CalibratorCheck, channel: Channel) -> dict[str, Any]:
    """The row of a channel before anything is known of its tone."""
    positions = check.positions
    return {
        "run": check.source.run,
        "session": needs.session,
        "stage": check.stage,
        "position": channel.position,
        "sensor": channel.sensor,
        "channel": channel.channel,
        "calibrator": check.calibrator,
        "found": False,
        "reasons": [],
        "sentences": [],
        "ring_starts_s": [],
        "ring_stops_s": [],
        "turn_stated": positions.index(channel.position) + 1 if channel.position in positions else None,
        "calibrator_level_db": check.level_db,
        "adapter_correction_db": check.adapter_correction_db,
        "gain_db": gain_db(channel, check.source.gain_db),
        **term_columns(()),
    }


def _level(check: CalibratorCheck, needs: CalibrateNeeds) -> LevelAtSensor:
    papers = CalibratorPapers(
        check.level_db,
        check.closed_coupler,
        check.level_uncertainty_db,
        check.adapter_correction_db,
        check.adapter_uncertainty_db,
    )
    limits = needs.limits
    defaults = LevelDefaults(
        limits.calibrator_uncertainty_db,
        limits.adapter_uncertainty_db,
        limits.static_pressure_uncertainty_hpa,
        limits.static_pressure_missing_db,
    )
    return level_at_sensor(papers, check.static_pressure_hpa, defaults)


def _track(heard: Heard, frequency_hz: float) -> ToneTrack:
    index = [c.channel - 1 for c in heard.channels]
    track = ToneTrack(len(index), heard.rate_hz, frequency_hz, heard.needs.limits.frequency_within_pct)
    for block in heard.recording.blocks(heard.part.start, heard.part.stop):
        track.add(block[index])
    return track


def _expected(heard: Heard, level_db: float) -> tuple[Reals, Reals]:
    """Mean square that a calibrator gives on each channel in units of the recording, and how far it may be off."""
    pressure = float(power_pa2(level_db, heard.needs.reference_pressure_pa))
    stated = np.array([c.sensitivity_v_per_pa or UNSTATED_SENSITIVITY_V_PER_PA for c in heard.channels])
    scaled = heard.recording.bits is None
    known = [c.sensitivity_v_per_pa is not None and bool(c.full_scale_v or scaled) for c in heard.channels]
    per_unit = np.array([volts_per_unit(c, heard.check.source.gain_db) for c in heard.channels])
    return pressure * (stated / per_unit) ** 2, np.where(known, NEAR_DB, WIDE_DB)


def _rings(heard: Heard) -> tuple[list[Ring], set[str]]:
    """All rings, and positions whose rings were only found far from the expected level."""
    track = _track(heard, heard.check.frequency_hz)
    expected, within = _expected(heard, _level(heard.check, heard.needs).level_db)
    steady_within_db = heard.needs.limits.steady_within_db
    rings = rings_in(track, expected, within, steady_within_db)
    rung = {ring.channel for ring in rings}
    listed = heard.check.positions
    missed = {i for i, c in enumerate(heard.channels) if i not in rung and (c.position in listed or not rung)}
    if not missed:
        return rings, set()
    wide = np.full_like(within, WIDE_DB)
    far = [ring for ring in rings_in(track, expected, wide, steady_within_db) if ring.channel in missed]
    far = [ring for ring in far if ring.steady_s >= heard.needs.limits.shortest_steady_s]
    everyone = sorted([*rings, *far], key=lambda ring: (ring.start_s, ring.channel))
    return everyone, {heard.channels[ring.channel].position for ring in far}


def _level_off_words(heard: Heard, row: Mapping[str, Any]) -> str:
    channel = next(c for c in heard.channels if c.position == row["position"])
    stated = channel.sensitivity_v_per_pa or UNSTATED_SENSITIVITY_V_PER_PA
    off = 20.0 * math.log10(row["sensitivity_v_per_pa"] / stated) if row["sensitivity_v_per_pa"] else math.nan
    return f"its tone is {off:+.1f} dB from what the sensor table, full scale and gain let expect"


def _other_tones(heard: Heard, channels: Iterable[Channel]) -> dict[str, str]:
    """Steady tones of other calibrators on channels where the stated one was not heard, in words by position."""
    unheard = {c.position for c in channels}
    stated = heard.check.frequency_hz
    names: dict[float, list[str]] = {hertz: [] for hertz in USUAL_FREQUENCIES_HZ}
    for name, hertz in heard.needs.calibrators:
        names.setdefault(hertz, []).append(name)
    found: dict[str, str] = {}
    for hertz, of in sorted(names.items()):
        near = abs(hertz / stated - 1.0) * 100.0 <= OTHER_TONE_PCT
        if not unheard - found.keys() or near or hertz >= heard.rate_hz / 2.0:
            continue
        expected, _ = _expected(heard, heard.check.level_db)
        wide = np.full(len(heard.channels), WIDE_DB)
        for ring in rings_in(_track(heard, hertz), expected, wide, heard.needs.limits.steady_within_db):
            position = heard.channels[ring.channel].position
            if position in unheard and ring.steady_s >= heard.needs.limits.shortest_steady_s:
                whose = f", the tone of calibrator {' or '.join(sorted(of))}" if of else ""
                found[position] = (
                    f"a steady tone near {hertz:g} Hz{whose}; calibrator {heard.check.calibrator} gives {stated:g} Hz"
                )
    return found


def _best_row(heard: Heard, channel: Channel, rings: Sequence[Ring]) -> dict[str, Any] | None:
    """The row of one channel from its longest steady ring; None where it was not rung."""
    index = heard.channels.index(channel)
    own = [ring for ring in rings if ring.channel == index]
    if not own:
        return None
    best = max(own, key=lambda ring: (ring.steady_s, ring.length_s))
    limits = _tone_limits(heard.needs)
    row = empty_row(heard.needs, heard.check, channel)
    offset = heard.part.start / heard.rate_hz
    row["ring_starts_s"] = [ring.start_s + offset for ring in own]
    row["ring_stops_s"] = [ring.stop_s + offset for ring in own]
    row["turn"] = rings.index(best) + 1
    refused = length_refusal(best, limits)
    if best.steady is not None:
        tone, used = _measured(heard, channel, best.steady)
        row |= _tone_columns(heard, channel, tone, used, offset)
        refused |= tone_refusals(tone, heard.check.frequency_hz, limits)
        _compare_rings(heard, channel, row, tone, [ring for ring in own if ring is not best])
    for code, words in refused.items():
        doubt(row, code, words)
    if heard.check.closed_coupler and heard.check.static_pressure_hpa is None:
        words = f"calibrator {heard.check.calibrator} follows static pressure, which is not given"
        row["reasons"].append("static-pressure-missing")
        row["sentences"].append(f"run {heard.check.source.run}: {words}")
    return row


def _tone_limits(needs: CalibrateNeeds) -> ToneLimits:
    return picked(ToneLimits, needs.limits)


def _used_of(steady: SteadyPart) -> SteadyPart:
    spare = max(0.0, steady.length_s - LONGEST_MEASURED_S) / 2.0
    return SteadyPart(steady.start_s + spare, steady.stop_s - spare)


def _volts(heard: Heard, channel: Channel, part: SteadyPart) -> Reals:
    """Samples of one channel in volts at the sensor; other channels are let go block by block."""
    first = heard.part.start + round(part.start_s * heard.rate_hz)
    last = min(heard.part.start + round(part.stop_s * heard.rate_hz), heard.part.stop)
    own = [block[channel.channel - 1].astype(np.float64) for block in heard.recording.blocks(first, last)]
    return np.asarray(np.concatenate(own) * volts_per_unit(channel, heard.check.source.gain_db))


def _measured(heard: Heard, channel: Channel, steady: SteadyPart) -> tuple[MeasuredTone, SteadyPart]:
    used = _used_of(steady)
    scale = volts_per_unit(channel, heard.check.source.gain_db)
    bits = heard.recording.bits
    full_scale = scale if bits is not None or channel.full_scale_v else None
    step = scale * 2.0 ** (1 - bits) if bits else 0.0
    nominal = heard.check.frequency_hz
    reach = nominal * 2.0 * heard.needs.limits.frequency_within_pct / 100.0
    volts = _volts(heard, channel, used)
    return measure_tone(volts, heard.rate_hz, nominal, reach, full_scale, step), used


def _compare_rings(
    heard: Heard, channel: Channel, row: dict[str, Any], tone: MeasuredTone, others: Sequence[Ring]
) -> None:
    """Doubt a channel whose other steady rings have another level than the one that counts."""
    limit, needed = heard.needs.limits.ring_spread_limit_db, heard.needs.limits.shortest_steady_s
    levels = [
        20.0 * math.log10(fit_sine(_volts(heard, channel, _used_of(ring.steady)), heard.rate_hz, tone.frequency_hz).rms)
        for ring in others
        if ring.steady is not None and ring.steady_s >= needed
    ]
    apart = max((20.0 * math.log10(tone.rms) - level for level in levels), key=abs, default=0.0)
    if abs(apart) > limit:
        words = f"its longest ring is {apart:+.2f} dB from another one of the same recording (limit {limit:g} dB)"
        doubt(row, "rings-differ", words)


def _tone_columns(
    heard: Heard, channel: Channel, tone: MeasuredTone, used: SteadyPart, offset_s: float
) -> dict[str, Any]:
    """What follows from a measured tone: level at the sensor, sensitivity and its uncertainty."""
    check, needs = heard.check, heard.needs
    level = _level(check, needs)
    at_tone, covered = (
        response_db(tone.frequency_hz, channel.chart_hz, channel.chart_db) if channel.chart_hz else (0.0, True)
    )
    terms = [*level.terms, tone.fit_term]
    reasons, sentences = [], []
    if not covered:
        reasons.append("chart-misses-tone")
        sentences.append(
            f"position {channel.position}: the chart ({channel.chart_hz[0]:g} to {channel.chart_hz[-1]:g} Hz) does not "
            f"reach {check.frequency_hz:g} Hz"
        )
        terms.append(Term("chart between tone and reference", needs.limits.chart_reach_uncertainty_db, "default"))
    pascal = math.sqrt(float(power_pa2(level.level_db, needs.reference_pressure_pa)))
    scale = volts_per_unit(channel, check.source.gain_db)
    crest = tone.rms * math.sqrt(2.0) / scale
    return {
        "found": True,
        "reasons": reasons,
        "sentences": sentences,
        "tone_frequency_hz": tone.frequency_hz,
        "tone_rms_v": tone.rms * float(gain_from_db(gain_db(channel, check.source.gain_db))),
        "start_s": used.start_s + offset_s,
        "stop_s": used.stop_s + offset_s,
        "unsteadiness_db": tone.unsteadiness_db,
        "levels": tone.levels,
        "distortion_pct": tone.distortion_pct,
        "tone_to_noise_db": tone.tone_to_noise_db,
        "range_use_db": 20.0 * math.log10(crest) if heard.recording.bits or channel.full_scale_v else None,
        "level_db": level.level_db,
        "static_pressure_correction_db": level.static_pressure_correction_db,
        "response_db": float(at_tone),
        "sensitivity_v_per_pa": tone.rms / (pascal * float(gain_from_db(float(at_tone)))),
        "standard_uncertainty_db": combined(terms).standard_uncertainty,
        **term_columns(terms),
    }
