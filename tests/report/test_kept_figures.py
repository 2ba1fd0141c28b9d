"""Figures are drawn where what they are drawn from changed, and only there: drawings are counted, never time."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pytest
from built_report import DIGEST
from built_results import SMALL, built_campaign, write_results
from matplotlib.figure import Figure

from tapeline.report import figure_files, page
from tapeline.report.drawn_from import digest_of_drawing, drawn_with
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import Drawn, FigureShelf, Picture, Spot
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.page import write_report

DATA = FigureData({"level_db": [1.0, 2.0]})


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A written report of a small campaign."""
    results = tmp_path_factory.mktemp("first") / "results"
    write_results(results, SMALL)
    written(results)
    return results


@pytest.fixture
def again(first: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may write to."""
    return Path(shutil.copytree(first, tmp_path / "results"))


@pytest.fixture
def drawings(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the functions that drew figures, one entry a drawing."""
    names: list[str] = []
    drawn = figure_files.drawn

    def counted(drawing: Any, *given: Any, **more: Any) -> Any:
        names.append(f"{drawing.func.__module__.rpartition('.')[2]}.{drawing.func.__name__}")
        return drawn(drawing, *given, **more)

    monkeypatch.setattr(figure_files, "drawn", counted)
    return names


def written(results: Path, version: int = 1) -> None:
    write_report(built_campaign(SMALL), results, results / "report.html", DIGEST, version=version)


def content(results: Path) -> dict[str, bytes]:
    figures = (path for path in (results / "figures").iterdir() if path.is_file())
    return {path.name: path.read_bytes() for path in (*figures, results / "report.html")}


def test_a_report_of_the_same_rows_draws_nothing(first: Path, again: Path, drawings: list[str]) -> None:
    written(again)
    assert drawings == []
    assert content(again) == content(first)


def test_changed_rows_draw_what_they_touch_and_nothing_else(
    again: Path, drawings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def changed(results: Path) -> FinishedTables:
        tables = read_finished(results)
        row = next(row for row in tables.quality if row["verdict"] == "good" and row["session"] == "may")
        other = {**row, "verdict": "doubtful", "reasons": ["drift"], "sentences": ["Its level drifts."]}
        rows = tuple(other if each is row else each for each in tables.quality)
        return dataclasses.replace(tables, quality=rows)

    monkeypatch.setattr(page, "read_finished", changed)
    before = content(again)
    written(again)
    assert drawings == ["pictures_quality._drawn"]
    after = content(again)
    moved = {Path(name).stem for name in after if after[name] != before[name]}
    assert moved == {"quality_may", "report"}


@pytest.mark.parametrize("kind", ["svg", "csv"])
@pytest.mark.parametrize("harm", ["damaged", "deleted", "without a record"])
def test_a_figure_that_is_not_as_it_was_written_is_drawn_again(
    first: Path, again: Path, drawings: list[str], kind: str, harm: str
) -> None:
    path = again / "figures" / f"calibration.{kind}"
    if harm == "damaged":
        path.write_bytes(path.read_bytes()[:-1] + b"x")
    elif harm == "deleted":
        path.unlink()
    else:
        (path.parent / ".written" / f"{path.name}.json").unlink()
    written(again)
    assert drawings == ["figures_calibration.calibration_figure"]
    assert content(again) == content(first)


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"made_from": 1, "layout": {}}', "\x00"])
def test_a_broken_record_of_a_drawing_has_it_drawn_again(
    first: Path, again: Path, drawings: list[str], text: str
) -> None:
    (again / "figures" / ".written" / "calibration.drawn.json").write_text(text, encoding="utf-8")
    written(again)
    assert drawings == ["figures_calibration.calibration_figure"]
    assert content(again) == content(first)


def test_a_figure_that_is_no_longer_wanted_goes_with_its_records(again: Path) -> None:
    figures = again / "figures"
    for path in ("calibration.svg", "calibration.csv", ".written/calibration.drawn.json"):
        new = figures / path.replace("calibration", "levels_old")
        shutil.copy(figures / path, new)
    written(again)
    assert not list(figures.rglob("*levels_old*"))


def test_another_version_of_the_job_or_the_drawing_library_draws_all(
    first: Path, again: Path, drawings: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    count = len(list((first / "figures").glob("*.csv")))
    written(again, version=2)
    assert len(drawings) == count > 5
    with monkeypatch.context() as patch:
        patch.setattr(mpl, "__version__", "99.0")
        written(again, version=2)
    assert len(drawings) == 2 * count


def line_figure(values: list[float], looks: dict[str, str]) -> Drawn:
    figure = Figure(figsize=(2, 1))
    figure.add_axes((0.1, 0.1, 0.8, 0.8)).plot(values, **looks)  # type: ignore[arg-type]
    return Drawn(figure, (Spot(1.0, 2.0, 3.0, 4.0, "here"),), " Cut.")


def shelved(folder: Path, *figures: partial[Drawn], **given: Any) -> list[Picture]:
    shelf = FigureShelf(folder, **given)
    made = [shelf.add((f"f{k}",), each, alt="a", caption="Lines.", data=DATA) for k, each in enumerate(figures)]
    shelf.draw()
    return made


def test_a_kept_picture_is_what_was_drawn(tmp_path: Path, drawings: list[str]) -> None:
    figures = [partial(line_figure, [1.0, 2.0], {"color": "k"}), partial(line_figure, [1.0, 3.0], {"color": "k"})]
    pictures = shelved(tmp_path / "figures", *figures)
    assert shelved(tmp_path / "figures", *figures) == pictures
    assert len(drawings) == 2
    assert pictures[0].caption == "Lines. Cut."
    assert (pictures[0].width_px, pictures[0].height_px) == (240, 120)
    assert pictures[0].spots == (Spot(1.0, 2.0, 3.0, 4.0, "here"),)


def test_several_processes_draw_what_one_does(tmp_path: Path) -> None:
    figures = [partial(line_figure, [1.0, float(k)], {"color": "k"}) for k in range(5)]
    alone, together = (shelved(tmp_path / str(n) / "figures", *figures, processes=n) for n in (1, 3))
    assert alone == together
    files = [sorted((tmp_path / str(n) / "figures").glob("[!.]*")) for n in (1, 3)]
    assert len(files[0]) == 10
    for one, other in zip(*files, strict=True):
        assert one.name == other.name
        assert one.read_bytes() == other.read_bytes()


def test_figures_that_are_no_results_are_always_drawn_and_leave_no_records(tmp_path: Path, drawings: list[str]) -> None:
    for _ in range(2):
        shelved(tmp_path / "figures", partial(line_figure, [1.0], {}), kept=False)
    assert len(drawings) == 2
    assert {path.name for path in (tmp_path / "figures").iterdir()} == {"f0.svg", "f0.csv"}


@pytest.mark.parametrize(
    "other",
    [
        partial(line_figure, [1.0, 2.0 + 1e-12], {"a": "1", "b": "2"}),
        partial(line_figure, [1.0, 2.0], {"b": "2", "a": "1"}),
        partial(line_figure, [1.0, 2.0], looks={"a": "1", "b": "2"}),
        partial(shelved, [1.0, 2.0], {"a": "1", "b": "2"}),
    ],
    ids=["a value", "the order", "a name", "the function"],
)
def test_whatever_may_show_in_a_figure_changes_its_digest(other: Callable[[], Any]) -> None:
    same = [digest_of_drawing(partial(line_figure, [1.0, 2.0], {"a": "1", "b": "2"})) for _ in range(2)]
    assert same[0] == same[1] != digest_of_drawing(other)
    assert digest_of_drawing(drawn_with(1)) != digest_of_drawing(drawn_with(2))


def test_what_has_no_plain_form_is_refused() -> None:
    with pytest.raises(TypeError, match="plain values"):
        digest_of_drawing(partial(line_figure, object()))
