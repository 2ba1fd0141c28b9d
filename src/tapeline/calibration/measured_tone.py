"""A calibrator's tone as measured, why it may be refused, and what of its frequency is there without the calibrator."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft

from tapeline.acoustics.sine_fit import fit_sine, line_rms, peak_hz
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.calibration.calibrator_applications import CalibratorApplication
from tapeline.calibration.tone import octave_around
from tapeline.limits import (
    APPLICATION_MARGIN_S,
    CLIPPED_TONE_SAMPLES,
    CREST_SAMPLE_SHARE,
    FLAT_TOP_CONVERTER_STEPS,
    FLAT_TOP_RATIO,
    FULL_SCALE_SLACK_CONVERTER_STEPS,
    QUIET_MARGIN_S,
    QUIET_PIECE_S,
    QUIET_PIECES,
    TONE_IN_QUIET_POWER_RATIO,
    TONE_LEVEL_STEP_S,
    TONE_OWN_LINES,
    TOP_FROM_CREST_SHARE,
    TOP_FULL_CREST_SHARE,
    UNSETTLED_LENGTH_SHARE,
)
from tapeline.statistics.combined_uncertainty import Term, rectangular
from tapeline.statistics.uncertainty_terms import BACKGROUND_TONE, SINE_FIT


@dataclass(frozen=True)
class MeasuredTone:
    """Result of the sine fit to the steady part of one application; voltages in the unit of the samples."""

    frequency_hz: float
    rms: float
    unsteadiness_db: float
    levels: int
    trend_db: float
    distortion_pct: float
    tone_to_noise_db: float
    clipped: bool

    @property
    def fit_term(self) -> Term:
        """Uncertainty term of the short levels' mean (GUM 4.2.3), with levels - 1 degrees of freedom.

        A level that moves from one end to the other may have been right at either: a rectangle (GUM 4.3.7).
        """
        dof = float(self.levels - 1) if self.levels > 1 else math.inf
        scatter = self.unsteadiness_db / math.sqrt(max(self.levels, 1))
        return Term(SINE_FIT.name, math.hypot(scatter, rectangular(self.trend_db / 2.0)), "measured", dof)


def measure_tone(
    samples: Reals, sample_rate_hz: float, nominal_hz: float, reach_hz: float, full_scale: float | None, step: float
) -> MeasuredTone:
    """The tone of the steady part of an application, by a four-parameter sine fit (IEEE 1057) to samples (frames,).

    The tone is sought within `reach_hz` of `nominal_hz`. `full_scale` is the largest value that the recording can
    hold (None: not known), `step` one converter step (0 for floats). Unsteadiness is the standard deviation of the
    levels of whole 0.5 s stretches (Hann-windowed, so that rumble stays out), trend_db the change of a straight line
    through them, distortion the rms of harmonics 2 to 5 over the tone's, tone to noise the tone's
    power over that of the rest of the octave about it: noise further away does not move a fitted tone.
    Raises ValueError for fewer than 16 samples.
    """
    fit = fit_sine(samples, sample_rate_hz, peak_hz(samples, sample_rate_hz, nominal_hz, reach_hz))
    size = max(16, round(TONE_LEVEL_STEP_S * sample_rate_hz))
    pieces = samples[: samples.size // size * size].reshape(-1, size)
    levels = [20.0 * math.log10(rms) for rms in line_rms(pieces, sample_rate_hz, fit.frequency_hz)]
    sine = fit.samples(samples.size, sample_rate_hz) - fit.offset
    clipped = False
    if fit.rms * math.sqrt(2.0) >= FLAT_TOP_CONVERTER_STEPS * step:
        clipped = _flat_topped(samples - fit.offset, sine) or _flat_topped(fit.offset - samples, -sine)
    if full_scale is not None:
        at_end = np.abs(samples) >= full_scale - FULL_SCALE_SLACK_CONVERTER_STEPS * step
        clipped = clipped or bool(
            np.convolve(at_end, np.ones(CLIPPED_TONE_SAMPLES), "valid").max(initial=0.0) >= CLIPPED_TONE_SAMPLES
        )
    return MeasuredTone(
        frequency_hz=fit.frequency_hz,
        rms=fit.rms,
        unsteadiness_db=float(np.std(levels, ddof=1)) if len(levels) > 1 else 0.0,
        levels=len(levels),
        trend_db=float(np.polyfit(range(len(levels)), levels, 1)[0]) * len(levels) if len(levels) > 2 else 0.0,
        distortion_pct=100.0 * fit.harmonics_rms / fit.rms,
        tone_to_noise_db=20.0
        * math.log10(fit.rms / max(_noise_beside(samples - fit.offset, sine, sample_rate_hz, fit.frequency_hz), 1e-30)),
        clipped=clipped,
    )


def _flat_topped(samples: Reals, sine: Reals) -> bool:
    """Whether samples crowd at their upper crest more than those of the fitted sine at the same moments."""
    return _top_share(samples) > FLAT_TOP_RATIO * _top_share(sine)


def _top_share(samples: Reals) -> float:
    crest = float(np.quantile(samples, CREST_SAMPLE_SHARE))
    return (
        float(
            np.mean(
                np.clip(
                    (samples / crest - TOP_FROM_CREST_SHARE) / (TOP_FULL_CREST_SHARE - TOP_FROM_CREST_SHARE), 0.0, 1.0
                )
            )
        )
        if crest > 0
        else 0.0
    )


def _noise_beside(samples: Reals, sine: Reals, sample_rate_hz: float, frequency_hz: float) -> float:
    """Rms of what the fit leaves in the octave about the tone."""
    lines, _, taper = _lines_around(samples - sine, sample_rate_hz, frequency_hz)
    return math.sqrt(2.0 * float(lines.sum()) / (samples.size * float(np.sum(taper**2))))


def _lines_around(samples: Reals, sample_rate_hz: float, frequency_hz: float) -> tuple[Reals, Reals, Reals]:
    """Squared lines in the octave about a frequency, their frequencies in Hz, and the Hann window of them."""
    taper = window("hann", samples.size)
    lines = np.abs(scipy.fft.rfft((samples - samples.mean()) * taper)) ** 2
    hertz = scipy.fft.rfftfreq(samples.size, 1.0 / sample_rate_hz)
    low, high = octave_around(frequency_hz)
    inside = (hertz >= low) & (hertz <= high)
    return lines[inside], hertz[inside], taper


@dataclass(frozen=True)
class ToneLimits:
    """Limits from which on a tone is refused; each is a setting of the section `calibration`."""

    shortest_steady_s: float
    unsteadiness_limit_db: float
    frequency_within_pct: float
    least_tone_to_noise_db: float
    distortion_limit_pct: float
    application_spread_limit_db: float


def application_refusals(application: CalibratorApplication, limits: ToneLimits) -> dict[str, str]:
    """Reasons to refuse an application before its tone is measured, by reason code; empty where there are none.

    Its steady part is too short, or the rest, more than half as long, has another level: either may be right.
    """
    if not application.is_steady_for(limits.shortest_steady_s):
        needed = f"{limits.shortest_steady_s:g} s are needed"
        if application.length_s >= limits.shortest_steady_s + APPLICATION_MARGIN_S:
            steady = f"{application.steady_s:.2f} s of {application.length_s:.2f} s"
            return {"unsteady-tone": f"{steady} of tone are steady, {needed}"}
        return {"too-short-tone": f"{application.steady_s:.2f} s of steady tone, {needed}"}
    if (
        application.rest_s > UNSETTLED_LENGTH_SHARE * application.steady_s
        and abs(application.rest_off_db) > limits.application_spread_limit_db
    ):
        words = (
            f"{application.steady_s:.1f} s of tone are steady, "
            f"the other {application.rest_s:.1f} s are {application.rest_off_db:+.2f} dB"
        )
        return {"unsteady-tone": f"{words} from them (limit {limits.application_spread_limit_db:g} dB)"}
    return {}


def tone_refusals(tone: MeasuredTone, nominal_hz: float, limits: ToneLimits) -> dict[str, str]:
    """Reasons to refuse a measured tone, by reason code with their sentences; empty where it is fit for use."""
    refused = {}
    if tone.clipped:
        refused["clipped-tone"] = "the tone's crests are cut off: calibrate again with less gain"
    if tone.unsteadiness_db > limits.unsteadiness_limit_db:
        refused["unsteady-tone"] = (
            f"levels of {TONE_LEVEL_STEP_S:g} s scatter by {tone.unsteadiness_db:.2f} dB, at most "
            f"{limits.unsteadiness_limit_db:g} dB are allowed"
        )
    if abs(tone.frequency_hz / nominal_hz - 1.0) * 100.0 > limits.frequency_within_pct:
        refused["off-frequency"] = f"tone at {tone.frequency_hz:.2f} Hz, the calibrator gives {nominal_hz:g} Hz"
    if tone.tone_to_noise_db < limits.least_tone_to_noise_db:
        refused["noisy-tone"] = (
            f"tone {tone.tone_to_noise_db:.1f} dB above the noise in its octave, at least "
            f"{limits.least_tone_to_noise_db:g} dB are needed"
        )
    if tone.distortion_pct > limits.distortion_limit_pct:
        refused["distorted-tone"] = (
            f"harmonics make {tone.distortion_pct:.1f} % of the tone, at most {limits.distortion_limit_pct:g} % are "
            "allowed"
        )
    return refused


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
    lines, hertz, taper = _lines_around(samples, sample_rate_hz, frequency_hz)
    beside = lines[np.abs(hertz - frequency_hz) > TONE_OWN_LINES * sample_rate_hz / samples.size]
    noise = float(np.median(beside * 2.0 / float(np.sum(taper)) ** 2)) / math.log(2.0) if beside.size else 0.0
    return math.sqrt(power - noise) if power > TONE_IN_QUIET_POWER_RATIO * noise else 0.0


def largest_shift_db(background_rms: float, tone_rms: float) -> float:
    """Largest shift in dB of a level by a background tone of the same frequency: 20 lg(1 + ratio of the two)."""
    return 20.0 * math.log10(1.0 + background_rms / tone_rms)


def background_term(background_rms: float, tone_rms: float) -> Term:
    """Uncertainty term of that shift: of unknown phase it has an arcsine distribution (GUM H.1.3.4, from memory)."""
    return Term(BACKGROUND_TONE.name, largest_shift_db(background_rms, tone_rms) / math.sqrt(2.0), "measured")
