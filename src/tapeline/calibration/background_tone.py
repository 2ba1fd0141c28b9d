"""What is heard at the calibrator's frequency without the calibrator: hum that moves the level of a ring."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy.fft

from tapeline.acoustics.sine_fit import line_rms
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.calibration.rings import Ring
from tapeline.calibration.tone import octave_around
from tapeline.statistics.uncertainty import Term
from tapeline.statistics.uncertainty_terms import BACKGROUND_TONE

PIECE_S = 0.5
"""Length of a quiet piece: long enough to part hum from noise, some 3 Hz (own choice)."""

MARGIN_S = 0.3
"""Distance kept from rings, where the tone comes and goes (own choice)."""

STANDS_OUT = 10.0
"""Noise reaches ten times its mean power in a line once in 20,000 (computed)."""

OWN_LINES = 3.0
"""Lines on either side of a tone that a Hann window lets it reach."""

MOST_PIECES = 5
"""So many pieces, spread over the recording, are listened to (own choice: keeps memory small)."""


def quiet_pieces(rings: Sequence[Ring], duration_s: float) -> list[float]:
    """Starts of pieces of `PIECE_S` without any ring, spread over the recording; empty where there are none."""
    starts: list[float] = []
    quiet_from = 0.0
    for start, stop in [*((ring.start_s, ring.stop_s) for ring in rings), (duration_s + MARGIN_S, math.inf)]:
        count = int((start - MARGIN_S - quiet_from) / PIECE_S)
        starts += [quiet_from + PIECE_S * index for index in range(count)]
        quiet_from = max(quiet_from, stop + MARGIN_S)
    step = max(1.0, len(starts) / MOST_PIECES)
    return [starts[int(index * step)] for index in range(min(MOST_PIECES, len(starts)))]


def rms_at(samples: Reals, sample_rate_hz: float, frequency_hz: float) -> float:
    """Rms of a steady tone at one frequency, Hann-windowed; samples of shape (frames,); 0 where none stands out.

    It must have `STANDS_OUT` times the power that the noise of the octave about it gives in a line: the median of its
    lines over ln 2 (exponential distribution), without those that the tone itself reaches.
    """
    power = line_rms(samples, sample_rate_hz, frequency_hz) ** 2
    taper = window("hann", samples.size)
    lines = np.abs(scipy.fft.rfft(taper * (samples - samples.mean()))) ** 2 * 2.0 / float(np.sum(taper)) ** 2
    hertz = scipy.fft.rfftfreq(samples.size, 1.0 / sample_rate_hz)
    low, high = octave_around(frequency_hz)
    reach = OWN_LINES * sample_rate_hz / samples.size
    beside = (hertz >= low) & (hertz <= high) & (np.abs(hertz - frequency_hz) > reach)
    noise = float(np.median(lines[beside])) / math.log(2.0) if beside.any() else 0.0
    return math.sqrt(power - noise) if power > STANDS_OUT * noise else 0.0


def largest_shift_db(background_rms: float, tone_rms: float) -> float:
    """How far a tone of the same frequency in the background moves a level at most: 20 lg(1 + ratio of the two)."""
    return 20.0 * math.log10(1.0 + background_rms / tone_rms)


def background_term(background_rms: float, tone_rms: float) -> Term:
    """The shift's standard uncertainty: of unknown phase it is spread as an arcsine (GUM H.1.3.4, from memory)."""
    return Term(BACKGROUND_TONE.name, largest_shift_db(background_rms, tone_rms) / math.sqrt(2.0), "measured")
