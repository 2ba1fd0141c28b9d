"""Measured spectra of an impinging jet: Akamine et al., AIAA J. 53 (2015) 2061, doi 10.2514/1.J053953 (open data)."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from open_data import open_data
from tapeline.acoustics.band_levels import LineSpectra, band_sums
from tapeline.acoustics.bands import line_shares
from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.acoustics.windows import all_pairs, effective_averages, line_covariance, window

STEP_HZ = 400_000.0 / 2**13
BLOCKS = 487
OCTAVE_RATIO = 10.0**0.3


def spectra() -> np.ndarray:
    """Power spectral densities in Pa^2/Hz of the six microphones, lines from 0 Hz; zero where nothing is published."""
    lines = open_data("impinging_jet/data.csv").read_text(encoding="utf-8").splitlines()[2:]
    table = np.array([[float(cell) for cell in line.split(",")[:7]] for line in lines if line.strip()])
    psd = np.zeros((6, 1024))
    psd[:, np.rint(table[:, 0] / STEP_HZ).astype(int)] = power_pa2(table[:, 1:].T)
    return psd


def test_third_octaves_of_the_published_spectra() -> None:
    """Third octaves 1.25 to 31.5 kHz against levels computed by a separate plain script with the same edge lines."""
    with open_data("impinging_jet/third_octave_expected.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 15
    mids = [float(row["exact_fm_hz"]) for row in rows]
    shares = [line_shares(m * OCTAVE_RATIO ** (-1 / 6), m * OCTAVE_RATIO ** (1 / 6), STEP_HZ, 1024) for m in mids]
    expected = np.array([[float(row[f"{angle}deg"]) for row in rows] for angle in (15, 30, 45, 60, 75, 90)])
    assert level_db(band_sums(LineSpectra(spectra(), STEP_HZ, np.ones(1)), shares).power) == pytest.approx(
        expected, abs=0.01
    )


def test_lines_scatter_as_welch_says() -> None:
    """487 Hann blocks half overlapped: the scatter of second differences of neighbouring lines follows from the line
    covariance (Welch 1967, carried to neighbouring lines). Simulated Gaussian noise gives 0.1280 dB; correlations of
    one block alone (4/9 and 1/36) would give 0.1305 dB. Observed on the five channels without structure of their own;
    500 lines know a standard deviation within 5 %, and the spectra are not quite smooth."""
    shape = window("hann", 8192)
    pairs = all_pairs(BLOCKS, shape.size, 4096)
    covariance = line_covariance(shape, 4096, pairs)
    assert effective_averages(shape, 4096, pairs) == pytest.approx(461.4, abs=0.3)
    expected = 4.343 * np.sqrt((6 * covariance[0] - 8 * covariance[1] + 2 * covariance[2]) / 6)
    lines = level_db(spectra()[:, 20:820])[:, 200:700]
    observed = np.std(np.diff(lines, n=2, axis=1), axis=1) / np.sqrt(6)
    assert expected == pytest.approx(0.1280, abs=0.0005)
    assert observed[:5] == pytest.approx(expected, rel=0.15)
