"""A tone of the calibrator's frequency without the calibrator: interference that moves the level of an application."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy.fft

from tapeline.acoustics.sine_fit import line_rms
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.calibration.calibrator_applications import CalibratorApplication
from tapeline.calibration.tone import octave_around
from tapeline.limits import QUIET_MARGIN_S, QUIET_PIECE_S, QUIET_PIECES, TONE_IN_QUIET_POWER_RATIO, TONE_OWN_LINES
from tapeline.statistics.combined_uncertainty import Term
from tapeline.statistics.uncertainty_terms import BACKGROUND_TONE


def quiet_pieces(applications: Sequence[CalibratorApplication], duration_s: float) -> list[float]:
    """Starts (s) of pieces of `QUIET_PIECE_S` without any application, spread over the recording; may be empty."""
    starts: list[float] = []
    quiet_from = 0.0
    for start, stop in [
        *((application.start_s, application.stop_s) for application in applications),
        (duration_s + QUIET_MARGIN_S, math.inf),
    ]:
        count = int((start - QUIET_MARGIN_S - quiet_from) / QUIET_PIECE_S)
        starts += [quiet_from + QUIET_PIECE_S * index for index in range(count)]
        quiet_from = max(quiet_from, stop + QUIET_MARGIN_S)
    step = max(1.0, len(starts) / QUIET_PIECES)
    return [starts[int(index * step)] for index in range(min(QUIET_PIECES, len(starts)))]


def rms_at(samples: Reals, sample_rate_hz: float, frequency_hz: float) -> float:
    """Rms of a steady tone at one frequency, Hann-windowed; samples of shape (frames,); 0 where none stands out.

    It must have `TONE_IN_QUIET_POWER_RATIO` times the power that the noise of the octave about it gives in a line: the
    median of its lines over ln 2 (exponential distribution), without those that the tone itself reaches.
    """
    power = line_rms(samples, sample_rate_hz, frequency_hz) ** 2
    taper = window("hann", samples.size)
    lines = np.abs(scipy.fft.rfft(taper * (samples - samples.mean()))) ** 2 * 2.0 / float(np.sum(taper)) ** 2
    hertz = scipy.fft.rfftfreq(samples.size, 1.0 / sample_rate_hz)
    low, high = octave_around(frequency_hz)
    reach = TONE_OWN_LINES * sample_rate_hz / samples.size
    beside = (hertz >= low) & (hertz <= high) & (np.abs(hertz - frequency_hz) > reach)
    noise = float(np.median(lines[beside])) / math.log(2.0) if beside.any() else 0.0
    return math.sqrt(power - noise) if power > TONE_IN_QUIET_POWER_RATIO * noise else 0.0


def largest_shift_db(background_rms: float, tone_rms: float) -> float:
    """Largest shift in dB of a level by a background tone of the same frequency: 20 lg(1 + ratio of the two)."""
    return 20.0 * math.log10(1.0 + background_rms / tone_rms)


def background_term(background_rms: float, tone_rms: float) -> Term:
    """Uncertainty term of that shift: of unknown phase it has an arcsine distribution (GUM H.1.3.4, from memory)."""
    return Term(BACKGROUND_TONE.name, largest_shift_db(background_rms, tone_rms) / math.sqrt(2.0), "measured")
