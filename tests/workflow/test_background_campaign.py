"""Backgrounds through the real workflow: references, a bridge between speeds, wind off, refusals, budgets.

Truth is what the recordings were made of; limits are standard errors of Gaussian noise, 4.34/sqrt(BT).
"""

from __future__ import annotations

import json

import background_campaign as made
import numpy as np
import pandas as pd
import pytest
from empty_cells import SAY_IT, unexplained_in
from sample_runs import CampaignRun, run_campaign, tapeline

pytestmark = pytest.mark.workflow


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> CampaignRun:
    run = run_campaign(made.write_background_campaign(tmp_path_factory.mktemp("backgrounds") / "campaign"), 2)
    assert run.status == 0, run.output[-3000:]
    return run


def test_a_column_with_empty_cells_says_what_they_mean(finished: CampaignRun) -> None:
    assert unexplained_in(finished.results) == set(), SAY_IT


def table(run: CampaignRun, name: str) -> pd.DataFrame:
    folder = run.results / "tables"
    path = folder / f"{name}.parquet"
    parts = [path] if path.is_file() else sorted((folder / name).glob("session=*/part-0.parquet"))
    return pd.concat([pd.read_parquet(part) for part in parts], ignore_index=True)


def bands_of(run: CampaignRun, name: str, position: str) -> pd.DataFrame:
    bands = table(run, "bands")
    return bands[(bands.run == name) & (bands.position == position)].set_index("band_hz")


def true_level_db(rms_pa: float, bands: pd.DataFrame) -> pd.Series:
    """Level of white noise in each band."""
    density = 2.0 * rms_pa**2 / made.RATE_HZ
    return 10.0 * np.log10(density * (bands.upper_hz - bands.lower_hz) / 4e-10)


def mean_error_db(found: pd.Series, truth: pd.Series, bands: pd.DataFrame) -> tuple[float, float]:
    """Mean over the bands and the standard error that white noise gives it."""
    spread = 4.343 / np.sqrt((bands.upper_hz - bands.lower_hz) * made.SECONDS)
    return float((found - truth).mean()), float(np.sqrt((spread**2).sum()) / len(bands))


@pytest.mark.parametrize("condition", ["open", "sealed"])
def test_what_the_references_hear_is_removed(finished: CampaignRun, condition: str) -> None:
    """Rolling noise 5 to 12 dB above the sensor's own: the own part is left, without bias."""
    for position in made.WALL:
        bands = bands_of(finished, f"r-{condition}", position)
        own = true_level_db(made.OWN_RMS_PA[condition], bands)
        below = 10.0 * np.log10(bands.level_pa2 - bands.coherent_pa2) - 10.0 * np.log10(4e-10)
        error, spread = mean_error_db(below, own, bands)
        # The wheels' delays reach over the ends of blocks: a little of them is not coherent within one.
        assert error == pytest.approx(0.05, abs=4.0 * spread + 0.15)
        values = bands[bands.state != "bound"]
        assert values.corrected_level_db.sub(own[values.index]).abs().max() < 1.5
        assert (bands.level_db - own).mean() > 4.0


def test_more_than_asked_is_left_as_a_bound(finished: CampaignRun) -> None:
    """Sealed, 12 dB are to come off: beyond background.most_removed_db, 10 dB, the level is a bound that holds."""
    bands = bands_of(finished, "r-sealed", "p1")
    bounds = bands[bands.state == "bound"]
    assert len(bounds) >= 10
    assert bounds.corrected_level_db.isna().all()
    assert (bounds.upper_bound_db > true_level_db(made.OWN_RMS_PA["sealed"], bounds) - 0.3).all()
    assert set(bands_of(finished, "r-open", "p1").state) <= {"limited"}


def test_the_table_of_conditioned_spectra_says_how_sure(finished: CampaignRun) -> None:
    found = table(finished, "conditioned_spectra")
    assert set(found.run) == {"r-open", "r-sealed"}
    assert set(found.position) == set(made.WALL)
    row = found.iloc[0]
    assert list(row.references) == ["w1", "w2"]
    assert np.mean(row.significant) > 0.99
    assert set(row.references_used) == {2}
    assert row.relative_error[10] == pytest.approx(1.0 / np.sqrt(row.effective_averages - 2.0), rel=1e-5)
    assert len(row.psd_pa2_per_hz) == len(row.multiple_coherence)


def test_a_reference_keeps_its_own_level(finished: CampaignRun) -> None:
    bands = bands_of(finished, "r-open", "w1")
    assert (bands.state == "none").all()
    error, spread = mean_error_db(bands.corrected_level_db, true_level_db(1.0, bands), bands)
    assert abs(error) < 4.0 * spread


def test_a_missing_speed_is_bridged_by_a_power_law(finished: CampaignRun) -> None:
    """Background power rises as U^4; the mean of the two runs at 30 m/s is 2.5 dB too loud, and the law takes 40 % of
    that at the achieved speed: ln(23.5/20) / ln(30/20)."""
    bands = bands_of(finished, "t25", "p1")
    assert bands.marks.map(lambda marks: "background-between-speeds" in marks).all()
    loud = 10.0 * np.log10((1.0 + made.UNSTEADY**2) / 2.0) * np.log(made.ACHIEVED_MPS / 20) / np.log(30 / 20)
    truth = true_level_db(made.background_rms_pa(made.ACHIEVED_MPS), bands) + loud
    error, spread = mean_error_db(bands.background_level_db, truth, bands)
    assert abs(error) < 4.0 * spread
    runs = table(finished, "runs").set_index("run")
    assert runs.background_kind["t25"] == "between-speeds"
    assert list(runs.background_runs["t25"]) == ["b20", "b30", "b30-again"]


def test_background_runs_that_differ_are_named_and_counted(finished: CampaignRun) -> None:
    """4 dB apart: marked, and the background's uncertainty holds at least their scatter."""
    bands = bands_of(finished, "t30", "p1")
    assert bands.marks.map(lambda marks: "background-unsteady" in marks).mean() > 0.9
    steady = bands_of(finished, "t20", "p1")
    assert not steady.marks.map(lambda marks: "background-unsteady" in marks).any()
    ratio = bands.background_uncertainty_db / (bands.background_pa2 / bands.corrected_pa2)
    assert ratio[bands.state == "limited"].min() > 1.0


def test_another_gain_is_taken_off_where_a_wind_off_run_bounds_the_electrical_part(finished: CampaignRun) -> None:
    """The wind-off level is 27 dB below the background: at the run's gain nothing more is known of it than a 500th."""
    bands, same = (bands_of(finished, name, "p1") for name in ("t30-gain", "t30"))
    assert (bands.background_level_db - same.background_level_db).abs().max() < 0.01
    assert not bands.marks.map(lambda marks: "background-other-gain" in marks).any()
    runs = table(finished, "runs").set_index("run")
    assert list(runs.background_runs["t30-gain"]) == ["b30", "b30-again"]
    assert bands.electrical_level_db.isna().all(), "the wind-off run has another gain than the run"


def test_what_is_refused_is_said_with_the_reason(finished: CampaignRun) -> None:
    bands = bands_of(finished, "t30-late", "p1")
    assert (bands.state == "none").all()
    assert bands.marks.map(lambda marks: "background-refused" in marks).all()
    runs = table(finished, "runs").set_index("run")
    reason = "b30: taken 72.2 hours apart (at most 24, background.most_hours)"
    assert reason in list(runs.background_refused["t30-late"])
    assert "b30: taken 72.2 hours apart" in (finished.results / "report.html").read_text(encoding="utf-8")
    checked = tapeline("check", finished.folder)
    assert 'config/runs.csv:12, column "background"' in checked.stderr
    # Beside the run with a background the one without does not count.
    budgets = table(finished, "budgets").query("budget == 'absolute'")
    mean = budgets[(budgets.speed_mps == 30.0) & (budgets.position == "p1") & (budgets.band_hz == 1000.0)]
    assert sorted(list(names) for names in mean.runs) == [["t30"], ["t30-gain"]]


def test_a_channel_at_its_electrical_floor_says_so(finished: CampaignRun) -> None:
    """p3 stands 1.6 dB above its wind-off level."""
    bands = bands_of(finished, "t20", "p3")
    assert bands.marks.map(lambda marks: "at-electrical-floor" in marks).mean() > 0.9
    error, spread = mean_error_db(bands.electrical_level_db, true_level_db(made.FLOOR_RMS_PA, bands), bands)
    assert abs(error) < 4.0 * spread
    assert not bands_of(finished, "t20", "p1").marks.map(lambda marks: "at-electrical-floor" in marks).any()
    assert "at the electrical floor" in (finished.results / "report.html").read_text(encoding="utf-8")


def test_levels_are_brought_to_the_nominal_speed(finished: CampaignRun) -> None:
    """23.5 m/s instead of 25: 40 lg(25/23.5) = 1.07 dB, beyond 1 dB and 5 % (density 1.2 against 20 degrees' air)."""
    off = bands_of(finished, "t25", "p1")
    exact = bands_of(finished, "t20", "p1")
    density = table(finished, "runs").set_index("run").air_density_kgm3["t25"]
    expected = 40.0 * np.log10(25.0 / 23.5) - 20.0 * np.log10(density / 1.2)
    assert off.nominal_correction_db.to_numpy() == pytest.approx(expected, abs=1e-9)
    assert (off.nominal_level_db - off.corrected_level_db).dropna().to_numpy() == pytest.approx(expected, abs=1e-9)
    assert off.marks.map(lambda marks: "extrapolated" in marks).all()
    assert not exact.marks.map(lambda marks: "extrapolated" in marks).any()


def test_missing_references_are_said(finished: CampaignRun) -> None:
    assert bands_of(finished, "t20", "p1").marks.map(lambda marks: "references-missing" in marks).all()
    assert not bands_of(finished, "r-open", "p1").marks.map(lambda marks: "references-missing" in marks).any()


def test_budgets_add_up_to_the_columns_beside_the_levels(finished: CampaignRun) -> None:
    budgets, comparisons = table(finished, "budgets"), table(finished, "comparisons")
    squares = budgets.terms_db.map(lambda terms: float(np.sum(np.square(terms))))
    assert np.sqrt(squares).to_numpy() == pytest.approx(budgets.standard_uncertainty_db.to_numpy(), rel=1e-6)
    valued = comparisons[comparisons.difference_db.notna()]
    differences = budgets[budgets.budget == "difference"]
    assert len(differences) == len(valued)
    key = ["comparison", "session_label", "position", "quantity", "band_hz", "lowest_band_hz"]
    both = differences.merge(valued, on=key, suffixes=("", "_of_comparison"))
    assert len(both) == len(valued)
    assert both.standard_uncertainty_db.to_numpy() == pytest.approx(both.standard_error_db.to_numpy(), rel=1e-9)
    cancelled = differences.apply(lambda row: dict(zip(row.terms, row.terms_db, strict=True))["response"], axis=1)
    assert (cancelled == 0.0).all(), "what both levels of a session share"
    single = budgets[(budgets.budget == "absolute") & (budgets.runs.map(len) == 1) & (budgets.speed_mps == 25.0)]
    levels = table(finished, "bands").set_index(["run", "position", "band_hz"])
    for row in single[single.quantity == "band"].itertuples():
        alone = levels.loc[(row.runs[0], row.position, row.band_hz)]
        terms = dict(zip(row.terms, row.terms_db, strict=True))
        assert terms["speed"] == pytest.approx(alone.speed_uncertainty_db, rel=1e-6)
        assert terms["background"] == pytest.approx(alone.background_uncertainty_db, rel=1e-6)


def test_backgrounds_of_other_kinds_are_explained(finished: CampaignRun) -> None:
    """A bound that references leave, and a background bridged between two speeds, redone from its runs."""
    chapters = []
    for run in ("r-sealed", "t25"):
        done = tapeline("explain", run, "p1", "400", finished.folder, "--json")
        assert done.returncode == 0, done.stderr
        chapters.append(json.loads(done.stdout)["chapters"]["background"])
    rolling, bridged = chapters
    row = bands_of(finished, "r-sealed", "p1").loc[400.0]
    assert rolling["kept_pa2"]["value"] == pytest.approx(row.level_pa2 - row.coherent_pa2, rel=1e-9)
    assert rolling["background_degrees_of_freedom"]["value"] is None
    levels = {each["run"]: each["level_db"] for each in bridged["runs"]}
    assert sorted(levels) == ["b20", "b30", "b30-again"]
    upper = 10.0 * np.log10(np.mean([10.0 ** (levels[name] / 10.0) for name in ("b30", "b30-again")]))
    share = np.log(bridged["at_mps"]["value"] / 20.0) / np.log(1.5)
    between = (1.0 - share) * levels["b20"] + share * upper
    assert between == pytest.approx(bands_of(finished, "t25", "p1").loc[400.0].background_level_db, abs=1e-9)
