"""Cross-spectra: delayed and shared noise, a reference library, Bendat and Piersol's errors, thresholds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal
from errors_of_coherence import (
    coherence_bias,
    coherence_error,
    coherent_power_error,
    cross_magnitude_error,
    response_error,
)
from numpy.typing import NDArray

from reference_tables import reference_rows
from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.conditioned_spectra import multiple_coherence_threshold
from tapeline.acoustics.cross_spectra import CrossSpectra, coherence, coherence_threshold
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import all_pairs, effective_averages, window

RATE_HZ = 8192.0
FRAMES, HOP = 1024, 512
HANN = window("hann", FRAMES)

ERRORS = {
    "coherence g2": coherence_error,
    "|H1|": response_error,
    "coherent output power g2*Gyy": coherent_power_error,
    "|Gxy| magnitude": cross_magnitude_error,
}
"""Relative standard errors by the names of the reference table."""


def block_lines(samples: NDArray[np.float64], shape: NDArray[np.float64], hop: int) -> NDArray[np.complex64]:
    """Transforms of windowed blocks, shape (channels, blocks, lines)."""
    blocks = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), shape.size, axis=1)[:, ::hop]
    return np.asarray(scipy.fft.rfft(blocks * shape.astype(np.float32), axis=-1))


def averaged(
    samples: NDArray[np.float64], first: int = 1, last: int = FRAMES // 2 - 1, shape: NDArray[np.float64] = HANN
) -> CrossSpectra:
    """Cross-spectra of half-overlapped blocks."""
    spectra = CrossSpectra(samples.shape[0], shape.size, first, last)
    spectra.add(block_lines(samples, shape, shape.size // 2)[:, :, spectra.kept])
    return spectra


def matrix(spectra: CrossSpectra, shape: NDArray[np.float64] = HANN) -> NDArray[np.complex128]:
    """Densities at the sampling rate of these tests."""
    return spectra.matrix(RATE_HZ, float(np.sum(shape**2)))


def coherence_between(g: NDArray[np.complex128], i: int, j: int) -> NDArray[np.float64]:
    """Coherence of two channels of a matrix (lines, channels, channels)."""
    return coherence(g[:, i, i].real, g[:, j, j].real, g[:, i, j])


def simulated(true_coherence: float, averages: int, trials: int) -> NDArray[np.complex128]:
    """Matrices of two Gaussian channels of unit power, a trial a line, of independent averages."""
    generator = np.random.default_rng(round(1000 * true_coherence) + averages)
    parts = generator.normal(size=(4, averages, trials)).astype(np.float32)
    x, own = (parts[:2] + 1j * parts[2:]) / np.float32(np.sqrt(2.0))
    y = np.sqrt(np.float32(true_coherence)) * x + np.sqrt(np.float32(1.0 - true_coherence)) * own
    spectra = CrossSpectra(2, 2 * trials + 2, 1, trials)
    spectra.add(np.stack([x, y]))
    return spectra.matrix(2.0, 1.0)


def test_a_periodic_signal_delayed_has_exactly_the_phase_of_its_delay() -> None:
    """Shift theorem: channel 1 later by tau than channel 0 gives G_01 the phase -2 pi f tau and the same magnitude."""
    delay = 7
    period = np.random.default_rng(1).normal(size=FRAMES)
    samples = np.stack([np.tile(period, 4), np.tile(np.roll(period, delay), 4)])
    flat = np.ones(FRAMES)
    g = matrix(averaged(samples, shape=flat), flat)
    hz = np.arange(1, FRAMES // 2) * RATE_HZ / FRAMES
    turn = np.exp(-2j * np.pi * hz * delay / RATE_HZ)
    power = np.mean(g[:, 0, 0].real)
    assert np.abs(g[:, 0, 1] - g[:, 0, 0] * turn).max() < 2e-5 * power
    assert np.abs(g[:, 1, 0] - g[:, 0, 0] / turn).max() < 2e-5 * power
    lag_s = -np.polyfit(hz, np.unwrap(np.angle(g[:, 0, 1])), 1)[0] / (2.0 * np.pi)
    assert lag_s == pytest.approx(delay / RATE_HZ, rel=1e-4)


def test_a_streamed_noise_delayed_has_the_phase_slope_of_its_delay() -> None:
    """The same for noise under a Hann window, whose blocks lose 2 (D/N)^2 pi^2/3 of what is delayed by 1 % of them.

    Correlation of a Hann window with itself shifted by D of N samples, to second order in D/N.
    """
    delay = 10
    noise = np.random.default_rng(2).normal(size=200_000)
    g = matrix(averaged(np.stack([noise[delay:], noise[:-delay]])))
    hz = np.arange(1, FRAMES // 2) * RATE_HZ / FRAMES
    left = g[:, 0, 1] * np.exp(2j * np.pi * hz * delay / RATE_HZ) / g[:, 0, 0].real
    loss = 2.0 * (delay / FRAMES) ** 2 * np.pi**2 / 3.0
    blocks = (noise.size - delay - FRAMES) // HOP + 1
    spread = np.sqrt(2.0 * loss / (2.0 * effective_averages(HANN, HOP, all_pairs(blocks, FRAMES, HOP))))
    assert np.std(np.angle(left)) == pytest.approx(spread, rel=0.2)
    assert np.abs(np.angle(left)).max() < 5.0 * spread
    assert np.mean(np.abs(left)) == pytest.approx(1.0 - loss, abs=5.0 * spread / np.sqrt(hz.size / 3.0))


@pytest.mark.parametrize(("own_one", "own_other"), [(1.0, 1.0), (0.25, 3.0), (3.0, 3.0)])
def test_two_noises_that_share_a_part_have_the_coherence_of_their_powers(own_one: float, own_other: float) -> None:
    """g^2 = S^2/((S + N1)(S + N2)) with its bias, and Bendat and Piersol's spread about it (Random Data)."""
    shared, one, other = np.random.default_rng(3).normal(size=(3, 120 * FRAMES))
    samples = np.stack([shared + np.sqrt(own_one) * one, shared + np.sqrt(own_other) * other])
    g = matrix(averaged(samples, 2, FRAMES // 2 - 2))
    averages = effective_averages(HANN, HOP, all_pairs(239, FRAMES, HOP))
    expected = 1.0 / ((1.0 + own_one) * (1.0 + own_other))
    found = coherence_between(g, 0, 1)
    spread = float(expected * coherence_error(expected, averages))
    mean = expected + coherence_bias(expected, averages)
    # Neighbouring lines of a Hann window share: every third one counts.
    assert np.mean(found) == pytest.approx(mean, abs=4.0 * spread / np.sqrt(found.size / 3.0))
    assert np.std(found) == pytest.approx(spread, rel=0.15)
    phase = float(response_error(expected, averages))
    assert np.std(np.angle(g[:, 0, 1])) == pytest.approx(phase, rel=0.15)


@pytest.mark.parametrize("blocks", [19, 99])
def test_independent_noises_exceed_the_threshold_as_often_as_it_says(blocks: int) -> None:
    """5 % of pairs and lines above the 95 % threshold (Carter, Knapp and Nuttall 1973), Hann, half overlapped."""
    samples = np.random.default_rng(4).normal(size=(12, FRAMES + (blocks - 1) * HOP))
    g = matrix(averaged(samples, 2, FRAMES // 2 - 2))
    pairs = [coherence_between(g, i, j) for i in range(12) for j in range(i)]
    threshold = coherence_threshold(effective_averages(HANN, HOP, all_pairs(blocks, FRAMES, HOP)), 0.95)
    assert np.mean(np.asarray(pairs) > threshold) == pytest.approx(0.05, abs=0.006)


@pytest.mark.parametrize("frames", [1000, 1024, 1215])
def test_densities_equal_the_reference_library(frames: int) -> None:
    """scipy.signal.csd of the same window and overlap, all lines with 0 and the last one, all pairs."""
    shape = window("hann", frames)
    first, second, third = np.random.default_rng(5).normal(size=(3, 20 * frames))
    samples = np.stack([first, 0.01 * (first + second), 3.0 * np.convolve(first, [0.2, 1.0, -0.5], "same") + third])
    samples = samples.astype(np.float32).astype(np.float64)
    g = matrix(averaged(samples, 0, frames // 2, shape), shape)
    hop = frames // 2
    for i in range(3):
        for j in range(3):
            _, expected = scipy.signal.csd(
                samples[i], samples[j], RATE_HZ, shape, frames, frames - hop, detrend=False, scaling="density"
            )
            size = np.sqrt(np.mean(g[:, i, i].real) * np.mean(g[:, j, j].real))
            assert np.abs(g[:, i, j] - expected).max() < 2e-6 * size


@pytest.mark.parametrize("frames", [1000, 1215])
def test_the_diagonal_is_the_averaged_spectrum(frames: int) -> None:
    """Definition: the cross-spectrum of a signal with itself is its power spectral density (Random Data)."""
    shape = window("hann", frames)
    samples = np.random.default_rng(6).normal(size=(3, 40 * frames)) * np.array([[1e-3], [1.0], [1e3]])
    auto = AveragedSpectrum(shape, frames // 2, 3)
    blocks = ShortTimeSpectra(shape, frames // 2, np.zeros(3), [auto])
    blocks.add(samples.astype(np.float32))
    blocks.finish()
    spectra = averaged(samples, 0, frames // 2, shape)
    assert spectra.blocks == auto.blocks
    g = matrix(spectra, shape)
    assert np.diagonal(g, axis1=1, axis2=2).T.real == pytest.approx(auto.density(RATE_HZ), rel=1e-6)
    assert spectra.auto(RATE_HZ, float(np.sum(shape**2))) == pytest.approx(auto.density(RATE_HZ), rel=1e-6)


def test_reference_table_of_random_errors() -> None:
    """Bendat and Piersol, Random Data, and the magnitude's own: formula to its digits, simulated values to 3 %."""
    checked = []
    for row in reference_rows("spectral_random_errors.csv"):
        if row["quantity"] in ERRORS:
            found = float(ERRORS[row["quantity"]](float(row["msc"]), float(row["nd"])))
            assert found == pytest.approx(float(row["formula_value"]), abs=6e-6)
            assert found == pytest.approx(float(row["simulated_value"]), rel=0.03)
            checked.append(row["quantity"])
        elif row["quantity"] == "coherence bias":
            found = float(coherence_bias(float(row["msc"]), float(row["nd"])))
            assert found == pytest.approx(float(row["formula_value"]), abs=1e-6)
            checked.append(row["quantity"])
    assert set(checked) == {*ERRORS, "coherence bias"}


def test_reference_table_of_coherence_thresholds() -> None:
    """1 - (1 - P)^(1/(nd - 1)) and the bias of no coherence, 1/nd, in all rows."""
    rows = reference_rows("coherence_threshold.csv")
    for row in rows:
        averages = float(row["nd"])
        found = float(coherence_threshold(averages, float(row["P"])))
        assert found == pytest.approx(float(row["threshold_msc"]), abs=6e-7)
        of_one_reference = float(multiple_coherence_threshold(1, averages, float(row["P"])))
        assert of_one_reference == pytest.approx(float(row["threshold_msc"]), abs=6e-7)
        assert coherence_bias(0.0, averages) == pytest.approx(float(row["bias_if_zero"]), abs=1e-12)
    assert len(rows) > 20


@pytest.mark.parametrize(("averages", "threshold"), [(10, 0.2831), (20, 0.1459), (50, 0.0593), (200, 0.0149)])
def test_coherence_threshold(averages: int, threshold: float) -> None:
    """95 %, the distribution of Carter, Knapp and Nuttall (1973) at zero coherence; 5 % exceed it in a simulation."""
    found = float(coherence_threshold(averages, 0.95))
    assert found == pytest.approx(threshold, abs=6e-5)
    by_chance = coherence_between(simulated(0.0, averages, 20_000), 0, 1)
    assert np.mean(by_chance > found) == pytest.approx(0.05, abs=0.006)
    assert np.mean(by_chance) == pytest.approx(coherence_bias(0.0, averages), rel=0.03)


@pytest.mark.parametrize(("true_coherence", "averages"), [(0.5, 100), (0.9, 50), (0.3, 64)])
def test_errors_are_the_spread_of_a_simulation(true_coherence: float, averages: int) -> None:
    """Bendat and Piersol's forms (Random Data) against 20,000 trials of independent averages, to 5 %."""
    g = simulated(true_coherence, averages, 20_000)
    found = coherence_between(g, 0, 1)
    magnitude = np.abs(g[:, 0, 1])
    root = np.sqrt(true_coherence)
    spreads: list[tuple[NDArray[np.float64], float, Callable[[float, float], float]]] = [
        (found, true_coherence, coherence_error),
        (magnitude / g[:, 0, 0].real, root, response_error),
        (np.angle(g[:, 0, 1]), 1.0, response_error),
        (found * g[:, 1, 1].real, true_coherence, coherent_power_error),
        (magnitude, root, cross_magnitude_error),
    ]
    for values, size, error in spreads:
        assert np.std(values) / size == pytest.approx(float(error(true_coherence, averages)), rel=0.05), error.__name__


def test_coherence_bias_is_the_mean_excess_of_a_simulation() -> None:
    """Carter, Knapp and Nuttall (1973): 20 averages, coherence 0.5, over 40,000 trials to four standard errors."""
    found = coherence_between(simulated(0.5, 20, 40_000), 0, 1)
    expected = coherence_bias(0.5, 20)
    assert np.mean(found) - 0.5 == pytest.approx(expected, abs=4.0 * float(np.std(found)) / np.sqrt(found.size))
    assert expected > 5.0 * float(np.std(found)) / np.sqrt(found.size)
