"""Recordings of a calibrator, told by their steady tone: its frequency, and the channels in the order calibrated."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeline.calibration.application_order import distinct_turns
from tapeline.calibration.calibrated_blocks import Expected
from tapeline.calibration.calibrator_applications import (
    CalibratorApplication,
    calibrator_applications,
    is_continuous_tone,
)
from tapeline.calibration.tone import SMALLEST_POWER, ToneTrack
from tapeline.campaign.settings import Calibration
from tapeline.limits import (
    FOUND_CALIBRATOR_RMS_UNITS,
    FOUND_CALIBRATOR_TONE_TO_NOISE_DB,
    UNSTATED_SENSITIVITY_V_PER_PA,
    UNSTATED_SENSITIVITY_WITHIN_DB,
    USUAL_CALIBRATORS_HZ,
)
from tapeline.recordings.opening import open_file


@dataclass(frozen=True)
class CalibratorTone:
    """Nominal frequency in Hz, and the calibrated channels (from 1) in order of time."""

    frequency_hz: float
    channels: tuple[int, ...]


def calibrator_tone(path: Path) -> CalibratorTone | None:
    """The calibrator's tone in a file that describes itself; None where no channel carries one steadily.

    Sought are `USUAL_CALIBRATORS_HZ`; the file is read once. Raises RecordingError where it cannot be read to its end.
    """
    recording = open_file(path)
    limits = Calibration()
    rate = recording.sample_rate_hz
    if recording.frames < limits.shortest_steady_s * rate:
        return None
    tracks = {
        hertz: ToneTrack(recording.channels, rate, hertz, limits.frequency_within_pct)
        for hertz in USUAL_CALIBRATORS_HZ
        if hertz < rate / 2.0
    }
    for block in recording.blocks(0, recording.frames):
        for track in tracks.values():
            track.add(block)
    found = [(hertz, _steady_applications(track, limits)) for hertz, track in tracks.items()]
    hertz, own = max(found, key=lambda item: sum(each.steady_s for each in item[1]), default=(0.0, []))
    turns = distinct_turns([str(application.channel + 1) for application in own])
    return CalibratorTone(hertz, tuple(map(int, turns))) if turns else None


def _steady_applications(track: ToneTrack, limits: Calibration) -> list[CalibratorApplication]:
    """Applications that are steady, stop, and stand far above the noise beside them; scale and sensors are unknown."""
    channels = track.tone.shape[0]
    expected = Expected(
        np.full(channels, FOUND_CALIBRATOR_RMS_UNITS**2),
        np.full(channels, UNSTATED_SENSITIVITY_V_PER_PA),
        np.zeros(channels, dtype=bool),
    )
    heard = calibrator_applications(track, expected, limits.steady_within_db, UNSTATED_SENSITIVITY_WITHIN_DB)
    return [
        application
        for application in heard
        if application.is_steady_for(limits.shortest_steady_s)
        and not is_continuous_tone(track, application.channel, heard)
        and _tone_to_noise_db(track, application) >= FOUND_CALIBRATOR_TONE_TO_NOISE_DB
    ]


def _tone_to_noise_db(track: ToneTrack, application: CalibratorApplication) -> float:
    """Median over the blocks of an application."""
    first, last = (
        round(application.start_s / track.hop_s),
        round((application.stop_s - track.block_s) / track.hop_s) + 1,
    )
    own = (application.channel, slice(first, last))
    return float(np.median(10.0 * np.log10(np.maximum(track.tone[own], SMALLEST_POWER) / track.beside[own])))
