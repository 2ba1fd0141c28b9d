"""The real pipeline on the invented rig, held against what is true of it.

Thresholds come from the statistics of Gaussian noise (common practice; see also the references of the numerics): a band
power from a record of length T in a band of width B scatters by 1/sqrt(BT), a mean of N of them by that over sqrt(N);
four standard errors are passed once in some 16,000 checks by chance.
"""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rig_campaign import POSITIONS, RigTruth, background_density, source_density, write_rig
from rig_judgement import (
    decibels,
    judged_bands,
    judged_comparisons,
    mean_and_error,
    session_tables,
    table,
    with_backgrounds,
)
from rig_signals import total

from conftest import Finished
from tapeline.quality.reasons import REASONS

pytestmark = pytest.mark.workflow

BEYOND_A_CHART = 37 * 3
"""Three bands of sensor r03 in each of the runs that have it."""

NEIGHBOURS = 3.0
"""Differences that share reference runs and backgrounds: one in three counts as independent (cautious)."""


@pytest.fixture(scope="module")
def bands(rig: RigTruth) -> pd.DataFrame:
    return with_backgrounds(rig, judged_bands(rig))


@pytest.fixture(scope="module")
def comparisons(rig: RigTruth) -> pd.DataFrame:
    return judged_comparisons(rig)


@pytest.mark.long
def test_the_command_finishes_with_status_zero_and_makes_the_same_tables(
    rig: RigTruth, tmp_path: Path, run_tapeline: Callable[..., Finished]
) -> None:
    """Nothing had to be left out. What is held against the truth here is then what the command makes."""
    shutil.copytree(rig.folder, tmp_path / "rig", copy_function=os.link, ignore=shutil.ignore_patterns("results"))
    finished = run_tapeline("run", tmp_path / "rig", "--cores", 2)
    assert finished.status == 0, finished.output[-3000:]
    made, also = (
        {path.relative_to(folder): path for path in sorted((folder / "results" / "tables").rglob("*.parquet"))}
        for folder in (rig.folder, tmp_path / "rig")
    )
    assert made.keys() <= also.keys(), "the laws of speed are not among the jobs done here"
    assert len(made) > 30
    for name, path in made.items():
        assert path.read_bytes() == also[name].read_bytes(), name


def test_sensitivities_are_within_two_hundredths_of_a_decibel(rig: RigTruth) -> None:
    found = table(rig.folder, "calibration").set_index(["session", "position"]).sensitivity_v_per_pa
    errors = {key: 20.0 * np.log10(found[key] / true) for key, true in rig.sensitivities.items()}
    assert len(errors) == 18
    assert max(abs(error) for error in errors.values()) <= 0.02, errors


def test_drift_from_before_to_after_is_found(rig: RigTruth) -> None:
    found = table(rig.folder, "calibration").set_index(["session", "position"]).drift_db
    for number, position in enumerate(POSITIONS, start=1):
        assert found["spring", position] == pytest.approx(0.04 * number - 0.1, abs=0.005)
        assert found["summer", position] == pytest.approx(0.02 * number, abs=0.005)
        assert np.isnan(found["autumn", position])


def test_calibrator_levels_follow_kind_adapter_and_static_pressure(rig: RigTruth) -> None:
    """A closed coupler follows 20 lg(p / 101.325 kPa), a feedback calibrator does not (common practice)."""
    checks = table(rig.folder, "checks")
    expected = checks.calibrator.map({"coupler-250": 124.0 - 0.12 - 0.5599, "speaker-1k": 114.07})
    assert len(checks) == 12 + 12 + 6
    assert checks.found.all()
    assert np.abs(checks.level_db - expected).max() < 1e-3


def test_no_reason_on_any_clean_channel(rig: RigTruth) -> None:
    quality = table(rig.folder, "quality")
    assert len(quality) == 37 * 6 + 4 * 2
    assert quality[quality.reasons.map(len) > 0].empty, quality[quality.reasons.map(len) > 0].to_string()
    calibration = table(rig.folder, "calibration").set_index("session").reasons
    clean = calibration[["spring", "summer", "pascal"]]
    doubts = [REASONS[code] for reasons in clean for code in reasons if REASONS[code].verdict != "good"]
    assert not doubts, "notes apart: the summer's calibrator is far below full scale"
    assert all(list(reasons) == ["no-check-after"] for reasons in calibration["autumn"])


def test_runs_that_must_not_be_used_are_kept_and_marked_but_used_nowhere(
    rig: RigTruth, bands: pd.DataFrame, comparisons: pd.DataFrame
) -> None:
    idle = {"sp-a-shut-old": "superseded", "sp-a-open-spoilt": "left out"}
    status = table(rig.folder, "runs").set_index("run").status
    assert {run: status[run] for run in idle} == idle
    assert (status.drop(list(idle)) == "used").all()
    named = set(np.concatenate([*comparisons.reference_runs, *comparisons.treatment_runs, *bands.background_runs]))
    assert not named & set(idle)
    measured = bands[bands.kind == "measurement"]
    assert not set(measured[measured.level_pa2.notna()].run) & set(idle)


def test_slightly_different_set_speeds_are_one_operating_point(rig: RigTruth) -> None:
    runs = table(rig.folder, "runs")
    runs = runs[runs.run.isin(list(rig.runs))]
    points = runs.groupby(["speed_mps", "yaw_deg"]).run.nunique()
    assert len(points) == 4
    assert sorted({round(speed) for speed, _ in points.index}) == [30, 40]


def test_backgrounds_are_matched_as_the_run_table_says(bands: pd.DataFrame) -> None:
    lists = bands.groupby("run").background_runs.first().map(list)
    assert lists["sp-a-open-1"] == ["sp-a-back-0", "sp-a-back-1"]
    assert lists["sp-b-plate-0"] == ["sp-b-back"]
    assert lists["sp-c-shut"] == []
    assert lists["su-a-open-0"] == ["su-a-back"]
    assert lists["su-a-shut-1"] == [], "its gain is another one than that of the background"
    assert lists["su-a-wedge-0"] == ["su-a-back-wedge"], "the background that names the condition is the nearer one"
    assert lists["au-b-half-1"] == ["au-b-back"]
    assert lists["pa-a-open-0"] == []


def test_band_powers_are_unbiased_overall_and_in_every_band(bands: pd.DataFrame) -> None:
    assert len(bands) == (37 * 6 + 4 * 2) * 20 - BEYOND_A_CHART
    mean, error = mean_and_error(bands, "error", "spread")
    assert abs(10 * np.log10(1 + mean)) <= 0.03
    for key, group in bands.groupby("key"):
        mean, error = mean_and_error(group, "error", "spread")
        assert abs(mean) <= 4.0 * error, f"band {key}: {mean:.5f} against {error:.5f}"


def test_every_format_gain_polarity_and_used_part_gives_the_true_level(bands: pd.DataFrame) -> None:
    """Run by run and fitting by fitting; the sensitivities may be off by 0.02 dB at most, 0.5 % of power."""
    for by in (["run"], ["session", "position"]):
        for name, group in bands.groupby(by):
            mean = np.average(group.error, weights=group.bt)
            assert abs(mean) <= 4.0 / np.sqrt(group.bt.sum()) + 0.005, f"{name}: {mean:.5f}"


def test_scatter_of_band_powers_is_that_of_noise(bands: pd.DataFrame) -> None:
    ratio = (bands.error / bands.spread).std()
    assert ratio == pytest.approx(1.0, abs=0.05)


def test_corrected_levels_are_unbiased(bands: pd.DataFrame) -> None:
    chosen = bands[bands.measured & (bands.true_state == "corrected") & (bands.from_limit > 4.0)]
    assert len(chosen) > 800
    assert (chosen.state == "corrected").all()
    mean, _ = mean_and_error(chosen, "corrected_error", "corrected_spread", "background_part")
    assert abs(10 * np.log10(1 + mean)) <= 0.03
    for key, group in chosen.groupby("key"):
        mean, error = mean_and_error(group, "corrected_error", "corrected_spread", "background_part")
        assert abs(mean) <= 4.0 * error + 0.001, f"band {key}: {mean:.5f} against {error:.5f}"


def test_states_agree_with_the_true_margins(bands: pd.DataFrame) -> None:
    far = bands[bands.measured & (bands.from_limit > 4.0)]
    assert far.true_state.value_counts().min() >= 25
    wrong = far[far.state != far.true_state]
    assert wrong.empty, wrong[["run", "position", "band_hz", "true_margin_db", "margin_db", "state"]].to_string()
    bare = bands[(bands.kind == "measurement") & ~bands.subtracted.astype(bool)]
    assert set(bare.state) == {"none"}


def test_bounds_hold(bands: pd.DataFrame) -> None:
    """Nine in ten where the true margin is below the least one; a bound is stated at one-sided 95 %."""
    bounds = bands[bands.measured & (bands.state == "bound")]
    assert bounds.corrected_level_db.isna().all()
    assert bounds.upper_bound_db.notna().all()
    below = bounds[bounds.true_margin_db < 3.0]
    assert len(below) >= 80
    held = below.upper_bound_db >= decibels(below.true_source_pa2)
    assert held.mean() >= 0.9


def test_stated_uncertainty_of_single_levels_is_their_scatter(bands: pd.DataFrame) -> None:
    """Random and background parts; the calibrators of this campaign are exact."""
    chosen = bands[bands.measured & bands.true_state.isin(["corrected", "limited"]) & (bands.from_limit > 4.0)]
    z = chosen.source_error_db / np.hypot(chosen.random_uncertainty_db, chosen.background_uncertainty_db)
    assert len(z) > 1000
    assert z.std() == pytest.approx(1.0, abs=0.1)
    assert (np.abs(z) < 1.96).mean() == pytest.approx(0.95, abs=0.03)
    assert (chosen.standard_uncertainty_db >= chosen.random_uncertainty_db).all()


def test_uncorrected_levels_carry_the_background_they_keep(bands: pd.DataFrame) -> None:
    chosen = bands[bands.measured & (bands.true_state == "clear") & (bands.from_limit > 4.0)]
    assert np.allclose(chosen.corrected_level_db, chosen.level_db)
    z = chosen.source_error_db / np.hypot(chosen.random_uncertainty_db, chosen.background_uncertainty_db)
    assert np.sqrt((z**2).mean()) == pytest.approx(1.0, abs=0.25)


def test_bands_beyond_a_charts_first_frequency_have_no_level(rig: RigTruth) -> None:
    """Sensor r03's chart starts at 200 Hz: nothing tells its response at 100, 125 and 160 Hz, so no level is given."""
    found = session_tables(rig.folder, "bands")
    missing = found[found.level_db.isna()]
    assert len(missing) == BEYOND_A_CHART
    assert set(missing.band_hz) == {100.0, 125.0, 160.0}
    places = set(zip(missing.session, missing.position, strict=True))
    assert places == {("spring", "duct-c"), ("autumn", "duct-c"), ("summer", "duct-a")}
    assert missing.marks.map(lambda marks: "chart-ends" in marks).all()


def test_bands_at_a_charts_first_frequency_are_marked(bands: pd.DataFrame) -> None:
    """Sensor r03's chart starts at 200 Hz: it sat at duct-c in spring and autumn, at duct-a in summer."""
    unknown = bands[bands.marks.map(lambda marks: "response-unknown" in marks) & (bands.session != "pascal")]
    r03 = {("spring", "duct-c"), ("autumn", "duct-c"), ("summer", "duct-a")}
    for place, group in unknown.groupby(["session", "position"]):
        limit = 200.0 if place in r03 else 101.0
        assert (group.lower_hz < limit).all() or place in {("autumn", "slot-a"), ("autumn", "slot-b")}
    for session, position in r03:
        rows = bands[(bands.session == session) & (bands.position == position) & (bands.lower_hz < 199.0)]
        assert rows.marks.map(lambda marks: "response-unknown" in marks).all()


@pytest.mark.parametrize(("sessions", "least"), [(["spring", "autumn", "pascal"], 400), (["summer"], 150)])
def test_intervals_of_differences_cover_the_truth(comparisons: pd.DataFrame, sessions: list[str], least: int) -> None:
    """Stated at 95 %; first without scatter between runs beyond noise, then with 0.5 dB of it."""
    chosen = comparisons[comparisons.session_label.isin(sessions) & comparisons.difference_db.notna()]
    assert len(chosen) >= least
    assert 0.90 <= chosen.covered.mean() <= 0.99


def test_differences_across_sessions_cover_the_truth(comparisons: pd.DataFrame) -> None:
    """Nothing was planted beside calibration, while a new fitting is assumed to cost more: cover at least 95 %."""
    chosen = comparisons[(comparisons.treatment == "half") & comparisons.difference_db.notna()]
    assert len(chosen) > 100
    assert chosen.covered.mean() >= 0.95


def test_bounds_are_compared_one_sided_only(comparisons: pd.DataFrame) -> None:
    bound = comparisons[comparisons.finding == "bound"]
    assert len(bound) >= 5
    assert bound.difference_db.isna().all()
    assert (bound.lower_db.isna() | bound.upper_db.isna()).all()
    sided = bound[bound.lower_db.notna() | bound.upper_db.notna()]
    low = sided.lower_db.fillna(-np.inf) <= sided.true_difference_db
    high = sided.upper_db.fillna(np.inf) >= sided.true_difference_db
    assert (low & high).mean() >= 0.8


def test_few_null_differences_are_called_real(comparisons: pd.DataFrame) -> None:
    chosen = comparisons[comparisons.null & comparisons.difference_db.notna()]
    false = chosen.finding.isin(["lower", "higher"])
    assert len(chosen) > 500
    assert false.mean() <= 0.05 + 4.0 * np.sqrt(0.05 * 0.95 / (len(chosen) / NEIGHBOURS))
    assert (chosen.adjusted_p_value >= chosen.p_value - 1e-12).all()


def test_large_differences_are_found_with_their_sign(comparisons: pd.DataFrame) -> None:
    """Where the true difference is six standard errors and more, nearly all must be found.

    The standard error must be known too, by four degrees of freedom: between two sessions of few positions it is not.
    """
    size = comparisons.true_difference_db / comparisons.standard_error_db
    known = comparisons.degrees_of_freedom.fillna(np.inf) >= 4.0
    plain = comparisons[comparisons.difference_db.notna() & known & (size.abs() > 6.0)]
    assert len(plain) > 50
    right = np.where(plain.true_difference_db < 0, "lower", "higher")
    assert (plain.finding == right).mean() >= 0.95


def test_pairing_words_follow_sessions_and_mounts(comparisons: pd.DataFrame) -> None:
    assert set(comparisons.treatment) == {"shut", "plate", "wedge", "half"}
    half = comparisons.treatment == "half"
    assert set(comparisons[~half].pairing) == {"same-session"}
    assert (comparisons[~half].reference_session == comparisons[~half].treatment_session).all()
    words = comparisons[half].groupby("position").pairing.agg(set)
    for position in POSITIONS:
        assert words[position] == ({"same-mount"} if position.startswith("duct") else {"remounted"})


def test_reference_and_treatment_runs_are_the_right_ones(comparisons: pd.DataFrame) -> None:
    for row in comparisons[comparisons.finding != "not given"].itertuples():
        letters = {f"{run[:2]}-{run.split('-')[1]}-{run.split('-')[2]}" for run in row.treatment_runs}
        assert letters == {f"{row.treatment_session[:2]}-{row.point.lower()}-{row.treatment}"}
        assert all(run.split("-")[2] == "open" for run in row.reference_runs)


def test_contribution_is_the_power_that_the_treatment_takes_away(comparisons: pd.DataFrame) -> None:
    """`shut` and `plate` have more applied than `open`, so the open slot's contribution is open less treated."""
    chosen = comparisons[comparisons.treatment.isin(["shut", "plate"])]
    assert (chosen.opened == "open").all()
    valued = chosen[chosen.contribution_level_db.notna()]
    assert len(valued) > 80
    real = valued[valued.true_gap_pa2 > 0]
    assert len(real) == len(valued), "a contribution is given a value where truly there is none"
    true = decibels(real.true_gap_pa2)
    both = real.contribution_lower_db.fillna(-np.inf).le(true) & real.contribution_upper_db.fillna(np.inf).ge(true)
    assert both.mean() >= 0.88
    large = real[real.true_difference_db < -3.0]
    assert len(large) >= 30
    errors = large.contribution_level_db - decibels(large.true_gap_pa2)
    assert abs(errors[large.reference_session != "summer"].mean()) < 0.15


def test_no_spot_ranks_ahead_of_one_that_contributes_clearly_more_everywhere(
    rig: RigTruth, comparisons: pd.DataFrame
) -> None:
    """A spot whose value is missing at one loud operating point must not sink for it. Clearly: 1 dB at every point."""
    ranking = table(rig.folder, "ranking")
    ranking = ranking[ranking.comparison == "shut"].sort_values("place")
    assert set(ranking.weighting) == {"Z"}
    shut = comparisons[comparisons.treatment == "shut"]
    gaps = shut.groupby(["point", "position", "band_hz"]).true_gap_pa2.mean().unstack("point")[["A", "C", "D"]]
    gaps = pd.DataFrame(decibels(gaps.clip(lower=1e-12)), gaps.index, gaps.columns)
    order = [gaps.loc[(row.position, row.band_hz)] for row in ranking.itertuples()]
    names = [f"{row.rank} {row.position} {row.band_hz:g} Hz" for row in ranking.itertuples()]
    assert len(order) == 20
    wrong = [
        f"{names[first]} ahead of {names[second]}"
        for first in range(len(order))
        for second in range(first + 1, len(order))
        if (order[second] - order[first] > 1.0).all()
    ]
    assert not wrong, wrong


def a_weighting_power(frequency: np.ndarray) -> np.ndarray:
    """IEC 61672-1 analytic A weighting, as power, with its pole frequencies (from memory)."""
    f2 = frequency**2
    poles = (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2)) * (f2 + 12194.217**2)
    return np.asarray((12194.217**2 * f2**2 / poles) ** 2 * 10.0**0.19997)


@pytest.mark.parametrize("weighting", ["A", "Z"])
def test_overall_levels_are_the_weighted_integral(rig: RigTruth, weighting: str) -> None:
    """Session spring; the level's own scatter is below 0.05 dB, so the mean of 18 runs is within 0.04 dB."""
    overall = session_tables(rig.folder, "overall")
    overall = overall[(overall.session == "spring") & (overall.weighting == weighting)]
    errors = []
    for row in overall.itertuples():
        frequency = np.linspace(row.lower_hz, row.upper_hz, 20001)
        weight = a_weighting_power(frequency) if weighting == "A" else np.ones_like(frequency)
        run = rig.runs[row.run]
        parts = [background_density(row.position, run.point)]
        if run.kind == "measurement":
            parts.append(source_density(run.condition, row.position, run.point))
        true = decibels(np.trapezoid(total(parts)(frequency) * weight, frequency))
        errors.append(row.level_db - float(true))
    assert len(errors) == 18 * 6
    assert abs(np.mean(errors)) < 0.02
    assert max(np.abs(errors)) < 0.25


def test_narrowband_lines_have_the_true_density_and_the_stated_spread(rig: RigTruth) -> None:
    lines = session_tables(rig.folder, "narrowband")
    lines = lines[(lines.session == "spring") & lines.run.str.startswith("sp-a-open")]
    for position, group in lines.groupby("position"):
        ratios = []
        for row in group.itertuples():
            frequency = row.first_hz + row.step_hz * np.arange(len(row.psd_pa2_per_hz))
            inside = (frequency >= 110.0) & (frequency <= 8000.0)
            parts = [source_density("open", position, "A"), background_density(position, "A")]
            ratios.append(np.asarray(row.psd_pa2_per_hz)[inside] / total(parts)(frequency[inside]))
        values = np.concatenate(ratios)
        averages = float(group.effective_averages.iloc[0])
        independent = len(values) / 1.5  # neighbouring lines of a Hann window share noise
        assert abs(values.mean() - 1.0) <= 4.0 / np.sqrt(independent * averages) + 0.005
        assert values.std() * np.sqrt(averages) == pytest.approx(1.0, abs=0.08)


@pytest.mark.long
def test_same_bytes_on_one_core_and_on_two(tmp_path: Path, run_tapeline: Callable[..., Finished]) -> None:
    folders = [tmp_path / "two", tmp_path / "one"]
    for cores, folder in zip((2, 1), folders, strict=True):
        write_rig(folder, 7, ("autumn", "pascal"))
        finished = run_tapeline("run", folder, "--cores", cores)
        assert finished.status == 0, finished.output[-2000:]
    files = [sorted(path.relative_to(folder) for path in folder.glob("results/**/*.parquet")) for folder in folders]
    assert files[0] == files[1]
    assert len(files[0]) > 40
    for name in files[0]:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name
