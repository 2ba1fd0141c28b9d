"""Random synthetic sessions with known truth: every sensitivity and frequency found, no false alarm.

`make validate` repeats the healthy sessions five hundred times.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from random_applications import Applications, Session

from long_evidence import first_of
from tapeline.acoustics.air import static_pressure_correction_db


def judged(session: Session) -> tuple[float, float, list[str]]:
    """Largest error of a sensitivity in dB and of a frequency in percent, and all reasons, of a healthy session."""
    listed = Applications(session.order())
    listed.stated = list(listed.calibrated)
    unlisted = Applications(session.order())
    session.write("one", listed)
    session.write("two", unlisted, {c: float(session.random.normal(0.0, 0.04)) for c in range(session.channels)})
    rows = session.checks_table([session.check("one", "before", listed), session.check("two", "after", unlisted)])
    assert len(rows) == 2 * session.channels
    table = session.calibration_table(rows)
    before = [table[session.position(c)]["before_v_per_pa"] for c in range(session.channels)]
    off = np.abs(20.0 * np.log10(np.array(before) / session.sensitivity))
    hertz = np.array([row["tone_frequency_hz"] for row in rows])
    said = [code for row in [*rows, *table.values()] for code in row["reasons"]]
    return float(off.max()), float(np.abs(100.0 * (hertz / session.tone_hz - 1.0)).max()), said


@pytest.mark.parametrize("seed", first_of(4, range(12)))
def test_eight_channels(tmp_path: Path, seed: int) -> None:
    """985 hPa, an adapter of 0.12 dB, knocks, a neighbour's tone 35 dB down: within 0.02 dB and 0.01 %."""
    off_db, off_pct, said = judged(Session(seed, 8, tmp_path, closed_coupler=seed % 2 == 0))
    assert off_db < 0.02
    assert off_pct < 0.01
    assert said == []


@pytest.mark.long
def test_sixty_four_channels(tmp_path: Path) -> None:
    off_db, off_pct, said = judged(Session(100, 64, tmp_path, rate_hz=6400.0, application_s=(1.6, 2.4)))
    assert off_db < 0.02
    assert off_pct < 0.01
    assert said == []


def test_the_planted_pressure_is_the_published_correction(tmp_path: Path) -> None:
    """The truth of these sessions rests on 20 lg(985 / 1013.25) = -0.2456 dB (closed couplers, computed)."""
    session = Session(0, 8, tmp_path)
    level_db = 20.0 * np.log10(session.pascals() / 2e-5)
    assert level_db == pytest.approx(124.12 - 0.2456, abs=1e-4)
    assert static_pressure_correction_db(98_500.0) == pytest.approx(-0.2456, abs=1e-4)
