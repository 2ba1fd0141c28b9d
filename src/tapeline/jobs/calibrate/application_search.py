"""What is heard in one calibrator recording: applications, tones of other calibrators, the background between them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import power_pa2
from tapeline.arrays import Reals
from tapeline.calibration.calibrated_blocks import Expected
from tapeline.calibration.calibrator_applications import (
    CalibratorApplication,
    calibrated_together,
    calibrator_applications,
    is_continuous_tone,
)
from tapeline.calibration.level_at_sensor import CalibratorCertificate, LevelAtSensor, LevelDefaults, level_at_sensor
from tapeline.calibration.measured_tone import quiet_pieces, rms_at
from tapeline.calibration.tone import SteadyPart, ToneTrack
from tapeline.campaign.plan import Channel
from tapeline.jobs.calibrate import CalibrateNeeds, CalibratorCheck
from tapeline.jobs.units_to_pascal import volts_per_unit
from tapeline.limits import (
    QUIET_PIECE_S,
    SAME_CALIBRATOR_TONE_PCT,
    UNSTATED_SENSITIVITY_V_PER_PA,
    UNSTATED_SENSITIVITY_WITHIN_DB,
    USUAL_CALIBRATORS_HZ,
)
from tapeline.recordings.recording import Part, Recording


@dataclass(frozen=True)
class DetectedTones:
    """One recording as opened; `channels` are those that it has and whose samples stand for volts."""

    recording: Recording
    part: Part
    channels: Sequence[Channel]
    check: CalibratorCheck
    needs: CalibrateNeeds

    @property
    def rate_hz(self) -> float:
        return self.recording.sample_rate_hz

    @property
    def duration_s(self) -> float:
        return self.part.frames / self.rate_hz

    @cached_property
    def level(self) -> LevelAtSensor:
        """The calibrator's level at the sensors."""
        check, limits = self.check, self.needs.limits
        papers = CalibratorCertificate(
            check.level_db,
            check.closed_coupler,
            check.level_uncertainty_db,
            check.adapter_correction_db,
            check.adapter_uncertainty_db,
        )
        defaults = LevelDefaults(
            limits.calibrator_uncertainty_db,
            limits.adapter_uncertainty_db,
            limits.static_pressure_uncertainty_hpa,
            limits.static_pressure_missing_db,
        )
        return level_at_sensor(papers, check.static_pressure_hpa, defaults)

    @cached_property
    def track(self) -> ToneTrack:
        """The stated tone on all channels; reads the recording once."""
        return _track(self, self.check.frequency_hz)

    @cached_property
    def expected(self) -> Expected:
        """What the stated calibrator should give on each channel."""
        return _expected(self, self.level.level_db)

    @cached_property
    def applications(self) -> list[CalibratorApplication]:
        """All applications. Channels that should have one and were not heard are searched again, while no other does.

        Where no list says which they are, they are all, unless channels of unknown sensors may have been calibrated.
        """
        if not self.channels:
            return []
        limits, listed = self.needs.limits, self.check.positions
        heard = calibrator_applications(self.track, self.expected, limits.steady_within_db)
        applications = [
            application
            for application in heard
            if self.expected.stated[application.channel]
            or not is_continuous_tone(self.track, application.channel, heard)
        ]
        calibrated = {application.channel for application in applications}
        every = not listed and (not applications or len(self.channels) == self.recording.channels)
        missed = {i for i, c in enumerate(self.channels) if i not in calibrated and (every or c.position in listed)}
        if not missed:
            return applications
        anywhere = calibrator_applications(
            self.track, self.expected, limits.steady_within_db, UNSTATED_SENSITIVITY_WITHIN_DB
        )
        far = [
            application
            for application in anywhere
            if application.channel in missed
            and application.is_steady_for(limits.shortest_steady_s)
            and not any(application.overlaps(near) for near in applications)
            and not is_continuous_tone(self.track, application.channel, anywhere)
        ]
        return sorted([*applications, *far], key=lambda application: (application.start_s, application.channel))

    def turn_of(self, application: CalibratorApplication) -> int:
        """The place of an application's turn, from 1; a channel that is calibrated again at once keeps its turn."""
        until = self.applications[: self.applications.index(application) + 1]
        return 1 + sum(later.channel != earlier.channel for earlier, later in pairwise(until))

    @cached_property
    def together(self) -> dict[str, str]:
        """Positions that carried the tone while another one did, each with the other."""
        if not self.channels:
            return {}
        found = calibrated_together(self.track, self.expected)
        return {self.channels[one].position: self.channels[other].position for one, other in found.items()}

    @cached_property
    def not_finite(self) -> dict[str, int]:
        """Positions with samples that are no finite numbers, and how many."""
        counts = self.track.not_finite.tolist() if self.channels else []
        return {c.position: count for c, count in zip(self.channels, counts, strict=True) if count}

    @cached_property
    def _quiet(self) -> list[NDArray[np.float32]]:
        """Samples of quiet pieces, each of shape (heard channels, frames)."""
        index = [c.channel - 1 for c in self.channels]
        frames = round(QUIET_PIECE_S * self.rate_hz)
        pieces = []
        for start_s in quiet_pieces(self.applications, self.duration_s):
            first = self.part.start + round(start_s * self.rate_hz)
            blocks = self.recording.blocks(first, min(first + frames, self.part.stop))
            pieces.append(np.concatenate([block[index] for block in blocks], axis=1))
        return pieces

    def background_v(self, channel: Channel, frequency_hz: float) -> float | None:
        """Rms in volts of a tone of that frequency in the quietest moment between applications, 0 if none stands out.

        None where there is no such moment.
        """
        index = self.channels.index(channel)
        own = [piece[index].astype(np.float64) for piece in self._quiet]
        found = [rms_at(x, self.rate_hz, frequency_hz) for x in own if x.size and np.isfinite(x).all()]
        return min(found) * volts_per_unit(channel, self.check.source.gain_db) if found else None

    def volts(self, channel: Channel, part: SteadyPart) -> Reals:
        """Samples of one channel in volts at the sensor; other channels are let go block by block."""
        first = self.part.start + round(part.start_s * self.rate_hz)
        last = min(self.part.start + round(part.stop_s * self.rate_hz), self.part.stop)
        own = [block[channel.channel - 1].astype(np.float64) for block in self.recording.blocks(first, last)]
        return np.asarray(np.concatenate(own) * volts_per_unit(channel, self.check.source.gain_db))

    def other_tones(self, channels: Iterable[Channel]) -> dict[str, str]:
        """Steady tones of other calibrators on channels where the stated one was not heard, in words by position."""
        unheard = {c.position for c in channels}
        stated = self.check.frequency_hz
        names: dict[float, list[str]] = {hertz: [] for hertz in USUAL_CALIBRATORS_HZ}
        for name, hertz in self.needs.calibrators:
            names.setdefault(hertz, []).append(name)
        expected = _expected(self, self.check.level_db)
        found: dict[str, str] = {}
        for hertz, of in sorted(names.items()):
            near = abs(hertz / stated - 1.0) * 100.0 <= SAME_CALIBRATOR_TONE_PCT
            if not unheard - found.keys() or near or hertz >= self.rate_hz / 2.0:
                continue
            track, steady_within_db = _track(self, hertz), self.needs.limits.steady_within_db
            applications = calibrator_applications(track, expected, steady_within_db, UNSTATED_SENSITIVITY_WITHIN_DB)
            for application in applications:
                position = self.channels[application.channel].position
                long_enough = application.is_steady_for(self.needs.limits.shortest_steady_s)
                if (
                    position in unheard
                    and long_enough
                    and not is_continuous_tone(track, application.channel, applications)
                ):
                    whose = f", the tone of calibrator {' or '.join(sorted(of))}" if of else ""
                    asked = f"calibrator {self.check.calibrator} gives {stated:g} Hz"
                    found[position] = f"a steady tone near {hertz:g} Hz{whose}; {asked}"
        return found


def _track(heard: DetectedTones, frequency_hz: float) -> ToneTrack:
    index = [c.channel - 1 for c in heard.channels]
    track = ToneTrack(len(index), heard.rate_hz, frequency_hz, heard.needs.limits.frequency_within_pct)
    for block in heard.recording.blocks(heard.part.start, heard.part.stop):
        track.add(block[index])
    return track


def _expected(heard: DetectedTones, level_db: float) -> Expected:
    pressure = float(power_pa2(level_db))
    stated = np.array([c.sensitivity_v_per_pa is not None for c in heard.channels])
    assumed = np.array([c.sensitivity_v_per_pa or UNSTATED_SENSITIVITY_V_PER_PA for c in heard.channels])
    per_unit = np.array([volts_per_unit(c, heard.check.source.gain_db) for c in heard.channels])
    return Expected(pressure * (assumed / per_unit) ** 2, assumed, stated)
