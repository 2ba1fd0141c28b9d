"""Levels of a session from given spectra: which backgrounds count where, what references leave, what is uncertain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.jobs.levels.common_part import common_part, same_edges
from tapeline.jobs.levels.level_array import load_cube
from tapeline.limits import WANDERING_DOF
from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS

OPEN = "measurement,one,open,30,30"
BACKGROUND = "background,one,,30,30"
LINES_HZ = np.arange(LINES) * STEP_HZ
DB = 10.0 / np.log(10.0)
"""Decibels of a relative power."""


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
        assert (row.corrected_lower_db < row.corrected_level_db).all()
        assert (row.absolute_lower_db < row.corrected_lower_db).all()
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


@pytest.mark.parametrize(("excess", "given_up"), [(1.3, False), (2.0, True)])
def test_what_chance_makes_louder_gives_no_background_up(tmp_path: Path, excess: float, given_up: bool) -> None:
    """Excess in standard uncertainties: of 1 dB of scatter in a single run, sqrt 2 times 23 % of the background."""
    below = 1e-4 / (1.0 - excess * np.sqrt(2.0) / DB)
    psd = {("o", "p"): 1e-4, ("b", "p"): below}
    settings = "background: {repeat_sd_db: 1}\n"
    bands, _ = made(tmp_path, GivenSession(("p",), {"o": OPEN, "b": BACKGROUND}, psd, settings))
    row = own(bands, "o", "p")
    assert marked(row, "background-louder") == given_up
    assert set(row.state) == {"none" if given_up else "bound"}
    assert not marked(row, "background-louder-here")


def hump(level: float, low_hz: float, high_hz: float, beside: float = 1e-6) -> np.ndarray:
    """Densities of `level` between two frequencies, and `beside` else."""
    return np.where((low_hz < LINES_HZ) & (high_hz > LINES_HZ), level, beside)


def test_where_a_background_is_louder_the_run_bounds_itself(tmp_path: Path) -> None:
    """A fan 6 dB above the run from 358 to 706 Hz, in the background alone: three bands.

    At q the background is below the run by 0.7 dB, and there too it was not the run's.
    """
    runs = {"o": OPEN, "b": BACKGROUND}
    fan = hump(4e-4, 358.0, 706.0)
    psd = {("o", "p"): 1e-4, ("b", "p"): fan, ("o", "q"): 1.4e-4, ("b", "q"): hump(1.2e-4, 358.0, 706.0)}
    bands, overall = made(tmp_path, GivenSession(("p", "q"), runs, psd))
    for position in ("p", "q"):
        rows = own(bands, "o", position)
        doubted = rows[rows.marks.map(lambda marks: "background-louder-here" in marks)]
        assert doubted.band_hz.tolist() == [400.0, 500.0, 630.0], "the same bands, though by less than 3 dB at q"
        assert set(doubted.state) == {"bound"}
        assert (doubted.upper_bound_db > doubted.level_db).all()
        assert (doubted.upper_bound_db < doubted.level_db + 2.0).all()
        assert set(rows.state) == {"bound", "clear"}
    row = own(overall, "o", "p").iloc[0]
    # 353 of 4367 Hz are the three bands: 8 % of the power, of which half is counted and all is within the interval.
    assert row.state != "bound"
    assert row.corrected_level_db == pytest.approx(row.level_db - 0.18, abs=0.05)
    assert row.corrected_upper_db > row.level_db > row.corrected_level_db
    assert "background-louder-here" not in row.marks


def test_an_overall_level_whose_power_lies_in_louder_bands_is_a_bound_that_holds_all_of_it(tmp_path: Path) -> None:
    runs = {"o": OPEN, "b": BACKGROUND}
    run = hump(1e-2, 358.0, 706.0, 1e-4)
    bands, overall = made(tmp_path, GivenSession(("p",), runs, {("o", "p"): run, ("b", "p"): hump(4e-2, 358.0, 706.0)}))
    row = own(overall, "o", "p").iloc[0]
    assert (row.state, "background-louder-here" in row.marks) == ("bound", True)
    assert row.upper_bound_db > row.level_db
    assert "background-louder-here" in own(bands, "o", "p").set_index("band_hz").marks[500.0]


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
        assert (row.background_scatter_uncertainty_db < row.background_uncertainty_db).all()
        assert (row.background_scatter_uncertainty_db > 0.0).all()
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


def gained(*rows: str) -> dict[str, str]:
    """Rows of the run table with the columns gain_db and background, by run."""
    return {row.split(",", 1)[0]: row.split(",", 1)[1] for row in rows}


GAINS = ",gain_db,background"


@pytest.mark.parametrize(
    ("wind_off", "change", "half_width"),
    [
        ({"off0": 4e-6}, -0.45 * 4e-6, 0.45 * 4e-6),
        ({"off10": 1e-6}, -0.5 * 9e-6, 0.5 * 9e-6),
        ({"off0": 4e-6, "off10": 1e-6}, -3e-6, 0.0),
    ],
    ids=["at the background's gain", "at the run's gain", "at both"],
)
def test_a_background_at_another_gain_is_brought_to_that_of_the_run(
    tmp_path: Path, wind_off: dict[str, float], change: float, half_width: float
) -> None:
    """The run at 10 dB, the background at 0 dB: its electrical part, in pascal, is a tenth of it to all of it there."""
    rows = ["o,measurement,one,open,30,30,10,", "b,background,one,,30,30,0,"]
    rows += [f"{name},background,one,,0,,{name.removeprefix('off')}," for name in wind_off]
    psd = {("o", "p"): 1e-4, ("b", "p"): 2e-5} | {(name, "p"): value for name, value in wind_off.items()}
    settings = "background: {repeat_sd_db: 0}\n"
    bands, _ = made(tmp_path, GivenSession(("p",), gained(*rows), psd, settings, GAINS))
    row = own(bands, "o", "p")
    widths = row.upper_hz - row.lower_hz
    assert (row.background_pa2 / widths).to_numpy() == pytest.approx(2e-5 + change, rel=1e-5)
    assert (row.corrected_pa2 / widths).to_numpy() == pytest.approx(8e-5 - change, rel=1e-5)
    assert not marked(row, "background-other-gain")
    assert not marked(row, "background-refused")
    highest = row.iloc[-1]
    assert highest.corrected_upper_db - highest.corrected_level_db > 10 * np.log10(1 + half_width / (8e-5 - change))


def test_a_named_background_of_unknown_electrical_part_is_doubted(tmp_path: Path) -> None:
    rows = gained("o,measurement,one,open,30,30,10,b", "b,background,one,,30,30,0,")
    bands, overall = made(tmp_path, GivenSession(("p",), rows, {("o", "p"): 1e-4, ("b", "p"): 2e-5}, columns=GAINS))
    for table in (bands, overall):
        assert marked(own(table, "o", "p"), "background-other-gain")
        assert set(own(table, "o", "p").state) == {"corrected"}
    assert "background-other-gain" in BACKGROUND_DOUBTS


def test_a_tone_in_run_and_background_is_uncertain_by_its_phase(tmp_path: Path) -> None:
    """A tone of 100 lines' noise in both, 6 dB apart: between (sqrt T - sqrt B)^2 and (sqrt T + sqrt B)^2 of it."""
    tone = np.where(np.abs(LINES_HZ - 500.0) < 1.0, 1.0, 0.0)
    runs = {"o": OPEN, "b": BACKGROUND}
    psd = {("o", "p"): 1e-4 + 4e-2 * tone, ("b", "p"): 1e-6 + 1e-2 * tone}
    bands, overall = made(tmp_path, GivenSession(("p",), runs, psd))
    row = own(bands, "o", "p").set_index("band_hz")
    tonal = row.marks.map(lambda marks: "background-tonal" in marks)
    assert row.index[tonal].tolist() == [500.0]
    at = row.loc[500.0]
    rest = 10.0 ** (at.corrected_level_db / 10.0) * 4e-10 - 3e-2 * STEP_HZ
    ends = [10.0 * np.log10((rest + amplitude**2 * STEP_HZ) / 4e-10) for amplitude in (0.1, 0.3)]
    assert not at.corrected_lower_db > ends[0], "open below"
    assert at.corrected_upper_db > ends[1]
    assert at.background_scatter_uncertainty_db > 1.0
    assert marked(own(overall, "o", "p"), "background-tonal")
    assert own(overall, "o", "p").background_uncertainty_db.iloc[0] > 0.3
    alone, _ = made(tmp_path / "alone", GivenSession(("p",), runs, psd | {("o", "p"): 1e-4}))
    assert not own(alone, "o", "p").marks.map(lambda marks: "background-tonal" in marks).any()


@pytest.mark.parametrize(("achieved", "off"), [("30.5", False), ("29.3", True), ("30.7", True)])
def test_a_speed_beyond_the_tolerance_marks_the_levels(tmp_path: Path, achieved: str, off: bool) -> None:
    found = made(tmp_path, GivenSession(("p",), {"o": f"measurement,one,open,30,{achieved}"}, {("o", "p"): 1e-4}))
    for table in found:
        assert marked(own(table, "o", "p"), "off-nominal-speed") == off


TERMS = ("calibration", "response", "environment", "mounting", "speed", "steadiness")


def test_the_upper_end_of_an_absolute_level_holds_every_term(tmp_path: Path) -> None:
    """Each term by itself moves the end by ten times the tolerance: none can be left out.

    Random error and background by the chi-squares of both powers, the rest as a normal (or t) interval, in quadrature.
    """
    wander = 90.0 + np.repeat(np.random.default_rng(3).normal(0.0, 1.0, 20), 8)
    given = GivenSession(
        ("p",),
        {"o": OPEN, "b": BACKGROUND},
        {("o", "p"): 1e-4, ("b", "p"): 3e-5},
        "uncertainty: {mounting_db: [[100, 0.3]], speed_pct: 2}\nbackground: {repeat_sd_db: 0.3}\n",
        levels={("o", "p"): wander},
    )
    row = own(made(tmp_path, given)[0], "o", "p").iloc[4]
    assert row.state == "limited"
    terms = {name: row[f"{name}_uncertainty_db"] for name in TERMS}
    assert min(terms.values()) > 0.05
    total, below = row.level_pa2, row.background_pa2
    per_power = row.corrected_pa2 / (10.0 / np.log(10.0))
    ends = []
    for power, name, q in ((total, "random", 0.025), (below, "background", 0.975)):
        dof = 2.0 * power**2 / (row[f"{name}_uncertainty_db"] * per_power) ** 2
        ends.append(power * dof / scipy.stats.chi2.ppf(q, dof))
    up, down = ends[0] - total, below - ends[1]

    def end(rise: float, fall: float, rest: dict[str, float]) -> float:
        own_db = 10.0 * np.log10(1.0 + np.hypot(rise, fall) / row.corrected_pa2)
        dof = sum(u**2 for u in rest.values()) ** 2 / (rest["steadiness"] ** 4 / WANDERING_DOF or 1.0)
        factor = scipy.stats.t.ppf(0.975, dof)
        return float(row.corrected_level_db + np.hypot(own_db, factor * np.sqrt(sum(u**2 for u in rest.values()))))

    tolerance_db = 1e-3
    assert row.absolute_upper_db == pytest.approx(end(up, down, terms), abs=tolerance_db)
    without = [end(0.0, down, terms), end(up, 0.0, terms)]
    without += [end(up, down, terms | {name: 1e-6}) for name in TERMS]
    assert max(without) < row.absolute_upper_db - 3.0 * tolerance_db


def test_a_background_given_up_at_many_positions_is_given_up_at_all(tmp_path: Path) -> None:
    """Louder than the run at two of three positions, it is wrong itself; at one of four it is that channel."""

    def marks_of(louder: int, places: tuple[str, ...]) -> list[bool]:
        below = {("b", place): 3e-4 if k < louder else 1e-5 for k, place in enumerate(places)}
        psd = {("o", place): 1e-4 for place in places} | below
        bands, _ = made(tmp_path / f"{louder}", GivenSession(places, {"o": OPEN, "b": BACKGROUND}, psd))
        own_bands = bands[(bands.run == "o") & (bands.band_hz == 1000.0)].set_index("position")
        return ["background-louder" in own_bands.marks[place] for place in places]

    assert marks_of(2, ("p", "q", "r")) == [True, True, True]
    assert marks_of(1, ("p", "q", "r", "s")) == [True, False, False, False]
