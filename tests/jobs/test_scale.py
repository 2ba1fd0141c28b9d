"""The job `scale` on given spectra: exponents that are known, and what is left out with its reason."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_cubes import made_cube
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.arrays import Reals
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Achieved, Plan
from tapeline.campaign.settings import Scaling
from tapeline.jobs.levels.level_array import COLUMNS, Item, LevelArray
from tapeline.jobs.scale import ScaleNeeds, ScaleRun
from tapeline.jobs.scale import run as scale
from tapeline.jobs.scale.run import reference_speed_mps
from tapeline.jobs.scale.scaled_levels import scaled_levels
from tapeline.jobs.scale.scaling_rows import scaling_rows
from tapeline.jobs.table_files import campaign_table

HZ = STEP_HZ * np.arange(LINES)
SPEEDS = {20.0: (20.1, 19.9), 28.0: (28.0, 28.3), 40.0: (39.7, 40.2)}
"""Nominal speeds and the achieved ones of two repeats."""

ACHIEVED = {f"u{nominal:g}-{k}": own for nominal, pair in SPEEDS.items() for k, own in enumerate(pair)}
EXPONENT = 5.0


def runs(speeds: Mapping[float, tuple[float, ...]] = SPEEDS) -> dict[str, str]:
    """What the run table says, with a background run at each nominal speed."""
    rows = {
        f"u{nominal:g}-{k}": f"measurement,one,open,{nominal},{own}"
        for nominal, pair in speeds.items()
        for k, own in enumerate(pair)
    }
    return rows | {f"b{nominal:g}": f"background,one,,{nominal},{nominal}" for nominal in speeds}


def flat(speed_mps: float) -> Reals:
    """Density that grows with the fifth power of speed at every frequency."""
    return np.full(LINES, 1e-3 * (speed_mps / 30.0) ** EXPONENT)


def session(psd: Mapping[tuple[str, str], Reals], settings: str = "", **more: object) -> GivenSession:
    """One position `p`, the background 40 dB below where nothing else is said."""
    given = {(run, "p"): flat(own) for run, own in ACHIEVED.items()}
    given |= {(f"b{nominal:g}", "p"): 1e-4 * flat(nominal) for nominal in SPEEDS}
    return GivenSession(("p",), runs(), given | dict(psd), settings, **more)  # type: ignore[arg-type]


def scaled(folder: Path, given: GivenSession) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables of exponents, by band (0 for the overall level), and of collapses."""
    made(folder, given)
    plan = Plan(load_campaign(folder, check=False))
    scale.run(plan)
    found = [pd.read_parquet(campaign_table(plan.campaign.results, name)) for name in ("scaling", "collapse")]
    return found[0].assign(band=found[0].band_hz.fillna(0.0)).set_index("band"), found[1]


def test_exponents_are_found_from_achieved_speeds(tmp_path: Path) -> None:
    """Achieved speeds are up to 1.1 % off: nominal ones would give other exponents."""
    rows, _ = scaled(tmp_path, session({}))
    assert len(rows) == 17 + 1
    assert rows.exponent.to_numpy() == pytest.approx(EXPONENT, abs=0.01), "the background takes 0.0004 dB"
    assert ((rows.exponent_lower < EXPONENT) & (rows.exponent_upper > EXPONENT)).all()
    assert (rows[["speeds", "level_count", "degrees_of_freedom"]] == [3, 6, 4]).all().all()
    assert (rows.lowest_speed_mps == 19.9).all()
    assert (rows.highest_speed_mps == 40.2).all()
    assert all(list(names) == sorted(ACHIEVED) for names in rows.runs)
    assert not rows.left_out.map(len).any()


def test_levels_are_given_at_the_reference_speed(tmp_path: Path) -> None:
    """The geometric mean of the nominal speeds, or what the settings say."""
    mean = float(np.exp(np.mean(np.log(list(SPEEDS)))))
    for settings, speed in (("", mean), ("scaling: {reference_speed_mps: 30}\n", 30.0)):
        rows, _ = scaled(tmp_path / f"{speed:.0f}", session({}, settings))
        assert rows.reference_speed_mps.to_numpy() == pytest.approx(speed)
        band = rows.loc[1000.0]
        power = 1e-3 * (speed / 30.0) ** EXPONENT * (band.upper_hz - band.lower_hz)
        # No air is stated: 20 degrees and 1013.25 hPa are 1.199 kg/m3, 1.2 is the reference.
        assert band.level_at_reference_db == pytest.approx(10.0 * np.log10(power / 4e-10), abs=0.02)


def test_bounds_are_left_out_and_counted(tmp_path: Path) -> None:
    loud = np.where(HZ < 500.0, 0.9 * flat(20.0), 1e-4 * flat(20.0))
    rows, collapses = scaled(tmp_path, session({("b20", "p"): loud}))
    low, high = rows.loc[200.0], rows.loc[2000.0]
    assert list(low.left_out) == ["2 bounds"]
    assert (low.speeds, low.level_count, low.lowest_speed_mps) == (2, 4, 28.0)
    assert low.exponent == pytest.approx(EXPONENT, abs=0.01)
    assert np.isnan(low.lack_of_fit_p_value)
    assert (high.speeds, high.level_count) == (3, 6)
    assert list(collapses.left_out[0]) == ["14 bounds"], "seven bands of two runs"


def test_bands_that_a_tone_dominates_are_left_out_and_their_overall_level_too(tmp_path: Path) -> None:
    tone = flat(28.0)
    tone[250] += 300.0 * tone[0]
    weak = flat(40.2)
    weak[500] += 8.0 * weak[0]
    rows, _ = scaled(tmp_path, session({("u28-0", "p"): tone, ("u40-1", "p"): weak}))
    assert list(rows.loc[1000.0].left_out) == ["1 tonal"]
    assert rows.loc[1000.0].level_count == 5
    assert rows.loc[1000.0].exponent == pytest.approx(EXPONENT, abs=0.01)
    assert list(rows.loc[2000.0].left_out) == [], "9.5 dB above the median"
    assert list(rows.loc[0.0].left_out) == ["1 tonal"], "the line is more than a fifth of the sum"
    fine, _ = scaled(tmp_path / "more", session({("u28-0", "p"): tone}, "scaling: {tonal_above_db: 30}\n"))
    assert list(fine.loc[1000.0].left_out) == []
    assert fine.loc[1000.0].interval_basis == "scatter about the line", "the tone makes the repeats differ"


def test_unusable_channels_are_left_out(tmp_path: Path) -> None:
    rows, _ = scaled(tmp_path, session({("u20-0", "p"): 100.0 * flat(20.0)}, unusable=frozenset({("u20-0", "p")})))
    assert all(list(texts) == ["1 unusable"] for texts in rows.left_out)
    assert rows.exponent.to_numpy() == pytest.approx(EXPONENT, abs=0.01)


def test_what_is_left_at_one_speed_has_a_row_and_no_exponent(tmp_path: Path) -> None:
    loud = {(f"b{nominal:g}", "p"): 0.9 * flat(nominal) for nominal in (20.0, 28.0)}
    rows, collapses = scaled(tmp_path, session(loud))
    assert len(rows) == 18
    assert rows.exponent.isna().all()
    assert rows.exponent_lower.isna().all()
    assert rows.interval_basis.isna().all()
    assert (rows.speeds == 1).all()
    assert all(list(texts) == ["4 bounds"] for texts in rows.left_out)
    assert list(collapses.left_out[0])[-1] == "only 0 bands have levels at two speeds"
    assert collapses.better.isna().all()


@pytest.mark.parametrize(
    ("speeds", "why"),
    [
        ({28.0: (28.0, 28.3)}, "measured at one speed"),
        ({28.0: (28.0,), 29.2: (29.2,)}, "measured at speeds less than 5 % apart"),
    ],
)
def test_speeds_that_are_too_near_have_rows_that_say_so(
    tmp_path: Path, speeds: dict[float, tuple[float, ...]], why: str
) -> None:
    """One speed, and two that are 4 % apart: the overall level alone, and no collapse."""
    table = runs(speeds)
    psd = {(run, "p"): flat(28.0) * (1.0 if run[0] == "u" else 1e-4) for run in table}
    rows, collapses = scaled(tmp_path, GivenSession(("p",), table, psd))
    assert list(rows.quantity) == ["overall"]
    assert rows.exponent.isna().all()
    assert list(rows.left_out[0.0]) == [why]
    assert (rows.level_count[0.0], rows.speeds[0.0]) == (2, len(speeds))
    assert list(collapses.left_out[0]) == [why, "only 0 bands have levels at two speeds"]
    assert collapses.better.isna().all()


def test_a_hump_that_moves_has_a_strouhal_number(tmp_path: Path) -> None:
    """Density 1 + 30 about f = 45 U, with l = 8 mm St = 0.36."""
    psd = {
        (run, "p"): flat(own) * (1.0 + 30.0 * np.exp(-0.5 * (np.log(np.maximum(HZ, 1.0) / (45.0 * own)) / 0.3) ** 2))
        for run, own in ACHIEVED.items()
    }
    settings = "scaling: {lengths: {p: 0.008}, length_m: 1}\n"
    _, collapses = scaled(tmp_path, session(psd, settings))
    (row,) = collapses.to_dict("records")
    assert row["better"] == "strouhal"
    assert row["peak_per_m"] == pytest.approx(45.0, rel=0.15)
    assert row["peak_strouhal"] == pytest.approx(0.008 * row["peak_per_m"])
    assert (row["length_m"], row["length_source"]) == (0.008, "scaling.lengths: position p")
    # Levels in bands of constant relative width: density with U^5 at one f/U is U^5 times a width that goes with U.
    assert row["strouhal_exponent"] == pytest.approx(EXPONENT + 1.0, abs=0.2)
    assert row["strouhal_scatter_db"] < row["frequency_scatter_db"] / 3.0
    assert (row["bands"], row["speeds"], row["level_count"]) == (17, 3, 17 * 6)


def test_a_resonance_that_stays_goes_with_frequency(tmp_path: Path) -> None:
    rise = 1.0 + 30.0 / (1.0 + (2.0 * 12.0 * (HZ / 700.0 - 1.0)) ** 2)
    psd = {(run, "p"): flat(own) * rise for run, own in ACHIEVED.items()}
    _, collapses = scaled(tmp_path, session(psd))
    assert list(collapses.better) == ["frequency"]
    assert collapses.frequency_exponent[0] == pytest.approx(EXPONENT, abs=0.01)
    assert collapses.peak_strouhal.isna().all(), "no length is stated"


def test_too_few_bands_have_no_collapse(tmp_path: Path) -> None:
    rows, collapses = scaled(tmp_path, session({}, "scaling: {least_bands: 18}\n"))
    assert rows.exponent.notna().all()
    assert list(collapses.left_out[0]) == ["only 17 bands have levels at two speeds"]
    assert collapses.better.isna().all()


def test_too_few_levels_for_a_curve_are_said(tmp_path: Path) -> None:
    """The least setting, and bounds from 315 Hz down and from 1 kHz up at one of two speeds an octave apart."""
    speeds = {20.0: (20.0,), 40.0: (40.0,)}
    table = runs(speeds)
    loud = np.where((HZ < 355.0) | (HZ > 1122.0), 0.9, 1e-4) * flat(20.0)
    psd = {("u20-0", "p"): flat(20.0), ("u40-0", "p"): flat(40.0), ("b20", "p"): loud, ("b40", "p"): 1e-4 * flat(40.0)}
    _, collapses = scaled(tmp_path, GivenSession(("p",), table, psd, "scaling: {least_bands: 5}\n"))
    assert collapses.bands[0] == 5
    assert list(collapses.left_out[0])[-1] == "too few levels for a curve"


def given_cube(level_db: Reals) -> LevelArray:
    """One band at one position, levels (runs,), 0.1 dB random error and nothing else."""
    shape = (level_db.size, 1, 1)
    values = {name: np.zeros(shape) for name in COLUMNS}
    values |= {"corrected_level_db": level_db.reshape(shape), "upper_bound_db": np.full(shape, np.nan)}
    values["random_uncertainty_db"] = np.full(shape, 0.1)
    nothing = np.zeros(shape, dtype=np.int8)
    item = Item("band", "Z", 891.3, 1122.0, 1000.0, 1000.0)
    names = tuple(f"r{i}" for i in range(level_db.size))
    return made_cube(names, ("p",), (item,), values, nothing, cells=names)


def test_overall_levels_of_other_bands_are_left_out() -> None:
    """A short run has no level in its low bands: its sum lacks them, and that is no exponent."""
    airs = [Achieved(speed, speed, None, 20.0, 1000.0, 50.0) for speed in (28.0, 34.0, 40.0)]
    cube, needs = given_cube(np.array([90.0, 95.0, 97.0])), given_needs(airs)
    lower = np.array([89.1, 89.1, 224.0]).reshape(3, 1, 1)
    overall = dataclasses.replace(
        cube,
        items=(Item("overall", "Z", 100.0, 4000.0),),
        lower_hz=lower,
        upper_hz=np.full(lower.shape, 4467.0),
    )
    no_tone = {"one": np.zeros((3, 1, 1), dtype=bool)}
    (row,) = (r for group in scaled_levels(overall, needs, no_tone) for r in scaling_rows(overall, needs, group, 33.0))
    assert row["left_out"] == ["1 summed over other bands"]
    assert row["runs"] == ["r0", "r1"]


def given_needs(achieved: list[Achieved]) -> ScaleNeeds:
    made_of = tuple(ScaleRun(f"r{i}", "one", "open", 0.0, each) for i, each in enumerate(achieved))
    return ScaleNeeds("given", made_of, (), (), Scaling(), 1.2, 2e-5, 0.95)


def test_thinner_air_is_no_exponent() -> None:
    """Pressure goes with density: a hall that warms from 10 to 25 degrees between two speeds would take 0.3 off n."""
    airs = [Achieved(speed, speed, None, celsius, 1000.0, 50.0) for speed, celsius in ((28.0, 10.0), (40.0, 25.0))]
    density = np.array([1000e2 / (287.05 * (273.15 + each.temperature_c)) for each in airs if each.temperature_c])
    level = 90.0 + 60.0 * np.log10(np.array([28.0, 40.0]) / 28.0) + 20.0 * np.log10(density / density[0])
    cube, needs = given_cube(level), given_needs(airs)
    no_tone = {"one": np.zeros((2, 1, 1), dtype=bool)}
    (row,) = (row for group in scaled_levels(cube, needs, no_tone) for row in scaling_rows(cube, needs, group, 33.0))
    assert row["exponent"] == pytest.approx(6.0, abs=0.03), "dry-air density beside that of moist air"
    assert (np.diff(level)[0] / (10.0 * np.log10(40.0 / 28.0))) < 5.75


def test_a_dynamic_pressure_stands_for_a_speed() -> None:
    """q = rho U^2 / 2: without a measured speed the exponent is that of the speed which follows."""
    airs = [Achieved(speed, None, 0.6 * own**2, None, None, None) for speed, own in ((28.0, 28.5), (40.0, 39.0))]
    cube, needs = given_cube(90.0 + 50.0 * np.log10(np.array([28.5, 39.0]))), given_needs(airs)
    no_tone = {"one": np.zeros((2, 1, 1), dtype=bool)}
    (row,) = (row for group in scaled_levels(cube, needs, no_tone) for row in scaling_rows(cube, needs, group, 33.0))
    assert row["exponent"] == pytest.approx(5.0, abs=1e-9)
    assert (row["degrees_of_freedom"], row["interval_basis"]) == (0, "stated uncertainty")


def test_the_reference_speed_of_a_campaign_without_runs_is_one() -> None:
    assert reference_speed_mps(given_needs([])) == 1.0


def test_sessions_are_never_mixed() -> None:
    """One speed in each of two sessions makes no exponent."""
    airs = [Achieved(speed, speed, None, None, None, None) for speed in (28.0, 40.0)]
    needs = given_needs(airs)
    apart = tuple(ScaleRun(f"r{i}", f"s{i}", "open", 0.0, each) for i, each in enumerate(airs))
    cube = given_cube(np.array([90.0, 99.0]))
    no_tone = {f"s{i}": np.zeros((2, 1, 1), dtype=bool) for i in range(2)}
    other = ScaleNeeds("given", apart, (), (), needs.scaling, 1.2, 2e-5, 0.95)
    groups = list(scaled_levels(cube, other, no_tone))
    assert [(group.session, group.runs, group.too_near) for group in groups] == [
        ("s0", ("r0",), "measured at one speed"),
        ("s1", ("r1",), "measured at one speed"),
    ]
    assert [list(scaling_rows(cube, other, group, 33.0)) for group in groups] == [[], []], "a band, no overall level"
