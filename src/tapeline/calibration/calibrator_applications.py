"""The calibrator applications of a recording: every turn of every channel, in order of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.arrays import Flags, Reals
from tapeline.calibration.calibrated_blocks import Expected, calibrated_blocks, partners
from tapeline.calibration.tone import SMALLEST_POWER, SteadyPart, ToneTrack, steadiness_limit_db, steady_part
from tapeline.limits import (
    CALIBRATED_CHANNEL_ABOVE_OTHERS_DB,
    EXPECTED_TONE_WITHIN_DB,
    FAINT_TONE_DB,
    JOINED_GAP_S,
    OUTSIDE_AT_LEAST_S,
    SHORTEST_APPLICATION_S,
    TONE_STOP_DB,
)

ROUNDING_S = 1e-6
"""Lengths are sums of blocks, which rounding makes a little shorter than they are."""


@dataclass(frozen=True)
class CalibratorApplication:
    """One application of the calibrator to a channel (index from 0): its time, its level, and its steady part, if any.

    `level_db` is the median against the expected level of the channel; `rest_s` is how long the tone lasted outside of
    the steady part, `rest_off_db` how far its median level was from that of the steady part.
    """

    channel: int
    start_s: float
    stop_s: float
    level_db: float
    steady: SteadyPart | None
    rest_s: float = 0.0
    rest_off_db: float = 0.0

    @property
    def length_s(self) -> float:
        """Length of the application in seconds."""
        return self.stop_s - self.start_s

    @property
    def steady_s(self) -> float:
        """Length of the steady part, 0 where there is none."""
        return self.steady.length_s if self.steady else 0.0

    def is_steady_for(self, seconds: float) -> bool:
        """Whether the steady part is that long."""
        return self.steady_s >= seconds - ROUNDING_S

    def overlaps(self, other: CalibratorApplication) -> bool:
        """Whether the two applications share some time."""
        return self.start_s < other.stop_s and other.start_s < self.stop_s


def calibrator_applications(
    track: ToneTrack, expected: Expected, steady_within_db: float, within_db: float = EXPECTED_TONE_WITHIN_DB
) -> list[CalibratorApplication]:
    """All calibrator applications of a followed recording, sorted by start.

    `expected` and `within_db` are those of `calibrated_blocks`; `steady_within_db` is the spread of a steady tone
    before the noise near it is allowed for. An application 6 dB below the channel's loudest one is not its own: a
    neighbour's leaked.
    """
    tone, beside = track.tone, track.beside
    calibrated = calibrated_blocks(tone, beside, expected, track.hop_s, within_db)
    applications = []
    for channel in range(tone.shape[0]):
        own = []
        level = 10.0 * np.log10(np.maximum(tone[channel], SMALLEST_POWER) / expected.power[channel])
        limit = steadiness_limit_db(
            calibrated[channel], tone[channel], beside[channel], track.near_share, steady_within_db
        )
        for first, last in _long_stretches(calibrated[channel], track):
            part = np.zeros(calibrated.shape[1], dtype=bool)
            part[first:last] = calibrated[channel, first:last]
            steady = steady_part(part, tone[channel], track.hop_s, track.block_s, limit)
            start_s, stop_s = first * track.hop_s, (last - 1) * track.hop_s + track.block_s
            rest_s, rest_off_db = _rest(part, level, steady, track.hop_s)
            own.append(
                CalibratorApplication(
                    channel, start_s, stop_s, float(np.median(level[part])), steady, rest_s, rest_off_db
                )
            )
        loudest = max((application.level_db for application in own), default=0.0)
        applications += [
            application for application in own if application.level_db > loudest - CALIBRATED_CHANNEL_ABOVE_OTHERS_DB
        ]
    return sorted(applications, key=lambda application: (application.start_s, application.channel))


def _rest(part: Flags, level: Reals, steady: SteadyPart | None, hop_s: float) -> tuple[float, float]:
    """Seconds of an application outside of its steady part, and their median level against that part, in dB."""
    if steady is None:
        return 0.0, 0.0
    start = np.arange(part.size) * hop_s
    inside = part & (start >= steady.start_s - hop_s / 2) & (start < steady.stop_s - hop_s)
    rest = part & ~inside
    if not rest.any() or not inside.any():
        return 0.0, 0.0
    return float(np.count_nonzero(rest)) * hop_s, float(np.median(level[rest]) - np.median(level[inside]))


def is_continuous_tone(track: ToneTrack, channel: int, applications: Sequence[CalibratorApplication]) -> bool:
    """Whether a channel carries the tone outside of its applications too, at nearly their level: it never stops."""
    own = [application for application in applications if application.channel == channel]
    start = np.arange(track.tone.shape[1]) * track.hop_s
    outside = np.ones(start.size, dtype=bool)
    inside = np.zeros(start.size, dtype=bool)
    for application in own:
        outside &= (start + track.block_s < application.start_s) | (start > application.stop_s)
        inside |= (start >= application.start_s) & (start + track.block_s <= application.stop_s)
    if np.count_nonzero(outside) * track.hop_s < OUTSIDE_AT_LEAST_S or not inside.any():
        return max((application.level_db for application in own), default=0.0) < FAINT_TONE_DB
    calibrated, left = (max(float(np.median(track.tone[channel, part])), SMALLEST_POWER) for part in (inside, outside))
    return 10.0 * float(np.log10(calibrated / left)) < TONE_STOP_DB


def calibrated_together(track: ToneTrack, expected: Expected) -> dict[int, int]:
    """Channels that carried the tone while another one did, each with that other one (indices from 0)."""
    beside = partners(track.tone, track.beside, expected, track.hop_s)
    found = {}
    for channel, others in enumerate(beside):
        longest = max(_long_stretches(others >= 0, track), key=lambda stretch: stretch[1] - stretch[0], default=None)
        if longest is not None:
            heard = others[longest[0] : longest[1]]
            found[channel] = int(np.bincount(heard[heard >= 0]).argmax())
    return found


def _long_stretches(flags: Flags, track: ToneTrack) -> list[tuple[int, int]]:
    """Stretches of set flags that last as long as an application must."""
    found = stretches(flags, round(JOINED_GAP_S / track.hop_s))
    return [
        (first, last)
        for first, last in found
        if (last - 1 - first) * track.hop_s + track.block_s >= SHORTEST_APPLICATION_S
    ]


def stretches(flags: Flags, gap: int) -> list[tuple[int, int]]:
    """First and one past the last index of each stretch of set flags; gaps of up to `gap` flags do not divide it."""
    found: list[tuple[int, int]] = []
    for index in np.flatnonzero(flags).tolist():
        if found and index - found[-1][1] <= gap:
            found[-1] = (found[-1][0], index + 1)
        else:
            found.append((index, index + 1))
    return found
