"""Band names and how bands lie: ISO 266 and IEC 61260-1:2014 (formulas seen in public excerpts)."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.bands import OCTAVE_RATIO, bands_between, midband_hz

THIRD_OCTAVES = (
    10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
    1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
OCTAVES = (16, 31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
FRACTIONS = (1, 3, 6, 12, 24)


def test_third_octaves_carry_the_preferred_frequencies() -> None:
    """ISO 266, 10 Hz to 20 kHz; both ends of the range belong to it."""
    assert tuple(bands_between(3, 10.0, 20000.0).nominal_hz) == THIRD_OCTAVES


def test_octaves_carry_the_preferred_frequencies() -> None:
    """ISO 266, octaves 16 Hz to 16 kHz."""
    assert tuple(bands_between(1, 16.0, 16000.0).nominal_hz) == OCTAVES


@pytest.mark.parametrize(("lowest", "highest"), [(20.0, 16000.0), (31.5, 8000.0), (19.9527, 15848.9)])
def test_a_range_takes_bands_by_nominal_or_exact_midband(lowest: float, highest: float) -> None:
    """ISO 266 names with the exact midbands of IEC 61260-1, 5.4: 19.9526 Hz is called 20 Hz, 15848.93 Hz 16 kHz."""
    expected = [
        name
        for name, place in zip(THIRD_OCTAVES, range(-20, 14), strict=True)
        if lowest <= name <= highest or lowest <= 1000.0 * 10.0 ** (place / 10.0) <= highest
    ]
    assert bands_between(3, lowest, highest).nominal_hz.tolist() == expected


@pytest.mark.parametrize(
    ("fraction", "index", "exact"),
    [
        (6, -1, 944.060876), (6, 0, 1059.253725), (12, -68, 20.53525), (12, 51, 19386.52636),
        (24, -136, 20.241841), (24, -1, 985.712), (24, 0, 1014.495), (24, 103, 19667.538093),
    ],
)  # fmt: skip
def test_midbands_of_even_fractions(fraction: int, index: int, exact: float) -> None:
    """IEC 61260-1:2014, 5.4: 1000 G^((2x + 1)/(2b)) for even b, worked out outside the code."""
    assert midband_hz(fraction, np.array([index]))[0] == pytest.approx(exact, rel=5e-7)


@pytest.mark.parametrize("fraction", FRACTIONS)
def test_neighbours_share_an_edge(fraction: int) -> None:
    """IEC 61260-1:2014, 5.4 and 5.5: edges half a band off the midband; 1 kHz is a midband for odd b, else an edge."""
    bands = bands_between(fraction, 1.0, 40000.0)
    assert bands.upper_hz[:-1] == pytest.approx(bands.lower_hz[1:], rel=1e-12)
    assert bands.midband_hz**2 == pytest.approx(bands.lower_hz * bands.upper_hz, rel=1e-12)
    assert bands.upper_hz / bands.lower_hz == pytest.approx(OCTAVE_RATIO ** (1 / fraction), rel=1e-12)
    assert bands.midband_hz[0] < 1.0 * OCTAVE_RATIO ** (1 / fraction)
    assert bands.midband_hz[-1] > 40000.0 / OCTAVE_RATIO ** (1 / fraction)
    places = bands.midband_hz if fraction % 2 else bands.lower_hz
    assert np.min(np.abs(places - 1000.0)) < 1e-9


@pytest.mark.parametrize("fraction", FRACTIONS)
def test_a_name_belongs_to_one_band(fraction: int) -> None:
    """A nominal frequency identifies its band (ISO 266); the rounding of b = 6 to 24 is from memory, this is not."""
    bands = bands_between(fraction, 10.0, 20000.0)
    assert np.unique(bands.nominal_hz).size == len(bands)
    assert np.all((bands.nominal_hz > bands.lower_hz) & (bands.nominal_hz < bands.upper_hz))
