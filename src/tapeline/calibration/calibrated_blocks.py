"""Which channel of a recording carries the calibrator's tone at which moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.calibration.tone import SMALLEST_POWER
from tapeline.limits import (
    BLOCK_TONE_TO_NOISE_DB,
    CALIBRATED_CHANNEL_ABOVE_OTHERS_DB,
    EXPECTED_TONE_WITHIN_DB,
    SUSTAINED_TONE_S,
    UNSTATED_SENSITIVITY_WITHIN_DB,
)


@dataclass(frozen=True)
class Expected:
    """Expected tone of the calibrator on each channel, arrays of shape (channels,).

    `power` is its mean square in square units of the recording, `sensitivity_v_per_pa` what it was computed from; where
    that is not `stated`, the middle of the usual range of sensors is used.
    """

    power: Reals
    sensitivity_v_per_pa: Reals
    stated: Flags


def calibrated_blocks(
    tone: Reals, beside: Reals, expected: Expected, hop_s: float, within_db: float = EXPECTED_TONE_WITHIN_DB
) -> Flags:
    """Flags of the channel that is calibrated in each block, (channels, blocks) as `tone` and the noise `beside` it.

    Channels within 6 dB of their own loudest level are candidates; the others pick up a leak. One of stated sensitivity
    is calibrated where its tone is within `within_db` of the expected one, 10 dB above the noise, and 6 dB above all
    others of that kind, each against its own expected value. One without is calibrated where none of those is, and its
    sensor's voltage is 6 dB above that of all other candidates.
    """
    if tone.size == 0:
        return np.zeros(tone.shape, dtype=bool)
    level, clear, loud = _levels(tone, beside, expected, hop_s)
    near = loud & clear & _near(level, expected, within_db)
    contending = np.where(loud, level, -np.inf)
    calibrated = near & (above_others(contending, expected.stated) >= CALIBRATED_CHANNEL_ABOVE_OTHERS_DB)
    unstated = ~expected.stated
    if unstated.any():
        volts = contending + 20.0 * np.log10(expected.sensitivity_v_per_pa)[:, None]
        own = loud & clear & (np.abs(level) <= UNSTATED_SENSITIVITY_WITHIN_DB) & ~near.any(axis=0)
        own &= above_others(volts, np.ones_like(unstated)) >= CALIBRATED_CHANNEL_ABOVE_OTHERS_DB
        calibrated |= unstated[:, None] & own
    return np.asarray(calibrated)


def partners(tone: Reals, beside: Reals, expected: Expected, hop_s: float) -> NDArray[np.int64]:
    """The other channel that carries the tone as loud as this one, -1 where there is none; shape (channels, blocks).

    Both are of stated sensitivity, at their loudest, near the expected level and less than 6 dB apart.
    """
    found = np.full(tone.shape, -1)
    if tone.shape[0] < 2 or tone.size == 0:
        return found
    level, clear, loud = _levels(tone, beside, expected, hop_s)
    seen = np.where(loud & clear & _near(level, expected, EXPECTED_TONE_WITHIN_DB), level, -np.inf)
    order = np.argsort(-seen, axis=0, kind="stable")
    first, second = order[0], order[1]
    blocks = np.arange(tone.shape[1])
    with np.errstate(invalid="ignore"):
        both = np.isfinite(seen[second, blocks]) & (
            seen[first, blocks] - seen[second, blocks] < CALIBRATED_CHANNEL_ABOVE_OTHERS_DB
        )
    found[first[both], blocks[both]] = second[both]
    found[second[both], blocks[both]] = first[both]
    return found


def _levels(tone: Reals, beside: Reals, expected: Expected, hop_s: float) -> tuple[Reals, Flags, Flags]:
    """Levels in dB against what is expected, where the noise is low enough, where a channel is near its own loudest."""
    power = np.maximum(tone, SMALLEST_POWER)
    level = 10.0 * np.log10(power / expected.power[:, None])
    clear = 10.0 * np.log10(power / beside) >= BLOCK_TONE_TO_NOISE_DB
    loudest = _sustained(level, max(1, round(SUSTAINED_TONE_S / hop_s)))
    return level, clear, level >= loudest[:, None] - CALIBRATED_CHANNEL_ABOVE_OTHERS_DB


def _near(level: Reals, expected: Expected, within_db: float) -> Flags:
    """Where a channel of stated sensitivity is no farther than that from what is expected."""
    return np.asarray(expected.stated[:, None] & (np.abs(level) <= within_db))


def above_others(level: Reals, members: Flags) -> Reals:
    """Level of each channel above the loudest other one of the members, in dB; infinite where there is none.

    Levels of minus infinity are no candidates; for them the result is NaN.
    """
    seen = np.where(members[:, None], level, -np.inf)
    best = np.argmax(seen, axis=0)
    blocks = np.arange(level.shape[1])
    first = seen[best, blocks]
    seen[best, blocks] = -np.inf
    second = seen.max(axis=0)
    is_best = np.arange(level.shape[0])[:, None] == best
    with np.errstate(invalid="ignore"):
        return np.asarray(level - np.where(is_best, second, first))


def _sustained(level: Reals, blocks: int) -> Reals:
    """The highest level that each channel holds for so many blocks in a row, shape (channels,)."""
    size = min(blocks, level.shape[1])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(level, size, axis=1).min(axis=-1).max(axis=-1))
