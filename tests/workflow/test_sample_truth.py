"""The sample campaign's truth, recovered by the whole chain."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sample_runs import REPOSITORY, CampaignRun

from tapeline.acoustics.strouhal_collapse import collapse
from tapeline.campaign.load import load_campaign
from tapeline.report.finished_tables import read_finished
from tapeline.report.speed_levels import band_levels, line_db, overall_series

pytestmark = pytest.mark.workflow


def truth(name: str) -> pd.DataFrame:
    """One table of what the synthesiser put in."""
    frame = pd.read_csv(REPOSITORY / "data-sample" / "truth" / name, comment="#")
    if "band_hz" in frame:
        frame["key"] = frame["band_hz"].round(3)
    return frame


def table(run: CampaignRun, name: str) -> pd.DataFrame:
    """One finished table."""
    folder = run.results / "tables" / name
    frame = pd.read_parquet(folder if folder.is_dir() else folder.with_suffix(".parquet"))
    if "midband_hz" in frame:
        frame["key"] = frame["midband_hz"].round(3)
    return frame


@pytest.fixture(scope="module")
def levels(sample: CampaignRun) -> pd.DataFrame:
    """Measured and true band levels of all usable channels whose sensor did not drift."""
    calibration = table(sample, "calibration")
    drifting = set(calibration[calibration.drift_db.abs() > 0.5].position)
    bands = table(sample, "bands").merge(truth("bands.csv"), on=["run", "position", "key"], suffixes=("", "_true"))
    return bands[(bands.quality != "unusable") & ~bands.position.isin(drifting)]


def test_the_run_ends_with_the_status_of_recordings_left_out(sample: CampaignRun) -> None:
    assert sample.status == 3, sample.output
    assert "a19" in sample.output


def test_band_powers_are_unbiased(levels: pd.DataFrame) -> None:
    error = levels.level_pa2 / 10 ** (levels.level_db_true / 10) / 4e-10 - 1.0
    weight = 1.0 / levels.random_uncertainty_db.fillna(levels.random_uncertainty_db.max()) ** 2
    assert abs(4.343 * np.average(error, weights=weight)) < 0.03
    per_band = error.groupby(levels.nominal_hz).agg(["mean", "std", "size"])
    assert (per_band["mean"].abs() < 4.0 * per_band["std"] / np.sqrt(per_band["size"])).all()


def test_shifts_between_sessions_are_those_put_in(sample: CampaignRun) -> None:
    """Each band's shift against what was put in at the nominal speed and air, in its standard errors."""
    bands = table(sample, "bands").merge(truth("bands.csv"), on=["run", "position", "key"], suffixes=("", "_true"))
    bands = bands.merge(table(sample, "runs")[["run", "condition", "speed_mps"]], on="run")
    bands = bands[(bands.quality != "unusable") & bands.source_level_db.notna()]
    bands["nominal_db"] = bands.source_level_db + bands.nominal_correction_db
    cell = ["condition", "speed_mps", "position", "key"]
    put_in = bands.groupby([*cell, "session"]).nominal_db.mean().unstack("session")
    found = table(sample, "repeatability").merge((put_in.may - put_in.april).rename("put_in_db"), on=cell)
    found = found[found.shift_db.notna()]
    z = (found.shift_db - found.put_in_db) / found.shift_standard_error_db
    assert len(found) > 300
    assert abs(z.mean()) < 0.5, "a sensor's calibration is the same in all of its bands"
    assert 0.7 < z.std() < 1.2
    assert set(found[found.shift_mount == "same-mount"].position) == {"seam-left"}
    overall = table(sample, "repeatability").query("quantity == 'overall' and shift_db == shift_db")
    stayed = overall.position == "seam-left"
    assert (overall[stayed].shift_db.abs() < 0.25).all()
    moved = overall[overall.position == "line-2"].set_index(["condition", "speed_mps"]).sort_index()
    unsure = moved.index == ("open", moved.index.get_level_values(1).max())
    assert moved[~unsure].shift_p_value.max() < 0.005, "0.53 dB were put in"
    # The runs there happen to scatter 0.2 dB at all positions alike, four times as much as those of the other cells.
    assert (moved[unsure].shift_standard_error_db > 0.15).all()
    assert (moved[unsure].shift_p_value > 0.01).all()


def test_repeats_differ_where_the_source_did(sample: CampaignRun) -> None:
    """Of all pairs a06 and a13 differ most, by 0.42 dB put into the source; pairs within 0.1 dB are the same."""
    tests, runs = table(sample, "repeat_tests"), truth("runs.csv").set_index("run")
    failed = tests[~tests.same.astype(bool)].groupby(["run_a", "run_b"]).size()
    assert failed.idxmax() == ("a06", "a13")
    pairs = tests.drop_duplicates(["run_a", "run_b"])
    put_in = runs.source_scatter_db[pairs.run_b].to_numpy() - runs.source_scatter_db[pairs.run_a].to_numpy()
    assert pairs.run_a.to_numpy()[np.abs(put_in).argmax()] == "a06"
    alike = pairs[np.abs(put_in) < 0.1]
    small = tests.merge(alike[["run_a", "run_b"]], on=["run_a", "run_b"])
    assert small.same.astype(bool).mean() > 0.9


def test_uncertainties_describe_the_errors(levels: pd.DataFrame) -> None:
    whole = levels[levels.state.isin(["clear", "corrected", "none"])]
    z = (whole.level_db - whole.level_db_true) / whole.random_uncertainty_db
    assert 0.85 < z[whole.state == "none"].std() < 1.15
    corrected = levels[levels.state == "corrected"]
    # No attenuation by the size of the sensors was put in, and so none of its uncertainty shows.
    stated = np.sqrt(corrected.standard_uncertainty_db**2 - corrected.size_uncertainty_db.fillna(0.0) ** 2)
    z = (corrected.corrected_level_db - corrected.source_level_db) / stated
    assert 0.8 < z.std() < 1.2


def test_states_follow_the_true_margin(levels: pd.DataFrame) -> None:
    known = levels[levels.background_level_db_true.notna() & (levels.state != "none")]
    margin = known.level_db_true - known.background_level_db_true
    for lowest, highest, state in ((19.0, 99.0, "clear"), (8.5, 12.5, "corrected"), (-9.0, 0.5, "bound")):
        inside = known[(margin > lowest) & (margin < highest)]
        assert len(inside) > 20
        assert (inside.state == state).mean() > 0.97
    assert set(known.state) == {"clear", "corrected", "limited", "bound"}


def test_bounds_lie_above_the_source(levels: pd.DataFrame) -> None:
    bounds = levels[(levels.state == "bound") & levels.source_level_db.notna()]
    assert bounds.corrected_level_db.isna().all()
    assert (bounds.upper_bound_db >= bounds.source_level_db).mean() > 0.9


def test_sensitivities_and_the_drift_are_found(sample: CampaignRun) -> None:
    found = table(sample, "calibration").merge(
        truth("sensitivities.csv"), on=["session", "position"], suffixes=("", "_t")
    )
    assert len(found) == 16
    for stage in ("before", "after"):
        ratio = found[f"{stage}_v_per_pa"] / found[f"{stage}_v_per_pa_t"]
        assert (20.0 * np.log10(ratio)).abs().max() < 0.02
    drifting = found[found.verdict != "good"]
    assert list(drifting.position) == ["seam-right"]
    assert list(drifting.session) == ["may"]
    assert list(drifting.reasons.iloc[0]) == ["drift"]
    assert drifting.drift_db.iloc[0] == pytest.approx(-0.95, abs=0.03)


def test_planted_faults_are_found_and_nothing_else(sample: CampaignRun) -> None:
    quality = table(sample, "quality")
    faulty = quality[quality.verdict != "good"]
    found = {(row.run, row.position): list(row.reasons) for row in faulty.itertuples()}
    overloaded = found.pop(("a18", "ladder-foot"))
    assert overloaded == ["overload"]
    assert {run for run, _ in found} == {"a19"}
    assert len(found) == 8
    assert {tuple(reasons) for reasons in found.values()} == {("recording-cut",)}
    runs = table(sample, "runs").set_index("run").status
    assert runs["a19"] == "unusable"
    assert runs["a14"] == "superseded"
    assert runs["a07"] == "left out"


def test_a_faulty_channel_enters_no_comparison(sample: CampaignRun) -> None:
    comparisons = table(sample, "comparisons")
    for runs in ("reference_runs", "treatment_runs"):
        used = comparisons[[runs, "position"]].explode(runs)
        assert not ((used[runs] == "a18") & (used.position == "ladder-foot")).any()
        assert not used[runs].isin(["a19", "a14", "a07"]).any()


def test_differences_are_covered_by_their_intervals(sample: CampaignRun) -> None:
    comparisons = table(sample, "comparisons")
    comparisons = comparisons[(comparisons.quantity == "band") & comparisons.difference_db.notna()].copy()
    comparisons["speed_kmh"] = (comparisons.speed_mps * 3.6).round().astype(int)
    both = comparisons.merge(
        truth("differences.csv"),
        left_on=["comparison", "reference_session", "position", "speed_kmh", "key"],
        right_on=["comparison", "session", "position", "speed_kmh", "key"],
        suffixes=("", "_true"),
    )
    assert len(both) > 500
    covered = (both.lower_db <= both.difference_db_true) & (both.difference_db_true <= both.upper_db)
    assert 0.90 < covered.mean() < 0.995
    same = both[both.difference_db_true.abs() < 0.02]
    assert len(same) > 50
    assert same.finding.isin(["lower", "higher"]).mean() < 0.10


def test_gains_are_those_of_the_comparisons_and_remainders_hold_what_was_put_in(sample: CampaignRun) -> None:
    """Nobody compares front with sealed in the sample's campaign.yaml; truth has the levels of both."""
    treatments = table(sample, "treatments")
    treatments["speed_kmh"] = (treatments.speed_mps * 3.6).round().astype(int)
    place = ["session", "position", "speed_kmh", "key"]
    comparisons = table(sample, "comparisons").assign(session=lambda frame: frame.reference_session)
    comparisons["speed_kmh"] = (comparisons.speed_mps * 3.6).round().astype(int)
    item = [*place, "quantity", "weighting"]
    turned = {"lower": "higher", "higher": "lower"}
    for condition, comparison, sign in (("front", "front-part", -1.0), ("sealed", "whole-seam", 1.0)):
        both = treatments[treatments.condition == condition].merge(
            comparisons[comparisons.comparison == comparison], on=item, validate="1:1"
        )
        assert len(both) == np.count_nonzero(comparisons.comparison == comparison) > 200
        assert (both.gain_comparison == comparison).all()
        ends = ("lower_db", "upper_db") if sign > 0.0 else ("upper_db", "lower_db")
        for name, other in (("gain_db", "difference_db"), ("gain_lower_db", ends[0]), ("gain_upper_db", ends[1])):
            pd.testing.assert_series_equal(both[name], sign * both[other], check_names=False, check_exact=True)
        said = both.finding if sign < 0.0 else both.finding.replace(turned)
        assert (both.gain_finding == said).all()
        for name in ("adjusted_p_value", "degrees_of_freedom", "standard_error_db"):
            pd.testing.assert_series_equal(both[f"gain_{name}"], both[name], check_names=False, check_exact=True)
    # Both are of the runs that count: at 100 km/h the scatter that all positions share put 0.3 dB between them.
    front, sealed = (
        part.set_index(place).difference_of_runs_db
        for _, part in sorted(truth("differences.csv").groupby("comparison"))
    )
    change = pd.DataFrame({"front_db": front, "open_db": sealed}).dropna().reset_index()
    found = treatments[(treatments.condition == "front") & treatments.remainder_db.notna()].merge(change, on=place)
    assert len(found) > 150
    assert (found.best == "sealed").all()
    true = found.front_db + found.open_db
    assert ((found.remainder_lower_db <= true) & (true <= found.remainder_upper_db)).mean() > 0.95
    assert np.average(found.remainder_db - true, weights=found.remainder_standard_error_db**-2) == pytest.approx(
        0, abs=0.1
    )
    assert (found[true > 3.0].remainder_finding == "higher").mean() > 0.95
    share = (1.0 - 10.0 ** (found.front_db / 10.0)) / (1.0 - 10.0 ** (-found.open_db / 10.0))
    held = (found.share_lower.fillna(0.0) <= share) & (share <= found.share_upper)
    assert found.share.notna().sum() > 50
    assert held[found.share.notna()].mean() > 0.95


def test_the_seam_ranks_first(sample: CampaignRun) -> None:
    ranking = table(sample, "ranking")
    first = ranking[ranking["rank"] == 1]
    assert set(first.comparison) == {"whole-seam", "front-part"}
    assert set(first.area) == {"seam"}
    assert set(first.band_hz) <= {1250.0, 1600.0, 2000.0}
    assert (ranking[ranking.place == 1]["rank"] == 1).all()


def test_the_cavity_tone_stands_where_it_was_put(sample: CampaignRun) -> None:
    tones = truth("tones.csv")
    tones = tones[(tones.position == "rail-recess") & (tones.kind != "fan")]
    assert len(tones) >= 6
    spectra = table(sample, "narrowband").set_index(["run", "position"])
    for tone in tones.itertuples():
        if (tone.run, tone.position) not in spectra.index:
            continue
        row = spectra.loc[(tone.run, tone.position)]
        psd = np.asarray(row.psd_pa2_per_hz, dtype=float)
        hz = row.first_hz + row.step_hz * np.arange(psd.size)
        near = np.flatnonzero(np.abs(hz - tone.frequency_hz) < 100.0)
        peak = near[np.argmax(psd[near])]
        assert abs(hz[peak] - tone.frequency_hz) <= 1.5 * row.step_hz
        bundle = psd[peak - 3 : peak + 4].sum() * row.step_hz
        assert 10.0 * math.log10(bundle / 4e-10) == pytest.approx(tone.level_db, abs=1.5)


def test_the_manifest_names_every_recording_with_its_hash(sample: CampaignRun) -> None:
    manifest = json.loads((sample.results / "manifest.json").read_text(encoding="utf-8"))
    recordings = {path.name for path in (sample.folder / "data-sample" / "recordings").iterdir()}
    named = {Path(path).name for path, digest in manifest["inputs"].items() if "recordings" in path and digest}
    assert recordings - named <= {"a07.wav", "a14.wav"}
    assert len(manifest["analysis"]) == 16
    assert set(manifest["tables"]) >= {"tables/runs.parquet", "tables/bands/session=april/part-0.parquet"}


def test_exponents_of_speed_cover_those_of_the_sources(sample: CampaignRun) -> None:
    """Truth without scatter at both set speeds; two speeds, so that nothing but intervals can be held against it."""
    differences = truth("differences.csv")
    sides = {"reference": ("sealed", "open"), "treatment": ("open", "front")}
    parts = [
        part.assign(condition=conditions[name == "front-part"], level_db=part[f"{side}_level_db"])
        for side, conditions in sides.items()
        for name, part in differences.groupby("comparison")
    ]
    levels = pd.concat(parts).pivot_table(
        index=["condition", "session", "position", "key"], columns="speed_kmh", values="level_db"
    )
    true = ((levels[130] - levels[100]) / (10.0 * math.log10(1.3))).rename("true").reset_index()
    rows = table(sample, "scaling").query("quantity == 'band' and exponent.notna()")
    found = rows.merge(true, on=["condition", "session", "position", "key"])
    assert len(found) > 500
    held = (found.exponent_lower < found.true) & (found.exponent_upper > found.true)
    assert held.mean() > 0.93
    error = (found.exponent - found.true) / found.standard_error
    assert abs(np.average(found.exponent - found.true, weights=found.standard_error**-2.0)) < 0.1
    assert 0.6 < error.std() < 1.2


def test_the_seam_goes_with_strouhal_number(sample: CampaignRun) -> None:
    """Its hump lies at St = 0.36 on 8 mm (data-sample/README.md): f/U = 45 per metre."""
    rows = table(sample, "collapse").query("condition == 'open' and position in ('seam-left', 'seam-right')")
    assert len(rows) == 4
    assert (rows.better == "strouhal").all()
    assert rows.peak_per_m.to_numpy() == pytest.approx(45.0, rel=0.06)


def test_bands_of_the_cavity_tone_have_no_exponent(sample: CampaignRun) -> None:
    """The rail's tone moves from the band at 400 Hz to that at 500 Hz: two runs in each are left out."""
    rows = table(sample, "scaling").query(
        "condition == 'open' and session == 'may' and position == 'rail-recess' and quantity == 'band'"
    )
    tonal = rows[[any("tonal" in text for text in texts) for texts in rows.left_out]]
    assert tonal.band_hz.tolist() == [400.0, 500.0]
    assert tonal.exponent.isna().all()


def test_levels_drawn_over_speed_are_those_of_the_fits(sample: CampaignRun) -> None:
    """Residuals of what the report draws about the table's line have the table's rms: same levels, speeds, air."""
    campaign, tables = load_campaign(sample.results.parent), read_finished(sample.results)
    checked = 0
    for series in overall_series(tables, campaign, tables.overall_scaling):
        used = [each for each in series.levels if each.part == "in the fit"]
        assert sorted(each.run for each in used) == (sorted(series.row["runs"]) if series.fitted else [])
        if len(used) > 2:
            off = [each.level_db - line_db(series.row, each.speed_mps) for each in used]
            rms = np.sqrt(np.sum(np.square(off)) / (len(off) - 2))
            assert rms == pytest.approx(series.row["fit_rms_db"], abs=1e-9)
            checked += 1
    assert checked > 50


def test_band_levels_of_the_collapse_are_as_many_as_the_table_says(sample: CampaignRun) -> None:
    """And brought onto one curve again they scatter as the table says."""
    campaign, tables = load_campaign(sample.results.parent), read_finished(sample.results)
    rows = [row for row in tables.collapse if row["strouhal_scatter_db"] is not None]
    assert rows
    for row in rows:
        levels = band_levels(tables, campaign, row)
        assert len(levels) == row["level_count"]
        runs, bands = (sorted({getattr(each, name) for each in levels}) for name in ("run", "midband_hz"))
        level_db = np.full((len(runs), len(bands)), np.nan)
        speed = np.zeros(len(runs))
        for each in levels:
            level_db[runs.index(each.run), bands.index(each.midband_hz)] = each.level_db
            speed[runs.index(each.run)] = each.speed_mps
        found = collapse(level_db, (), 10.0 * np.log10(speed / 30.0), speed, np.array(bands), 0.95)
        assert found is not None
        assert found.moving.scatter_db == pytest.approx(row["strouhal_scatter_db"], abs=1e-6)
        assert found.fixed.exponent == pytest.approx(row["frequency_exponent"], abs=1e-6)


def test_the_tones_that_were_put_in_are_found_and_no_others_are_followed(sample: CampaignRun) -> None:
    """The cavity's tones in every used run, with frequency and level; the fan's are the background's."""
    put_in = truth("tones.csv")
    runs = table(sample, "runs").set_index("run").status
    cavity = put_in[(put_in.kind == "cavity") & (put_in.run.map(runs) == "used")].set_index(["run", "position"])
    tones = table(sample, "tones")
    own = tones[tones.own].set_index(["run", "position"])
    assert set(own.index) >= set(cavity.index)
    assert len(own) - len(cavity) <= 0.05 * len(table(sample, "narrowband")), "by chance in few spectra"
    for place, true in cavity.iterrows():
        found = own.loc[[place]].iloc[0]
        assert abs(found.frequency_hz - true.frequency_hz) <= 2.0
        assert found.level_db == pytest.approx(true.level_db, abs=0.6)
    tracks = table(sample, "tone_tracks")
    assert set(tracks.position) == {"rail-recess"}
    assert set(tracks.follows) == {"flow"}
