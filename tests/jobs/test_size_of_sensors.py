"""Sensors of two sizes under one boundary layer: what is corrected, what is marked, and what never is."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.arrays import Reals
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.scale import run as scale
from tapeline.jobs.table_files import campaign_table
from tapeline.statistics.term_variances import variance_of_difference
from tapeline.statistics.uncertainty_terms import SENSOR_SIZE

HZ = STEP_HZ * np.arange(LINES)
SPEED_MPS = 36.0
SHARE = 0.7
DIAMETERS = {"small": 2.0, "large": 4.0, "recess": 4.0, "unknown": 4.0}
FLOW = {"small": "attached", "large": "attached", "recess": "cavity", "bare": "attached"}
POSITIONS = (*DIAMETERS, "bare")


def steep(hz: Reals) -> Reals:
    """A density that falls by 15 dB an octave above 2 kHz, as wall pressure does at its upper end."""
    return 1e-2 / (1.0 + (hz / 2000.0) ** 5)


def passed(diameter_mm: float, speed_mps: float, hz: Reals) -> Reals:
    """Power that a disc passes in a Corcos field, by summing its cross-spectrum over a grid of pairs of points.

    Pairs along the flow and across it separate: the sensor is cut into strips, each strip pair has its own sum.
    """
    at = (np.arange(80) + 0.5) / 40.0 - 1.0
    apart = at[:, None] - at[None, :]
    inside = np.hypot(at[:, None], at[None, :]) <= 1.0
    found = np.ones(hz.size)
    for i, k in enumerate(2.0 * np.pi * hz * diameter_mm / 2000.0 / (SHARE * speed_mps)):
        along = np.exp(-0.11 * k * np.abs(apart)) * np.cos(k * apart)
        across = np.exp(-0.7 * k * np.abs(apart))
        found[i] = np.sum(along * (inside @ across @ inside.T)) / inside.sum() ** 2
    return found


def field(speed_mps: float, *, seen: bool = True) -> dict[str, Reals]:
    """Densities at all positions, the boundary layer's as the sensors of 2 and 4 mm see it."""
    every = np.arange(0, LINES, 8)
    own = steep(HZ) * (speed_mps / SPEED_MPS) ** 5
    lost = {
        d: np.interp(HZ, HZ[every], passed(d, speed_mps, HZ[every])) if seen else np.ones(LINES) for d in (2.0, 4.0)
    }
    return {name: own * (lost[DIAMETERS[name]] if name in ("small", "large") else 1.0) for name in POSITIONS}


def session(settings: str = "", speeds: tuple[float, ...] = (SPEED_MPS,), **more: object) -> GivenSession:
    rows = {f"u{speed:g}": f"measurement,one,open,{speed},{speed}" for speed in speeds}
    psd = {(f"u{speed:g}", name): density for speed in speeds for name, density in field(speed).items()}
    return GivenSession(POSITIONS, rows, psd, settings, diameters_mm=DIAMETERS, flow=FLOW, **more)  # type: ignore[arg-type]


def at(table: pd.DataFrame, position: str) -> pd.DataFrame:
    return table[table.position == position].set_index("band_hz")


@pytest.mark.parametrize(
    ("bands", "offered"),
    [("{range_hz: [100, 4000]}", (17, 16)), ("{fraction: 1, range_hz: [125, 2000]}", (5, 5))],
)
def test_what_either_size_took_comes_back_where_the_correction_is_offered(
    tmp_path: Path, bands: str, offered: tuple[int, int]
) -> None:
    """Attenuated by numerical integration over discs of 2 and 4 mm: within 0.5 dB of the point sensor's level."""
    table, _ = made(tmp_path, session(bands=bands))
    point = at(table, "bare").corrected_level_db
    for name, count in zip(("small", "large"), offered, strict=True):
        rows = at(table, name)
        given = rows.size_correction_db.notna()
        assert given.sum() == count
        assert (rows.size_corrected_level_db - point)[given].abs().max() < 0.5
        assert (rows.corrected_level_db < point - 0.01).all(), "the uncorrected level stays as it was measured"
        np.testing.assert_allclose(
            (rows.corrected_level_db + rows.size_correction_db)[given], rows.size_corrected_level_db[given]
        )
        assert (rows.size_correction_db[given] <= 6.0).all()
        np.testing.assert_allclose(rows.convection_speed_mps, SHARE * SPEED_MPS)


def test_beyond_the_limit_a_band_is_marked_and_its_uncertainty_says_how_much_may_be_missing(tmp_path: Path) -> None:
    table, overall = made(tmp_path, session(bands="{range_hz: [100, 4000]}"))
    rows = at(table, "large")
    limited = rows.marks.map(lambda marks: "size-limited" in marks)
    assert limited.to_dict() == rows.size_correction_db.isna().to_dict() and limited[4000.0] and not limited[2000.0]
    missing = at(table, "bare").corrected_level_db - rows.corrected_level_db
    reach = rows.absolute_upper_db - rows.corrected_level_db
    assert (reach > missing).all(), "the absolute interval reaches the point sensor's level"
    assert not rows.doubt.map(len).any() and rows.pooled.all(), "repeats of one sensor are as good as ever"
    sums = overall.set_index("position")
    assert sums.size_correction_db["small"] > 0.0 and np.isnan(sums.size_correction_db["recess"])


def test_positions_of_other_kinds_and_sensors_of_unknown_size_are_never_corrected(tmp_path: Path) -> None:
    table, _ = made(tmp_path, session())
    for name in ("recess", "unknown", "bare"):
        rows = at(table, name)
        assert rows.size_correction_db.isna().all() and rows.size_corrected_level_db.isna().all(), name
        assert (rows.size_uncertainty_db == 0.0).all(), name


def test_nothing_is_corrected_without_wind_and_in_background_runs(tmp_path: Path) -> None:
    rows = {"still": "measurement,one,open,0,0", "hood": f"background,one,,{SPEED_MPS},{SPEED_MPS}"}
    psd = {(run, name): density for run in rows for name, density in field(SPEED_MPS).items()}
    given = GivenSession(POSITIONS, rows, psd, diameters_mm=DIAMETERS, flow=FLOW)
    table, _ = made(tmp_path, given)
    assert table.size_correction_db.isna().all() and (table.size_uncertainty_db == 0.0).all()


def test_settings_decide_how_much_is_offered(tmp_path: Path) -> None:
    table, _ = made(tmp_path, session("sensor_size: {offered_to_db: 1.0, radius_share: 0.7}\n"))
    rows = at(table, "large")
    assert rows.size_correction_db.max() <= 1.0
    smaller = at(made(tmp_path / "usual", session())[0], "large")
    assert rows.size_correction_db[500.0] < smaller.size_correction_db[500.0]


def test_an_exponent_says_what_size_does_to_it(tmp_path: Path) -> None:
    """A field that grows with the fifth power everywhere: the sensor takes more off at the lower speeds."""
    given = session(speeds=(24.0, 30.0, 36.0), bands="{range_hz: [100, 4000]}")
    made(tmp_path, given)
    plan = Plan(load_campaign(tmp_path, check=False))
    scale.run(plan)
    table = pd.read_parquet(campaign_table(plan.campaign.results, "scaling"))
    rows = at(table[table.quantity == "band"], "large")
    assert rows.exponent[1000.0] > 5.3, "bent by the size"
    assert rows.size_corrected_exponent[1000.0] == pytest.approx(5.0, abs=0.1)
    assert any(words.startswith("sensor-size: -") for words in rows.doubt[1000.0])
    assert rows.doubt[4000.0].tolist() == ["size-limited: u24, u30, u36"]
    assert np.isnan(rows.size_corrected_exponent[4000.0])
    collapsed = pd.read_parquet(campaign_table(plan.campaign.results, "collapse")).set_index("position")
    assert collapsed.doubt["large"].tolist() == ["size-limited: 2500, 3150, 4000 Hz"]
    assert collapsed.doubt["small"].tolist()[0].startswith("sensor-size: ") and not len(collapsed.doubt["recess"])
    recess = at(table[table.quantity == "band"], "recess")
    assert recess.size_corrected_exponent.isna().all() and not recess.doubt.map(len).any()


def test_errors_of_one_sign_cancel_as_far_as_they_are_alike() -> None:
    used = np.ones((2, 1, 1), dtype=bool)
    sides = [(np.full((2, 1, 1), size), used) for size in (1.5, 1.5, 2.5)]
    difference = partial(variance_of_difference, SENSOR_SIZE)
    assert difference([sides[0], sides[1]]) == pytest.approx(0.0)
    assert difference([sides[0], sides[2]]) == pytest.approx(1.0)
