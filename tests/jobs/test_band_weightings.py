"""What a weighting makes of a band: against sums over the lines of a spectrum that falls or rises steeply."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.acoustics.weightings import power_weights, weighting_db

LINES_HZ = np.arange(LINES) * STEP_HZ
OPEN = "measurement,one,open,30,30"
BACKGROUND = "background,one,,30,30"


def summed(psd: np.ndarray, lower_hz: float, upper_hz: float) -> float:
    """Power between two frequencies of lines that each hold `STEP_HZ` around themselves, by a fine integral."""
    fine = np.linspace(lower_hz, upper_hz, 20_001)
    return float(np.trapezoid(psd[np.rint(fine / STEP_HZ).astype(int)], fine))


@pytest.mark.parametrize("exponent", [-4.0, 3.0])
def test_against_a_direct_sum_over_the_lines_of_a_steep_spectrum(tmp_path: Path, exponent: float) -> None:
    psd = 1e-4 * (np.maximum(LINES_HZ, STEP_HZ) / 1000.0) ** exponent
    below = 1e-5 * np.maximum(LINES_HZ, STEP_HZ) / 1000.0 * psd.mean() / psd
    below = np.minimum(below, psd / 10.0)
    runs, spectra = {"o": OPEN, "b": BACKGROUND}, {("o", "p"): psd, ("b", "p"): below}
    bands, _ = made(tmp_path, GivenSession(("p",), runs, spectra))
    rows = bands[(bands.run == "o") & bands.corrected_level_db.notna()]
    assert set(rows.state) == {"clear", "corrected"}
    for row in rows.itertuples():
        kept = psd - (below if row.state == "corrected" else 0.0)
        for weighting, found in (("A", row.a_weighting_db), ("C", row.c_weighting_db)):
            weighted = summed(kept * power_weights(weighting, LINES_HZ), row.lower_hz, row.upper_hz)
            expected = 10.0 * np.log10(weighted / summed(kept, row.lower_hz, row.upper_hz))
            assert found == pytest.approx(expected, abs=0.002)
    low = rows[rows.band_hz == rows.band_hz.min()].iloc[0]
    assert abs(low.a_weighting_db - weighting_db("A", low.midband_hz)) > 0.05, "not that of the midband"


def test_a_subtraction_that_leaves_little_keeps_within_the_weights_of_the_band(tmp_path: Path) -> None:
    """The run stands in the highest lines of each band, the background in the lowest alone, 3.3 dB below in all."""
    edges = 1000.0 * 10.0 ** ((np.arange(-10, 5) - 0.5) / 10.0)
    run, below = np.full(LINES, 1e-9), np.full(LINES, 1e-12)
    for lower in edges:
        first, last = int(np.ceil(lower / STEP_HZ)) + 1, int(lower * 10.0**0.1 / STEP_HZ) - 1
        run[last], below[first] = 1e-3, 0.47e-3
    bands, _ = made(tmp_path, GivenSession(("p",), {"o": OPEN, "b": BACKGROUND}, {("o", "p"): run, ("b", "p"): below}))
    rows = bands[(bands.run == "o") & (bands.state == "limited") & (bands.upper_hz < 1000.0)]
    assert len(rows) >= 5
    assert (rows.a_weighting_db.to_numpy() <= weighting_db("A", rows.upper_hz + STEP_HZ / 2.0)).all()
