"""Figures as files beside the page."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapeline.report.charts.figure import Figure
from tapeline.report.charts.markup import drawing, element
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import write_figures


def figure(*name: str, level: float = 1.0) -> Figure:
    svg = drawing(10, 10, element("path", d="M0 0L5 5", class_="ln c0"), title="a & b")
    return Figure(name, "A figure", svg, "a & b", "", FigureData({"level_db": [level]}))


def test_a_drawing_stands_alone_with_its_style_and_the_numbers_beside_it(tmp_path: Path) -> None:
    write_figures(tmp_path, [figure("levels", "april", level=61.25)])
    made = (tmp_path / "levels_april.svg").read_text(encoding="utf-8")
    assert made.startswith("<?xml")
    assert "<style>" in made
    assert ".chart .c0" in made
    assert (tmp_path / "levels_april.csv").read_bytes() == b"level_db\r\n61.25\r\n"


def test_what_is_there_as_it_would_be_written_is_left_and_older_figures_go(tmp_path: Path) -> None:
    write_figures(tmp_path, [figure("kept"), figure("gone")])
    kept = (tmp_path / "kept.svg").stat().st_mtime_ns
    write_figures(tmp_path, [figure("kept")])
    assert (tmp_path / "kept.svg").stat().st_mtime_ns == kept
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["kept.csv", "kept.svg"]


def test_a_changed_file_is_written_again(tmp_path: Path) -> None:
    write_figures(tmp_path, [figure("kept")])
    whole = (tmp_path / "kept.svg").read_bytes()
    (tmp_path / "kept.svg").write_bytes(whole.replace(b"M0", b"M9"))
    write_figures(tmp_path, [figure("kept")])
    assert (tmp_path / "kept.svg").read_bytes() == whole


def test_long_names_that_run_together_are_told_apart(tmp_path: Path) -> None:
    long = "x" * 60
    one, other = figure("at", f"{long}a"), figure("at", f"{long}b")
    assert one.stem != other.stem
    assert one.anchor != other.anchor
    with pytest.raises(ValueError, match="one name"):
        write_figures(tmp_path, [one, one])


@pytest.mark.parametrize("part", ["../up", "a/b", "", "-x", "a b", "ä"])
def test_only_identifiers_become_file_names(part: str) -> None:
    with pytest.raises(ValueError, match="no identifier"):
        figure("levels", part).stem  # noqa: B018
