"""Levels of a session from given spectra: which backgrounds count where, what references leave, what is uncertain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.steps.common_part import common_part, same_edges
from tapeline.steps.level_cube import load_cube

OPEN = "measurement,one,open,30,30"
BACKGROUND = "background,one,,30,30"
LINES_HZ = np.arange(LINES) * STEP_HZ


def own(table: pd.DataFrame, run: str, position: str) -> pd.DataFrame:
    found = table[(table.run == run) & (table.position == position)]
    return found[found.level_db.notna()]


def marked(table: pd.DataFrame, mark: str) -> bool:
    said = table.marks.map(lambda marks: mark in marks)
    assert said.all() or not said.any()
    return bool(said.all())


def test_lines_become_levels_and_backgrounds_come_off(tmp_path: Path) -> None:
    """10 dB margin: K1 = 0.46 dB (ISO 3744 form)."""
    bands, overall = made(
        tmp_path,
        GivenSession(("p",), {"o": OPEN, "b": BACKGROUND}, {("o", "p"): 1e-4, ("b", "p"): 1e-5}),
    )
    for row in (own(bands, "o", "p"), own(overall, "o", "p")):
        assert (row.level_db - row.corrected_level_db).to_numpy() == pytest.approx(0.4576, abs=1e-4)
        assert set(row.state) == {"corrected"}
        assert (row.corrected_low_db < row.corrected_level_db).all()
        assert (row.absolute_low_db < row.corrected_low_db).all()
    widths = own(bands, "o", "p").upper_hz - own(bands, "o", "p").lower_hz
    expected = 10 * np.log10(1e-4 * widths / 4e-10)
    assert own(bands, "o", "p").level_db.to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-4)


REFERENCES = "background: {references: [w1, w2]}\n"


def with_references(references: dict[str, tuple[str, ...]], **more: object) -> GivenSession:
    """Half of p's run and of its background is coherent with the wheels: 2e-4 of which 1e-4, and 2e-5 of which 1e-5."""
    runs = {"o": OPEN, "b": BACKGROUND}
    psd = {(run, name): 1e-3 for run in runs for name in ("w1", "w2")} | {("o", "p"): 2e-4, ("b", "p"): 2e-5}
    explained = {("o", "p"): 0.5, ("b", "p"): 0.5}
    given = GivenSession(("p", "w1", "w2"), runs, psd, REFERENCES, explained=explained, references=references)
    for name, value in more.items():
        setattr(given, name, value)
    return given


def test_run_and_background_are_conditioned_alike(tmp_path: Path) -> None:
    """1e-4 over 1e-5 is left: 3.01 dB to the references and K1 of 10 dB."""
    both = ("w1", "w2")
    bands, _ = made(tmp_path, with_references({"o": both, "b": both}))
    row = own(bands, "o", "p")
    assert (row.level_db - row.corrected_level_db).to_numpy() == pytest.approx(3.0103 + 0.4576, abs=1e-3)
    assert not marked(row, "references-missing")
    assert not marked(own(bands, "o", "w1"), "references-missing"), "it is a reference itself"


@pytest.mark.parametrize(
    ("of_run", "of_background"),
    [(("w1", "w2"), ()), (("w1", "w2"), ("w1",)), ((), ("w1", "w2"))],
    ids=["background as measured", "fewer references", "run as measured"],
)
def test_what_was_conditioned_otherwise_is_never_subtracted(
    tmp_path: Path, of_run: tuple[str, ...], of_background: tuple[str, ...]
) -> None:
    bands, _ = made(tmp_path, with_references({"o": of_run, "b": of_background}))
    row = own(bands, "o", "p")
    left_db = 3.0103 if of_run else 0.0
    assert (row.level_db - row.corrected_level_db).to_numpy() == pytest.approx(left_db, abs=1e-3)
    assert row.background_pa2.isna().all()
    assert marked(row, "background-refused")
    assert marked(row, "references-missing") == (not of_run)


def test_a_reference_unusable_after_all_removes_nothing(tmp_path: Path) -> None:
    both = ("w1", "w2")
    unusable = frozenset({("o", "w1")})
    bands, _ = made(tmp_path, with_references({"o": both, "b": both}, unusable=unusable))
    row = own(bands, "o", "p")
    assert (row.level_db - row.corrected_level_db).to_numpy() == pytest.approx(0.0)
    assert marked(row, "references-missing")


RUMBLE = np.where(LINES_HZ < 700.0, 1e-2, 1e-6)
"""A background louder than 1e-4 in the nine bands from 100 to 630 Hz, far below it in the eight from 800 Hz on."""


def test_a_background_louder_in_too_many_bands_is_given_up(tmp_path: Path) -> None:
    """Nine of seventeen bands are louder; with 170 Hz for 700 Hz it would be three, fewer than a third."""
    runs = {"o": OPEN, "b": BACKGROUND}
    found = made(tmp_path / "much", GivenSession(("p",), runs, {("o", "p"): 1e-4, ("b", "p"): RUMBLE}))
    for table in found:
        row = own(table, "o", "p")
        assert marked(row, "background-louder")
        assert set(row.state) == {"none"}
    little = np.where(LINES_HZ < 170.0, 1e-2, 1e-6)
    bands, _ = made(tmp_path / "little", GivenSession(("p",), runs, {("o", "p"): 1e-4, ("b", "p"): little}))
    assert not marked(own(bands, "o", "p"), "background-louder")
    assert own(bands, "o", "p").state.tolist() == ["bound"] * 3 + ["clear"] * 14


def test_bands_without_a_level_do_not_count_as_louder(tmp_path: Path) -> None:
    """The same rumble where bands need 40 lines: those from 800 Hz on have a level."""
    given = GivenSession(
        ("p",),
        {"o": OPEN, "b": BACKGROUND},
        {("o", "p"): 1e-4, ("b", "p"): RUMBLE},
        bands="{range_hz: [100, 4000], least_lines: 40}",
    )
    row = own(made(tmp_path, given)[0], "o", "p")
    assert row.band_hz.min() == 800.0
    assert not marked(row, "background-louder")
    assert set(row.state) == {"clear"}


def test_a_silent_channel_takes_nothing_from_the_others(tmp_path: Path) -> None:
    """The level wanders by 2 dB; the channel beside it is silent, and its history holds no level."""
    wander = 90.0 + np.repeat(np.random.default_rng(3).normal(0.0, 2.0, 20), 8)
    silent = np.full(160, -np.inf)
    runs = {"alone": OPEN, "beside": OPEN}
    psd = {(run, name): 1e-4 for run in runs for name in ("p", "q")}
    levels = {("alone", "p"): wander, ("beside", "p"): wander, ("beside", "q"): silent}
    bands, _ = made(tmp_path, GivenSession(("p", "q"), runs, psd, levels=levels))
    alone, beside = (own(bands, run, "p").steadiness_uncertainty_db for run in runs)
    assert alone.min() > 0.2
    assert beside.to_numpy() == pytest.approx(alone.to_numpy())
    assert own(bands, "alone", "q").steadiness_uncertainty_db.max() == pytest.approx(0.0)


def test_an_unusable_channel_of_the_background_is_named(tmp_path: Path) -> None:
    runs = {"o": OPEN, "b": BACKGROUND}
    psd = {(run, name): 1e-4 if run == "o" else 1e-5 for run in runs for name in ("p", "q")}
    bands, _ = made(tmp_path, GivenSession(("p", "q"), runs, psd, unusable=frozenset({("b", "q")})))
    assert marked(own(bands, "o", "q"), "background-unusable")
    assert set(own(bands, "o", "q").state) == {"none"}
    assert not marked(own(bands, "o", "p"), "background-unusable")


def test_terms_make_the_standard_uncertainty(tmp_path: Path) -> None:
    bands, overall = made(
        tmp_path,
        GivenSession(("p",), {"o": OPEN, "b": BACKGROUND}, {("o", "p"): 1e-4, ("b", "p"): 4e-5}),
    )
    names = ("random", "background", "calibration", "response", "environment", "mounting", "speed", "steadiness")
    for row in (own(bands, "o", "p"), own(overall, "o", "p")):
        terms = sum(row[f"{name}_uncertainty_db"] ** 2 for name in names)
        assert np.sqrt(terms).to_numpy() == pytest.approx(row.standard_uncertainty_db.to_numpy(), rel=1e-12)
        assert (row.background_own_uncertainty_db < row.background_uncertainty_db).all()
        assert (row.background_own_uncertainty_db > 0.0).all()
        assert (row.degrees_of_freedom > 10).all()


def test_frequencies_left_out_have_no_level_and_are_in_no_sum(tmp_path: Path) -> None:
    """White noise of 1e-4 Pa^2/Hz and a tone at 500 Hz, left out at p alone."""
    tone = np.full(LINES, 1e-4)
    tone[round(500.0 / STEP_HZ)] = 1.0
    given = GivenSession(("p", "q"), {"o": OPEN}, {("o", "p"): tone, ("o", "q"): tone}, left_out="*,,,p,499,501,hum\n")
    bands, overall = made(tmp_path, given)
    at_p, at_q = ({row.band_hz: row for row in bands[bands.position == name].itertuples()} for name in ("p", "q"))
    assert np.isnan(at_p[500.0].level_db)
    assert list(at_p[500.0].marks) == ["left-out"]
    assert np.isfinite(at_q[500.0].level_db)
    assert at_p[630.0].level_db == at_q[630.0].level_db
    p, q = (next(overall[overall.position == name].itertuples()) for name in ("p", "q"))
    summed = sum(row.level_pa2 for row in at_p.values() if np.isfinite(row.level_pa2))
    assert p.level_pa2 == pytest.approx(summed)
    assert q.level_pa2 > 4.0 * p.level_pa2
    assert list(p.absent_bands_hz) == [500.0]
    assert "narrower-range" in p.marks
    assert q.absent_bands_hz is None
    assert p.random_uncertainty_db < q.random_uncertainty_db / 3.0, "the tone's line no longer makes it uncertain"
    lines = pd.read_parquet(tmp_path / "results" / "tables" / "narrowband").set_index("position")
    corrected = lines.corrected_psd_pa2_per_hz["p"]
    assert np.flatnonzero(np.isnan(corrected)).tolist() == [round((500.0 - lines.first_hz["p"]) / STEP_HZ)]
    assert np.isfinite(lines.psd_pa2_per_hz["p"]).all()
    assert not np.isnan(lines.corrected_psd_pa2_per_hz["q"]).any()


def test_sums_that_lack_other_bands_are_not_compared(tmp_path: Path) -> None:
    given = GivenSession(
        ("p",), {"o": OPEN, "o2": OPEN, "o3": OPEN}, {(run, "p"): 1e-4 for run in ("o", "o2", "o3")},
        left_out="o,,,p,499,501,hum\no2,,,p,499,501,hum\n",
    )  # fmt: skip
    made(tmp_path, given)
    cube = load_cube(tmp_path / "results")
    overall = [item.quantity == "overall" for item in cube.items]
    assert same_edges(cube, ["o"], ["o2"])[:, overall].all()
    assert not same_edges(cube, ["o"], ["o3"])[:, overall].any()
    assert "89 to 4467 Hz alone, without the bands at 500 Hz" in (
        common_part(cube, ["o"], ["o2"], same_edges(cube, ["o"], ["o2"]), 0) or ""
    )
