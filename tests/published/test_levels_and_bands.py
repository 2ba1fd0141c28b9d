"""Levels, bands and weightings against the standards' own numbers."""

from __future__ import annotations

import numpy as np
import pytest

from open_data import open_data
from reference_tables import reference_rows
from tapeline.acoustics.band_levels import LineSpectra, band_sums
from tapeline.acoustics.bands import bands_between, filter_power, line_shares
from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.acoustics.weightings import POLES_HZ, weighting_db


@pytest.mark.parametrize(
    ("mean_square_pa2", "level"),
    [
        pytest.param(1.0, 93.9794, id="1 Pa rms: definition; 93.98 in 14 CFR 36, A36.3.1.6"),
        pytest.param(0.5, 90.9691, id="sine of 1 Pa peak: definition"),
        pytest.param(1.002374**2, 94.0, id="94 dB is 1.00237 Pa: definition"),
        pytest.param(10.023745**2, 114.0, id="114 dB is 10.0237 Pa: definition"),
        pytest.param(31.697864**2, 124.0, id="124 dB is 31.698 Pa: definition"),
    ],
)
def test_levels_are_re_20_micropascal(mean_square_pa2: float, level: float) -> None:
    assert float(level_db(mean_square_pa2)) == pytest.approx(level, abs=1e-4)
    assert float(power_pa2(level)) == pytest.approx(mean_square_pa2, rel=3e-5)


@pytest.mark.parametrize(
    ("fraction", "midband", "level"),
    [
        pytest.param(3, 1000.0, 77.611, id="third octave at 1 kHz: IEC 61260-1 band edges, computed"),
        pytest.param(1, 1000.0, 82.459, id="octave at 1 kHz: IEC 61260-1 band edges, computed"),
    ],
)
def test_white_noise_band_levels(fraction: int, midband: float, level: float) -> None:
    """White noise of 1e-4 Pa^2/Hz (53.979 dB/Hz); bands rise 1 dB a third octave."""
    psd = np.full((1, 20_001), 1e-4)
    bands = bands_between(fraction, 100.0, 8000.0)
    shares = [line_shares(lo, hi, 1.0, psd.shape[1]) for lo, hi in zip(bands.lower_hz, bands.upper_hz, strict=True)]
    found = level_db(band_sums(LineSpectra(psd, 1.0, np.ones(1)), shares).power)[0]
    assert found[list(bands.nominal_hz).index(midband)] == pytest.approx(level, abs=0.001)
    assert np.diff(found) == pytest.approx(3.0 / fraction, abs=1e-9)


@pytest.mark.parametrize(
    ("fraction", "nominal", "exact", "lower", "upper"),
    [
        pytest.param(3, 100, 100.0, 89.1251, 112.2018, id="100 Hz third octave: IEC 61260-1:2014, 5.4"),
        pytest.param(3, 500, 501.1872, 446.6836, 562.3413, id="500 Hz third octave: IEC 61260-1:2014, 5.4"),
        pytest.param(3, 1250, 1258.9254, 1122.0185, 1412.5375, id="1.25 kHz third octave: IEC 61260-1:2014, 5.4"),
        pytest.param(1, 1000, 1000.0, 707.9458, 1412.5375, id="1 kHz octave: IEC 61260-1:2014, 5.4"),
        pytest.param(1, 31.5, 31.6228, 22.3872, 44.6684, id="31.5 Hz octave: IEC 61260-1:2014, 5.4"),
    ],
)
def test_exact_midbands_and_edges(fraction: int, nominal: float, exact: float, lower: float, upper: float) -> None:
    bands = bands_between(fraction, nominal, nominal)
    assert len(bands) == 1
    assert bands.midband_hz[0] == pytest.approx(exact, rel=1e-6)
    assert (bands.lower_hz[0], bands.upper_hz[0]) == pytest.approx((lower, upper), rel=1e-6)


def test_even_fractions_have_an_edge_at_1_khz() -> None:
    """IEC 61260-1:2014, 5.4: for even b the midbands lie half a band off 1 kHz (971.628 and 1029.201 Hz for b = 12)."""
    bands = bands_between(12, 970.0, 1030.0)
    assert bands.midband_hz == pytest.approx([971.628, 1029.201], abs=5e-4)
    assert bands.upper_hz[0] == pytest.approx(1000.0, rel=1e-12)


def test_every_band_of_the_reference_table() -> None:
    """All fractions of IEC 61260-1:2014 (formulas) with ISO 266 names for octaves and third octaves."""
    rows = reference_rows("fractional_octave_bands.csv")
    fractions = sorted({int(row["b"]) for row in rows})
    assert {1, 3} <= set(fractions)
    for fraction in fractions:
        own = [row for row in rows if int(row["b"]) == fraction]
        assert len(own) >= 10
        bands = bands_between(fraction, 1.0, 40_000.0)
        place = {round(float(f), 3): i for i, f in enumerate(bands.midband_hz)}
        for row in own:
            i = place[round(float(row["f_exact_hz"]), 3)]
            assert bands.lower_hz[i] == pytest.approx(float(row["f_lower_hz"]), rel=2e-6)
            assert bands.upper_hz[i] == pytest.approx(float(row["f_upper_hz"]), rel=2e-6)
            if fraction in (1, 3) and row["nominal_hz"]:
                assert bands.nominal_hz[i] == float(row["nominal_hz"])


A_AND_C = {
    10: (-70.4, -14.3), 12.5: (-63.4, -11.2), 16: (-56.7, -8.5), 20: (-50.5, -6.2), 25: (-44.7, -4.4),
    31.5: (-39.4, -3.0), 40: (-34.6, -2.0), 50: (-30.2, -1.3), 63: (-26.2, -0.8), 80: (-22.5, -0.5),
    100: (-19.1, -0.3), 125: (-16.1, -0.2), 160: (-13.4, -0.1), 200: (-10.9, 0.0), 250: (-8.6, 0.0),
    315: (-6.6, 0.0), 400: (-4.8, 0.0), 500: (-3.2, 0.0), 630: (-1.9, 0.0), 800: (-0.8, 0.0),
    1000: (0.0, 0.0), 1250: (0.6, 0.0), 1600: (1.0, -0.1), 2000: (1.2, -0.2), 2500: (1.3, -0.3),
    3150: (1.2, -0.5), 4000: (1.0, -0.8), 5000: (0.5, -1.3), 6300: (-0.1, -2.0), 8000: (-1.1, -3.0),
    10000: (-2.5, -4.4), 12500: (-4.3, -6.2), 16000: (-6.6, -8.5), 20000: (-9.3, -11.2),
}  # fmt: skip
"""IEC 61672-1:2013, Table 3, at all 34 frequencies (transcribed in public tables)."""


@pytest.mark.parametrize("nominal", A_AND_C)
def test_a_and_c_weighting_at_the_exact_frequencies(nominal: float) -> None:
    """Within 0.05 dB of IEC 61672-1:2013, Table 3, whose values are rounded to 0.1 dB."""
    exact = 1000.0 * 10.0 ** (round(10.0 * np.log10(nominal / 1000.0)) / 10.0)
    assert len(A_AND_C) == 34
    for name, value in zip("AC", A_AND_C[nominal], strict=True):
        assert float(weighting_db(name, exact)) == pytest.approx(value, abs=0.0501)  # type: ignore[arg-type]
    assert float(weighting_db("Z", exact)) == 0.0


def test_weighting_poles() -> None:
    """Pole frequencies of IEC 61672-1, Annex E: 20.60, 107.7, 737.9 and 12194 Hz."""
    assert pytest.approx((20.598997, 107.652649, 737.862231, 12194.217148), rel=1e-8) == POLES_HZ


def test_weightings_of_the_reference_table() -> None:
    """The analytic values beside the table, to their last digit."""
    for row in reference_rows("iec61672_weightings.csv"):
        exact = 1000.0 * 10.0 ** (round(10.0 * np.log10(float(row["nominal_hz"]) / 1000.0)) / 10.0)
        assert float(weighting_db("A", exact)) == pytest.approx(float(row["A_analytic_db"]), abs=1e-4)
        assert float(weighting_db("C", exact)) == pytest.approx(float(row["C_analytic_db"]), abs=1e-4)


CLASS_1_OCTAVE = [
    (0.0, -0.4, 0.4), (1 / 8, -0.4, 0.5), (1 / 4, -0.4, 0.7), (3 / 8, -0.4, 1.4), (0.4999, -0.4, 5.3),
    (0.5001, 1.2, np.inf), (1.0, 16.6, np.inf), (2.0, 40.5, np.inf), (3.0, 60.0, np.inf), (4.0, 70.0, np.inf),
]  # fmt: skip
"""Limits on relative attenuation at octave-band breakpoints G^x, IEC 61260-1:2014 class 1 (public transcriptions)."""


@pytest.mark.parametrize("fraction", [1, 3, 6, 12, 24])
@pytest.mark.parametrize("side", [1, -1])
def test_band_filters_keep_the_class_1_limits(fraction: int, side: int) -> None:
    """At every breakpoint of IEC 61260-1:2014, mapped to 1/b octaves by its formula, both sides of the midband."""
    bands = bands_between(fraction, 900.0, 1100.0)
    mid, lower, upper = bands.midband_hz[0], bands.lower_hz[0], bands.upper_hz[0]
    g = 10.0**0.3
    for exponent, least, most in CLASS_1_OCTAVE:
        octave = g**exponent
        ratio = 1.0 + (g ** (1.0 / (2 * fraction)) - 1.0) / (g**0.5 - 1.0) * (octave - 1.0)
        attenuation = -10.0 * np.log10(filter_power(mid * ratio**side, mid, lower, upper))
        assert least <= attenuation <= most


def test_band_levels_of_a_measured_jet_spectrum() -> None:
    """Open data: Akamine et al., AIAA J. 53 (2015) 2061: overall levels as published, from the lines of the spectra."""
    text = open_data("impinging_jet/data.csv").read_text(encoding="utf-8").splitlines()
    published = [float(cell) for cell in text[1].split(",")[1:]]
    lines = np.array([[float(cell) for cell in line.split(",")[: len(published) + 1]] for line in text[2:] if line])
    assert lines.shape == (800, 7)
    whole = [line_shares(lines[0, 0] - 25.0, lines[-1, 0] + 25.0, 1e6 / 20480, 820)]
    psd = np.zeros((6, 820))
    psd[:, np.rint(lines[:, 0] * 20480 / 1e6).astype(int)] = power_pa2(lines[:, 1:].T)
    assert level_db(band_sums(LineSpectra(psd, 1e6 / 20480, np.ones(1)), whole).power)[:, 0] == pytest.approx(
        published, abs=0.006
    )
