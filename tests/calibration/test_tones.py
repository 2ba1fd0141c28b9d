"""Which channel was calibrated when, and the steady part of each application, in synthetic calibrator recordings."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.sine_fit import fit_sine, peak_hz
from tapeline.calibration.calibrated_blocks import Expected
from tapeline.calibration.calibrator_applications import calibrator_applications
from tapeline.calibration.tone import SteadyPart, ToneTrack

APPLICATIONS = {0: (1.2, 3.4), 2: (4.6, 6.9), 1: (8.1, 10.2)}
"""Channel to the true steady part in seconds; channel 3 is never calibrated."""


def recording(rate: float, tone_hz: float, leak_db: float = -30.0) -> np.ndarray:
    """Four channels, three calibrated in turn for 1 Pa at 10 mV/Pa: thumps, ramps, leakage into neighbours, noise."""
    random = np.random.default_rng(7)
    time = np.arange(int(11.5 * rate)) / rate
    out = random.normal(0.0, 2e-5, (4, time.size))
    for channel, (start, stop) in APPLICATIONS.items():
        on = np.clip((time - start + 0.15) / 0.1, 0.0, 1.0) * np.clip((stop + 0.15 - time) / 0.1, 0.0, 1.0)
        tone = 0.01 * np.sqrt(2.0) * on * np.sin(2 * np.pi * tone_hz * time)
        out[channel] += tone * (1.0 + 0.004 * channel)
        for other in range(4):
            if other != channel:
                out[other] += tone * 10 ** (leak_db / 20)
        for at in (start - 0.4, stop + 0.35):
            out[channel] += 0.2 * np.exp(-(((time - at) / 0.05) ** 2)) * random.normal(size=time.size)
    return out


def steady_parts(samples: np.ndarray, rate: float, nominal_hz: float, cuts: int = 4096) -> list[SteadyPart | None]:
    """Steady parts found, channel by channel."""
    track = ToneTrack(samples.shape[0], rate, nominal_hz, 2.0)
    for start in range(0, samples.shape[1], cuts):
        track.add(samples[:, start : start + cuts].astype(np.float32))
    expected = Expected(np.full(4, 1e-4), np.full(4, 0.01), np.full(4, True))
    found = {application.channel: application.steady for application in calibrator_applications(track, expected, 0.15)}
    return [found.get(channel) for channel in range(4)]


@pytest.mark.parametrize(("nominal_hz", "tone_hz"), [(250.0, 250.7), (1000.0, 993.0)])
@pytest.mark.parametrize("rate", [6400.0, 25_600.0, 48_000.0])
def test_each_application_is_found_inside_its_true_steady_part(rate: float, nominal_hz: float, tone_hz: float) -> None:
    samples = recording(rate, tone_hz)
    found = steady_parts(samples, rate, nominal_hz)
    assert found[3] is None
    for channel, (start, stop) in APPLICATIONS.items():
        part = found[channel]
        assert part is not None
        assert start - 0.06 <= part.start_s < part.stop_s <= stop + 0.06
        assert part.length_s > 0.8 * (stop - start)
        inside = samples[channel, int(part.start_s * rate) : int(part.stop_s * rate)]
        fit = fit_sine(inside, rate, peak_hz(inside, rate, nominal_hz, 0.04 * nominal_hz))
        assert 20 * np.log10(fit.rms / (0.01 * (1.0 + 0.004 * channel))) == pytest.approx(0.0, abs=0.003)


def test_the_stream_may_be_cut_anywhere() -> None:
    samples = recording(6400.0, 250.7)
    assert steady_parts(samples, 6400.0, 250.0, 777) == steady_parts(samples, 6400.0, 250.0, 40_000)


def test_leakage_alone_is_no_application() -> None:
    samples = recording(6400.0, 250.7, leak_db=-22.0)
    samples[1] = samples[3]
    assert steady_parts(samples, 6400.0, 250.0)[1] is None


def test_a_coupler_that_settles_is_waited_for() -> None:
    rate = 6400.0
    time = np.arange(int(8 * rate)) / rate
    settling = 10 ** (-1.0 * np.exp(-time / 0.3) / 20.0)
    tone = 0.01 * np.sqrt(2.0) * settling * np.sin(2 * np.pi * 250.0 * time)
    samples = np.vstack([tone, np.zeros((3, time.size))]) + np.random.default_rng(1).normal(0.0, 1e-6, (4, time.size))
    part = steady_parts(samples, rate, 250.0)[0]
    assert part is not None
    inside = samples[0, int(part.start_s * rate) : int(part.stop_s * rate)]
    assert 20 * np.log10(fit_sine(inside, rate, 250.0).rms / 0.01) == pytest.approx(0.0, abs=0.005)
