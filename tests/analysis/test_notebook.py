"""`tapeline.open`: joined tables in which no bound and nothing unusable looks like a value."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from few_results import RUNS, write_manifest

import tapeline
from tapeline.store import parquet, tables

VALUES = ["level_db", "lower_db", "upper_db", "standard_uncertainty_db", "nominal_level_db"]


def cells(frame: pd.DataFrame, *names: str) -> list[list[object]]:
    """Some columns as lists, with None for empty cells."""
    return frame[[*names]].astype(object).where(frame[[*names]].notna(), None).to_numpy().tolist()


def test_levels_stand_with_their_condition_and_bounds_apart(roof: Path) -> None:
    levels = tapeline.open(roof).levels
    overall = levels[levels["quantity"] == "overall"].sort_values(["position", "run"])
    assert cells(
        overall, "run", "position", "area", "condition", "given", "level_db", "lower_db", "upper_bound_db"
    ) == [
        ["r1", "p1", "=seam", "open", "value", 90.0, 89.0, None],
        ["r2", "p1", "=seam", "open", "value", 91.0, 90.0, None],
        ["r1", "p2", None, "open", "value", 61.0, 60.0, None],
        ["r2", "p2", None, "open", "bound", None, None, 61.23],
        ["r1", "p3", None, "open", "nothing", None, None, None],
        ["r2", "p3", None, "open", "nothing", None, None, None],
    ]
    assert levels.loc[levels["given"] != "value", VALUES].notna().sum().sum() == 0
    assert set(levels["session"]) == {"april"}
    assert (levels["speed_mps"] == 100 / 3.6).all()
    assert levels["usable"].dtype == pd.BooleanDtype()
    assert set(levels.loc[levels["quantity"] == "band", "band_hz"]) == {500.0}


def test_means_of_conditions_have_their_interval_or_are_bounds(roof: Path) -> None:
    means = tapeline.open(roof).condition_means.query("quantity == 'overall'").sort_values("position")
    assert cells(means, "position", "given", "level_db", "lower_db", "upper_db") == [
        ["p1", "value", 90.5, 89.0, 92.0],
        ["p2", "bound", None, None, None],
        ["p3", "nothing", None, None, None],
    ]
    # Mean of the powers at 61 and 61.23 dB.
    assert means["upper_bound_db"].iloc[1] == pytest.approx(61.1165, abs=1e-3)
    assert [list(runs) for runs in means["runs"]] == [["r1", "r2"], ["r1", "r2"], []]
    assert list(means["doubt"].iloc[2]) == ["overload: r1, r2"]


def test_own_means_leave_out_what_is_unusable_and_are_bounds_with_a_bound(roof: Path) -> None:
    results = tapeline.open(roof)
    overall = results.levels[results.levels["quantity"] == "overall"]
    means = results.mean_levels("condition", "position", of=overall)
    assert cells(means, "position", "given", "level_db", "runs", "left_out") == [
        ["p1", "value", 90.5, 2, 0],
        ["p2", "bound", None, 2, 0],
        ["p3", "nothing", None, 0, 2],
    ]
    with pytest.raises(tapeline.ResultsError, match='no column "conditon"; did you mean "condition"'):
        results.mean_levels("conditon")


def test_differences_say_what_they_give(roof: Path) -> None:
    found = tapeline.open(roof).differences
    assert cells(found, "position", "given", "difference_db", "lower_db") == [
        ["p1", "value", 3.25, 2.0],
        ["p2", "bound", None, 1.27],
        ["p3", "nothing", None, None],
    ]
    gains = tapeline.open(roof).treatments
    assert cells(gains, "position", "gain_given", "gain_db", "remainder_given") == [
        ["p1", "value", 3.25, "nothing"],
        ["p2", "bound", None, "nothing"],
        ["p3", "nothing", None, "nothing"],
    ]


def test_a_spectrum_has_its_background_and_no_value_where_a_line_is_a_bound(roof: Path) -> None:
    results = tapeline.open(roof)
    spectrum = results.spectrum("r1", "p1")
    np.testing.assert_allclose(spectrum.frequency_hz, [20.0, 25.0, 30.0])
    np.testing.assert_allclose(spectrum.level_db, [60.0, 60.0, 50.0], atol=1e-5)
    np.testing.assert_allclose(spectrum.background_level_db, [60.0, 40.0, np.nan], atol=1e-5)
    np.testing.assert_allclose(spectrum.corrected_level_db, [np.nan, 60.0, 50.0], atol=1e-5)
    assert spectrum.state.tolist() == ["bound", "clear", "clear"]
    assert spectrum.frame()["margin_db"].tolist()[:2] == [0.0, 20.0]
    assert results.history("r1", "p1")["level_db"].tolist() == [90.0]


def test_a_channel_that_cannot_be_used_is_refused_unless_asked_for(roof: Path) -> None:
    results = tapeline.open(roof)
    for read in (results.spectrum, results.history):
        with pytest.raises(tapeline.ResultsError, match=r"run r1 cannot be used at p3 \(overload\)"):
            read("r1", "p3")
    spectrum = results.spectrum("r1", "p3", even_unusable=True)
    assert spectrum.unusable == ("overload",)
    assert np.isnan(spectrum.corrected_psd).all()
    assert np.isfinite(spectrum.psd).all()


def test_campaigns_are_kept_apart(roof: Path, doors: Path) -> None:
    results = tapeline.open([roof, doors])
    assert results.campaigns == ["roof", "doors"]
    means = results.condition_means.query("given == 'value'")
    assert cells(means, "campaign", "level_db") == [["roof", 90.5], ["doors", 95.5]]
    own = results.mean_levels().query("given == 'value' and quantity == 'overall'")
    assert own.empty
    with pytest.raises(tapeline.ResultsError, match="run r1 is in roof and in doors; say which with campaign="):
        results.spectrum("r1", "p1")
    assert results.spectrum("r1", "p1", campaign="doors").campaign == "doors"
    assert len(results.table("runs")) == 2 * len(RUNS)
    with pytest.raises(tapeline.ResultsError, match='both of the campaign "roof"'):
        tapeline.open([roof, roof])


def test_tables_by_name_and_what_their_columns_mean(roof: Path) -> None:
    results = tapeline.open(roof)
    assert results.names[:3] == ["runs", "positions", "quality"]
    assert results.table("runs")["run"].tolist() == ["r1", "r2", "r3", "r4"]
    assert results.columns("condition_means").loc["level_db", "unit"] == "dB re 20 uPa"
    assert set(results.columns("levels").index) == set(results.levels.columns)
    for name, said in {
        "band": 'found no table "band"; did you mean "bands"',
        "spectrogram": "the table spectrogram is not in the results of roof: it is made on request alone",
        "scaling": "the table scaling is not in the results of roof: nothing was made for it",
    }.items():
        with pytest.raises(tapeline.ResultsError, match=said):
            results.table(name)


@pytest.mark.parametrize(
    ("run", "position", "campaign", "said"),
    [
        ("r9x", "p1", None, 'found no run "r9x"; expected r1, r2, r3, r4'),
        ("r1", "pq", None, 'found no position "pq"'),
        ("r1", "p1", "rof", 'found no campaign "rof"; did you mean "roof"'),
        ("r2", "p1", None, "run r2 has nothing at p1 in the table narrowband; see its status in the table runs"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(
    roof: Path, run: str, position: str, campaign: str | None, said: str
) -> None:
    with pytest.raises(tapeline.ResultsError, match=said):
        tapeline.open(roof).spectrum(run, position, campaign=campaign)


def test_results_that_cannot_be_read_are_refused_in_one_sentence(roof: Path, tmp_path: Path) -> None:
    with pytest.raises(tapeline.ResultsError, match="no such folder; name a results folder or a campaign folder"):
        tapeline.open(tmp_path / "nowhere")
    with pytest.raises(tapeline.ResultsError, match=r"no results, there is no manifest\.json"):
        tapeline.open(tmp_path)
    with pytest.raises(tapeline.ResultsError, match="found no folder"):
        tapeline.open([])
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "campaign.yaml").write_text("campaign: [", encoding="utf-8")
    with pytest.raises(tapeline.ResultsError, match=r"campaign\.yaml"):
        tapeline.open(tmp_path)
    older = dataclasses.replace(tables.QUALITY, version=1)
    parquet.write_rows(older, roof / "tables" / "quality.parquet", [], campaign="roof", digest="d" * 64)
    with pytest.raises(tapeline.ResultsError, match="made or changed after its manifest"):
        tapeline.open(roof)
    write_manifest(roof)
    with pytest.raises(tapeline.ResultsError, match=r"another version of tapeline \(found quality/1, .* quality/2\)"):
        tapeline.open(roof)
    (roof / "tables" / "runs.parquet").unlink()
    write_manifest(roof)
    with pytest.raises(tapeline.ResultsError, match="there is no table runs in it"):
        tapeline.open(roof)


def test_results_without_rows_give_tables_without_rows(tmp_path: Path) -> None:
    for table in (tables.RUNS, tables.POSITIONS, tables.COMPARISONS):
        path = tmp_path / "tables" / f"{table.name}.parquet"
        parquet.write_rows(table, path, [], campaign="roof", digest="d" * 64)
    write_manifest(tmp_path)
    results = tapeline.open(tmp_path)
    frames = (results.levels, results.condition_means, results.differences, results.treatments, results.tones)
    assert [len(frame) for frame in (*frames, results.mean_levels("condition"))] == [0] * 6
    assert set(results.levels.columns) == set(results.columns("levels").index)


def test_columns_that_older_results_lack_are_empty(roof: Path) -> None:
    without = dataclasses.replace(
        tables.POSITIONS, columns=tuple(column for column in tables.POSITIONS.columns if column.name != "area")
    )
    path = roof / "tables" / "positions.parquet"
    parquet.write_rows(without, path, [{"position": "p1"}], campaign="roof", digest="d" * 64)
    write_manifest(roof)
    assert tapeline.open(roof).levels["area"].isna().all()


def test_importing_tapeline_loads_nothing_heavy_and_export_no_data_frames(roof: Path, tmp_path: Path) -> None:
    code = (
        "import sys, tapeline; print([m for m in ('pandas', 'pyarrow', 'numpy') if m in sys.modules])\n"
        "import tapeline.cli; status = tapeline.cli.main(sys.argv[1:]); print('pandas' in sys.modules, status)"
    )
    words = [sys.executable, "-c", code, "export", str(roof), "--to", str(tmp_path / "made")]
    done = subprocess.run(words, check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[0] == "[]"
    assert done.stdout.splitlines()[-1] == "False 0"
