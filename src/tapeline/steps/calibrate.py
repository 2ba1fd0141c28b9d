"""Step `calibrate`: find the calibrator tones in a session's calibrator recordings and measure them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tapeline.acoustics.air import static_pressure_correction_db
from tapeline.acoustics.levels import gain_from_db, power_pa2
from tapeline.acoustics.response import response_db
from tapeline.acoustics.sine_fit import fit_sine, peak_hz
from tapeline.calibration.tone import SteadyPart, ToneTrack, rung_blocks, steadiness_limit_db, steady_part
from tapeline.campaign.plan import Plan
from tapeline.campaign.slices import CalibrateNeeds, CalibratorCheck, Channel
from tapeline.recordings.recording import Part, Recording, RecordingError
from tapeline.steps import places
from tapeline.steps.sources import content_hashes, open_source
from tapeline.store import parquet, tables

UNSTATED_SENSITIVITY_V_PER_PA = 0.01
"""Stands in for a sensor without a stated sensitivity when its tone is looked for, with a wide search."""

LEVEL_STEP_S = 0.5
"""Length of the short levels whose standard deviation tells how steady a tone is (common practice)."""


def run(plan: Plan, session: str) -> None:
    """Write the session's checks table."""
    needs = plan.calibrate_needs(session)
    root = plan.campaign.root
    rows = []
    for check in needs.checks:
        hashes = {"recording_sha256": content_hashes(root, check.source)}
        rows += [row | hashes for row in check_rows(root, needs, check)]
    parquet.write_rows(
        tables.CHECKS,
        places.checks(plan.campaign.results, session),
        rows,
        campaign=needs.campaign,
        digest=plan.digest("calibrate", session),
    )


def check_rows(root: Path, needs: CalibrateNeeds, check: CalibratorCheck) -> Iterator[dict[str, Any]]:
    """One row for every channel that was rung in this recording, or should have been."""
    channels = [c for c in needs.channels if c.unit == "V"]
    expected = [c for c in channels if not check.positions or c.position in check.positions]
    try:
        recording, part = open_source(root, check.source)
        yield from _channel_rows(needs, check, channels, recording, part)
    except RecordingError as error:
        sentence = f"run {check.source.run}: {error.sentence}"
        for channel in expected:
            yield _row(needs, check, channel) | {"reasons": [error.code], "sentences": [sentence]}


def _channel_rows(
    needs: CalibrateNeeds, check: CalibratorCheck, channels: list[Channel], recording: Recording, part: Part
) -> list[dict[str, Any]]:
    length = {"sample_rate_hz": recording.sample_rate_hz, "duration_s": part.frames / recording.sample_rate_hz}
    rows = []
    present = [c for c in channels if c.channel <= recording.channels]
    for channel in channels:
        if channel not in present:
            sentence = f"position {channel.position} is on channel {channel.channel} of {recording.channels}"
            rows.append(_row(needs, check, channel) | {"reasons": ["channel-missing"], "sentences": [sentence]})
    steady = _steady_parts(recording, part, present, check, needs) if present else []
    for channel, ring in zip(present, steady, strict=True):
        listed = channel.position in check.positions
        if ring is not None:
            row = _measured(recording, part, channel, ring, check, needs)
            if check.positions and not listed:
                row["reasons"].append("not-listed")
                row["sentences"].append(f"position {channel.position} was rung but is not listed in this run")
            rows.append(row)
        elif listed:
            sentence = f"position {channel.position}: no steady tone near {check.frequency_hz:g} Hz"
            rows.append(_row(needs, check, channel) | {"reasons": ["no-tone"], "sentences": [sentence]})
    return [row | length for row in rows]


def level_at_sensor_db(check: CalibratorCheck) -> tuple[float, float]:
    """Level at the sensor and the correction for static pressure in it, which only closed couplers need."""
    pressure_hpa = check.static_pressure_hpa
    correction = static_pressure_correction_db(pressure_hpa * 100.0) if check.closed_coupler and pressure_hpa else 0.0
    return check.level_db + correction + check.adapter_correction_db, correction


def _volts_per_unit(channel: Channel, check: CalibratorCheck) -> float:
    """Volts at the sensor for one unit of the recording: full scale over conditioner gain."""
    gain = check.source.gain_db if check.source.gain_db is not None else channel.gain_db
    return (channel.full_scale_v or 1.0) / float(gain_from_db(gain))


def _steady_parts(
    recording: Recording, part: Part, channels: list[Channel], check: CalibratorCheck, needs: CalibrateNeeds
) -> list[SteadyPart | None]:
    index = [c.channel - 1 for c in channels]
    track = ToneTrack(len(index), recording.sample_rate_hz, check.frequency_hz, needs.frequency_within_pct)
    for block in recording.blocks(part.start, part.stop):
        track.add(block[index])
    tone, other = track.tone, track.other
    if tone.shape[1] == 0:
        return [None] * len(channels)
    pressure = float(power_pa2(level_at_sensor_db(check)[0], needs.reference_pressure_pa))
    stated = np.array([c.sensitivity_v_per_pa or UNSTATED_SENSITIVITY_V_PER_PA for c in channels])
    known = np.array(
        [c.sensitivity_v_per_pa is not None and bool(c.full_scale_v or recording.bits is None) for c in channels]
    )
    per_unit = np.array([_volts_per_unit(c, check) for c in channels])
    expected = pressure * (stated / per_unit) ** 2
    rung = rung_blocks(tone, other, expected, np.where(known, 12.0, 60.0))
    parts: list[SteadyPart | None] = []
    for c in range(len(channels)):
        limit = steadiness_limit_db(rung[c], tone[c], other[c], track.near_share, needs.steady_within_db)
        parts.append(steady_part(rung[c], tone[c], track.hop_s, track.block_s, limit))
    return parts


def _measured(
    recording: Recording,
    part: Part,
    channel: Channel,
    ring: SteadyPart,
    check: CalibratorCheck,
    needs: CalibrateNeeds,
) -> dict[str, Any]:
    """Sine fit over the steady part and everything that follows from it."""
    rate = recording.sample_rate_hz
    first, last = part.start + round(ring.start_s * rate), part.start + round(ring.stop_s * rate)
    last = min(last, part.stop)
    samples = np.concatenate([block[channel.channel - 1] for block in recording.blocks(first, last)])
    volts = samples.astype(np.float64) * _volts_per_unit(channel, check)
    reach = check.frequency_hz * 2.0 * needs.frequency_within_pct / 100.0
    fit = fit_sine(volts, rate, peak_hz(volts, rate, check.frequency_hz, reach))
    step = max(16, round(LEVEL_STEP_S * rate))
    short = [fit_sine(volts[i : i + step], rate, fit.frequency_hz).rms for i in range(0, volts.size - step + 1, step)]
    levels = 20.0 * np.log10(short)
    unsteadiness = float(np.std(levels, ddof=1)) if len(short) > 1 else 0.0
    level, correction = level_at_sensor_db(check)
    response, _ = response_db(fit.frequency_hz, channel.chart_hz, channel.chart_db) if channel.chart_hz else (0.0, None)
    pascal = math.sqrt(float(power_pa2(level, needs.reference_pressure_pa)))
    tone_to_noise = 20.0 * math.log10(fit.rms / max(fit.residual_rms, 1e-30))
    doubts = _doubts(channel.position, ring, fit.frequency_hz, tone_to_noise, check, needs)
    row = _row(needs, check, channel)
    missing = needs.static_pressure_missing_db if "static-pressure-missing" in doubts else 0.0
    row |= {
        "found": True,
        "reasons": list(doubts),
        "sentences": list(doubts.values()),
        "tone_frequency_hz": fit.frequency_hz,
        "tone_rms_v": fit.rms * float(gain_from_db(_gain_db(channel, check))),
        "start_s": ring.start_s + part.start / rate,
        "stop_s": ring.stop_s + part.start / rate,
        "unsteadiness_db": unsteadiness,
        "distortion_pct": 100.0 * fit.harmonics_rms / fit.rms,
        "tone_to_noise_db": tone_to_noise,
        "level_db": level,
        "static_pressure_correction_db": correction,
        "response_db": float(response),
        "sensitivity_v_per_pa": fit.rms / (pascal * float(gain_from_db(float(response)))),
        "standard_uncertainty_db": math.sqrt(
            check.level_uncertainty_db**2 + missing**2 + unsteadiness**2 / max(len(short), 1)
        ),
    }
    return row


def _gain_db(channel: Channel, check: CalibratorCheck) -> float:
    return check.source.gain_db if check.source.gain_db is not None else channel.gain_db


def _doubts(
    position: str,
    ring: SteadyPart,
    frequency_hz: float,
    tone_to_noise: float,
    check: CalibratorCheck,
    needs: CalibrateNeeds,
) -> dict[str, str]:
    """Reason codes and their sentences."""
    doubts = {}
    if ring.length_s < needs.shortest_steady_s:
        doubts["too-short-tone"] = (
            f"position {position}: {ring.length_s:.2f} s of steady tone, {needs.shortest_steady_s:g} s are needed"
        )
    if abs(frequency_hz / check.frequency_hz - 1.0) * 100.0 > needs.frequency_within_pct:
        doubts["off-frequency"] = (
            f"position {position}: tone at {frequency_hz:.2f} Hz, the calibrator gives {check.frequency_hz:g} Hz"
        )
    if tone_to_noise < needs.least_tone_to_noise_db:
        doubts["noisy-tone"] = (
            f"position {position}: tone {tone_to_noise:.1f} dB above the rest, at least "
            f"{needs.least_tone_to_noise_db:g} dB are needed"
        )
    if check.closed_coupler and check.static_pressure_hpa is None:
        doubts["static-pressure-missing"] = (
            f"run {check.source.run}: calibrator {check.calibrator} follows static pressure, which is not given"
        )
    return doubts


def _row(needs: CalibrateNeeds, check: CalibratorCheck, channel: Channel) -> dict[str, Any]:
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
        "calibrator_level_db": check.level_db,
        "adapter_correction_db": check.adapter_correction_db,
        "gain_db": _gain_db(channel, check),
    }
