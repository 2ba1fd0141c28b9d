"""One calibrator recording: which channel was calibrated when, and the measured tone of every application."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapeline.acoustics.levels import gain_from_db, power_pa2, ratio_db
from tapeline.acoustics.response import response_db
from tapeline.acoustics.sine_fit import fit_sine
from tapeline.calibration.application_order import order_doubts
from tapeline.calibration.calibrator_applications import CalibratorApplication
from tapeline.calibration.measured_tone import (
    MeasuredTone,
    ToneLimits,
    application_refusals,
    background_term,
    largest_shift_db,
    measure_tone,
    tone_refusals,
)
from tapeline.calibration.tone import SteadyPart
from tapeline.campaign.plan import Channel, picked
from tapeline.jobs.calibrate import CalibrateNeeds, CalibratorCheck
from tapeline.jobs.calibrate.application_search import DetectedTones
from tapeline.jobs.cell_values import given
from tapeline.jobs.term_columns import term_columns, terms_of
from tapeline.jobs.units_to_pascal import full_scale_missing, gain_db, volts_per_unit
from tapeline.limits import LONGEST_MEASURED_TONE_S
from tapeline.recordings.recording import Part, Recording
from tapeline.statistics.combined_uncertainty import Term, combined, rectangular
from tapeline.statistics.uncertainty_terms import CHART_REACH, SPREAD_OF_APPLICATIONS

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow

LOWERED_BY = frozenset({"clipped-tone", "distorted-tone", "unsteady-tone"})
"""Faults that make a tone low by themselves: an overload, a coupler that is not seated."""


def rows_of_recording(
    needs: CalibrateNeeds, check: CalibratorCheck, channels: Sequence[Channel], recording: Recording, part: Part
) -> list[ChecksRow]:
    """Rows of the checks table: every channel that was calibrated or should have been, all where nothing was heard."""
    present = [c for c in channels if c.channel <= recording.channels]
    heard = DetectedTones(
        recording, part, [c for c in present if not full_scale_missing(c, recording.bits)], check, needs
    )
    rows = {c.position: row for c in heard.channels if (row := _best_row(heard, c)) is not None}
    expected = [c for c in channels if not check.positions or c.position in check.positions]
    unheard = [c for c in expected if c.position not in rows] if check.positions or not rows else []
    for channel in channels:
        if channel not in expected or channel in heard.channels:
            continue
        row = rows[channel.position] = empty_row(needs, check, channel)
        if channel not in present:
            doubt(row, "channel-missing", f"it is on channel {channel.channel} of {recording.channels}")
        else:
            doubt(row, "full-scale-unknown", f"{recording.bits}-bit samples need full_scale_v in the fittings table")
    unheard = [c for c in unheard if c.position not in rows]
    other = heard.other_tones(unheard) if unheard else {}
    for channel in unheard:
        row = rows[channel.position] = empty_row(needs, check, channel)
        if channel.position in heard.together:
            continue
        doubt(row, "no-tone", _no_tone_words(heard))
        if channel.position in other:
            doubt(row, "wrong-tone", other[channel.position])
    _doubt_companions(heard, rows)
    _doubt_not_finite(heard, [c for c in expected if c.position in heard.not_finite], rows)
    sequence = [heard.channels[application.channel].position for application in heard.applications]
    for found in order_doubts(sequence, check.positions):
        if found.position in rows:
            rows[found.position]["reasons"].append(found.code)
            rows[found.position]["sentences"].append(found.sentence)
            rows[found.position]["exchanged_with"] = found.partner or rows[found.position]["exchanged_with"]
    _doubt_unlisted(heard, rows)
    return [row | {"sample_rate_hz": heard.rate_hz, "duration_s": heard.duration_s} for row in rows.values()]


def _no_tone_words(heard: DetectedTones) -> str:
    hertz, needed = heard.check.frequency_hz, heard.needs.limits.shortest_steady_s
    if hertz >= heard.rate_hz / 2.0:
        return f"{heard.rate_hz:g} samples a second hold no tone of {hertz:g} Hz"
    if heard.duration_s < needed:
        return f"the used part lasts {heard.duration_s:.3g} s, {needed:g} s of tone are needed"
    return f"no steady tone near {hertz:g} Hz"


def _doubt_companions(heard: DetectedTones, rows: dict[str, ChecksRow]) -> None:
    """Channels without an application of their own that carried the tone while another one did."""
    for channel in heard.channels:
        other = heard.together.get(channel.position)
        row = rows.get(channel.position)
        if other is not None and (row is None or not row["found"]):
            row = rows.setdefault(channel.position, empty_row(heard.needs, heard.check, channel))
            words = f"it carried the tone at the same time as {other}: calibrate one at a time, and check the routing"
            doubt(row, "tone-on-two-channels", words)


def _doubt_not_finite(heard: DetectedTones, channels: Sequence[Channel], rows: dict[str, ChecksRow]) -> None:
    for channel in channels:
        row = rows.setdefault(channel.position, empty_row(heard.needs, heard.check, channel))
        words = f"{heard.not_finite[channel.position]} of {heard.part.frames} samples are no finite numbers"
        doubt(row, "tone-not-finite", words)


def _doubt_unlisted(heard: DetectedTones, rows: Mapping[str, ChecksRow]) -> None:
    """A sensor of unstated sensitivity that nobody says was calibrated may only have heard a neighbour."""
    for channel in heard.channels:
        row = rows.get(channel.position)
        if (
            row is not None
            and channel.sensitivity_v_per_pa is None
            and {"not-listed", "calibrator-on-another-channel"} & {*row["reasons"]}
        ):
            words = (
                "without a stated sensitivity its tone cannot be told from a neighbour's leak: list it, or state one"
            )
            doubt(row, "leak-or-application", words)


def doubt(row: ChecksRow, code: str, words: str) -> None:
    """Add a reason and its sentence to a row."""
    row["reasons"].append(code)
    row["sentences"].append(f"position {row['position']}: {words}")


def empty_row(needs: CalibrateNeeds, check: CalibratorCheck, channel: Channel) -> ChecksRow:
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
        "application_starts_s": [],
        "application_stops_s": [],
        "exchanged_with": None,
        "turn_stated": positions.index(channel.position) + 1 if channel.position in positions else None,
        "calibrator_level_db": check.level_db,
        "adapter_correction_db": check.adapter_correction_db,
        "gain_db": gain_db(channel, check.source.gain_db),
        **term_columns(()),
    }


@dataclass(frozen=True)
class MeasuredApplication:
    """An application with its tone, what follows from it and why it is refused; no tone without a steady part."""

    application: CalibratorApplication
    tone: MeasuredTone | None
    columns: ChecksRow
    refused: Mapping[str, str]


def _best_row(heard: DetectedTones, channel: Channel) -> ChecksRow | None:
    """The row of one channel from its longest steady application that is not refused; None where it has none."""
    index = heard.channels.index(channel)
    own = [application for application in heard.applications if application.channel == index]
    if not own:
        return None
    measured: list[MeasuredApplication] = []
    for application in sorted(own, key=lambda application: (application.steady_s, application.length_s), reverse=True):
        measured.append(_measured_application(heard, channel, application))
        if not measured[-1].refused:
            break
    best = measured[0] if measured[-1].refused else measured[-1]
    row: ChecksRow = {**empty_row(heard.needs, heard.check, channel), **best.columns}
    offset = heard.part.start / heard.rate_hz
    row["application_starts_s"] = [application.start_s + offset for application in own]
    row["application_stops_s"] = [application.stop_s + offset for application in own]
    row["turn"] = heard.turn_of(best.application)
    if best.tone is not None:
        tried = [item.application for item in measured]
        _compare_applications(
            heard, channel, row, best.tone, [application for application in own if application not in tried]
        )
        _doubt_background(heard.needs, row)
    for code, words in best.refused.items():
        doubt(row, code, words)
    if best is not measured[0]:
        words = "; ".join(words for item in measured[:-1] for words in item.refused.values())
        doubt(row, "other-application-refused", f"a longer application was refused: {words}")
    if heard.check.closed_coupler and heard.check.static_pressure_hpa is None:
        words = f"calibrator {heard.check.calibrator} follows static pressure, which is not given"
        row["reasons"].append("static-pressure-missing")
        row["sentences"].append(f"run {heard.check.source.run}: {words}")
    return row


def _measured_application(
    heard: DetectedTones, channel: Channel, application: CalibratorApplication
) -> MeasuredApplication:
    limits = picked(ToneLimits, heard.needs.limits)
    refused = application_refusals(application, limits)
    if application.steady is None:
        return MeasuredApplication(application, None, {}, refused)
    tone, used = _measured(heard, channel, application.steady)
    columns = _tone_columns(heard, channel, tone, used, heard.part.start / heard.rate_hz)
    refused |= tone_refusals(tone, heard.check.frequency_hz, limits)
    explained = not LOWERED_BY.isdisjoint(refused)
    refused |= _contradiction(heard.needs, channel, given(columns["sensitivity_v_per_pa"]), explained)
    return MeasuredApplication(application, tone, columns, refused)


def _used_of(steady: SteadyPart) -> SteadyPart:
    spare = max(0.0, steady.length_s - LONGEST_MEASURED_TONE_S) / 2.0
    return SteadyPart(steady.start_s + spare, steady.stop_s - spare)


def _doubt_background(needs: CalibrateNeeds, row: ChecksRow) -> None:
    """Hum at the calibrator's frequency that may have moved the level."""
    below_db, limit = row["background_tone_db"], needs.limits.background_tone_limit_db
    if below_db is None or (shift_db := largest_shift_db(float(gain_from_db(below_db)), 1.0)) <= limit:
        return
    words = (
        f"between the applications there is a tone of their frequency, {-below_db:.0f} dB lower: it may move the level "
        f"by {shift_db:.2f} dB or so (limit {limit:g} dB): look for mains hum"
    )
    doubt(row, "background-tone", words)


def _contradiction(
    needs: CalibrateNeeds, channel: Channel, sensitivity_v_per_pa: float, explained: bool
) -> dict[str, str]:
    """A check so far from the sensor table that an entry must be wrong, unless a low level is explained already."""
    stated, limit = channel.sensitivity_v_per_pa, needs.limits.level_off_db
    if stated is None:
        return {}
    off_db = float(ratio_db(sensitivity_v_per_pa / stated))
    if abs(off_db) <= limit or (explained and off_db < 0.0):
        return {}
    words = f"its tone is {off_db:+.1f} dB from what the sensor table, full scale and gain let expect"
    return {"level-off": f"{words} (limit {limit:g} dB)"}


def _measured(heard: DetectedTones, channel: Channel, steady: SteadyPart) -> tuple[MeasuredTone, SteadyPart]:
    used = _used_of(steady)
    scale = volts_per_unit(channel, heard.check.source.gain_db)
    bits = heard.recording.bits
    full_scale = scale if bits is not None or channel.full_scale_v else None
    step = scale * 2.0 ** (1 - bits) if bits else 0.0
    nominal = heard.check.frequency_hz
    reach = nominal * 2.0 * heard.needs.limits.frequency_within_pct / 100.0
    volts = heard.volts(channel, used)
    return measure_tone(volts, heard.rate_hz, nominal, reach, full_scale, step), used


def _compare_applications(
    heard: DetectedTones,
    channel: Channel,
    row: ChecksRow,
    tone: MeasuredTone,
    others: Sequence[CalibratorApplication],
) -> None:
    """Doubt a channel whose other applications, where long enough, have another level than the one that counts."""
    limit, needed = heard.needs.limits.application_spread_limit_db, heard.needs.limits.shortest_steady_s
    levels = [
        20.0
        * math.log10(fit_sine(heard.volts(channel, _used_of(application.steady)), heard.rate_hz, tone.frequency_hz).rms)
        for application in others
        if application.steady is not None and application.is_steady_for(needed)
    ]
    apart = max((20.0 * math.log10(tone.rms) - level for level in levels), key=abs, default=0.0)
    if abs(apart) > limit:
        words = f"its longest application is {apart:+.2f} dB from another one of the recording (limit {limit:g} dB)"
        doubt(row, "applications-differ", words)
    if apart:
        terms = (*terms_of(row), Term(SPREAD_OF_APPLICATIONS.name, rectangular(abs(apart)), "measured"))
        row |= {**term_columns(terms), "standard_uncertainty_db": combined(terms).standard_uncertainty}


def _tone_columns(
    heard: DetectedTones, channel: Channel, tone: MeasuredTone, used: SteadyPart, offset_s: float
) -> ChecksRow:
    """What follows from a measured tone: level at the sensor, sensitivity and its uncertainty."""
    check, needs = heard.check, heard.needs
    level = heard.level
    at_tone, covered = (
        response_db(tone.frequency_hz, channel.chart_hz, channel.chart_db) if channel.chart_hz else (0.0, True)
    )
    terms = [*level.terms, tone.fit_term]
    background_v = heard.background_v(channel, tone.frequency_hz)
    if background_v:
        terms.append(background_term(background_v, tone.rms))
    reasons, sentences = [], []
    if not covered:
        reasons.append("chart-misses-tone")
        sentences.append(
            f"position {channel.position}: the chart ({channel.chart_hz[0]:g} to {channel.chart_hz[-1]:g} Hz) does not "
            f"reach {check.frequency_hz:g} Hz"
        )
        terms.append(Term(CHART_REACH.name, needs.limits.chart_reach_uncertainty_db, "default"))
    pascal = math.sqrt(float(power_pa2(level.level_db)))
    scale = volts_per_unit(channel, check.source.gain_db)
    crest = tone.rms * math.sqrt(2.0) / scale
    range_use_db = 20.0 * math.log10(crest) if heard.recording.bits or channel.full_scale_v else None
    return {
        "found": True,
        "reasons": reasons,
        "sentences": sentences,
        "tone_frequency_hz": tone.frequency_hz,
        "tone_rms_v": tone.rms * float(gain_from_db(gain_db(channel, check.source.gain_db))),
        "start_s": used.start_s + offset_s,
        "stop_s": used.stop_s + offset_s,
        "unsteadiness_db": tone.unsteadiness_db,
        "level_count": tone.levels,
        "distortion_pct": tone.distortion_pct,
        "tone_to_noise_db": tone.tone_to_noise_db,
        "background_tone_db": None if not background_v else float(ratio_db(background_v / tone.rms)),
        "range_use_db": range_use_db,
        "below_full_scale_db": None if range_use_db is None else -range_use_db,
        "level_db": level.level_db,
        "static_pressure_correction_db": level.static_pressure_correction_db,
        "response_db": float(at_tone),
        "sensitivity_v_per_pa": tone.rms / (pascal * float(gain_from_db(float(at_tone)))),
        "standard_uncertainty_db": combined(terms).standard_uncertainty,
        **term_columns(terms),
    }
