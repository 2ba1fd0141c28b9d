"""What gets a figure where a campaign is large, and how numbers are put into words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from built_report import Report
from built_results import Size, built_campaign

from tapeline.report.chosen_runs import chosen_runs
from tapeline.report.comparison_views import MOST_PANELS, MOST_POINTS, MOST_VIEWS, View, by_rank, drawn, panels, views
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.wording import (
    file_stem,
    frequency,
    interval,
    listed,
    number,
    operating_point,
    printable,
    run_count,
    speed,
)


def view(report: Report, **changed: Any) -> View:
    return replace(next(found for found in views(report.tables.comparisons)), **changed)


def test_few_views_are_all_drawn(report: Report) -> None:
    every = views(report.tables.comparisons)
    assert len(every) == 6
    assert drawn(every) == every


def test_of_many_operating_points_those_with_most_shown_differences_are_drawn(report: Report) -> None:
    whole = view(report)
    poor = {name: tuple({**row, "finding": "not shown"} for row in rows) for name, rows in whole.bands.items()}
    every = [replace(whole, yaw_deg=float(yaw), bands=whole.bands if yaw % 2 else poor) for yaw in range(20)]
    chosen = drawn(every)
    assert len(chosen) == MOST_POINTS
    assert [found.yaw_deg for found in chosen] == [1.0, 3.0, 5.0, 7.0, 9.0, 11.0]


def test_each_comparison_is_drawn_before_any_has_a_second_figure(report: Report) -> None:
    whole = view(report)
    every = [
        replace(whole, comparison=f"c{number:02d}", yaw_deg=float(yaw)) for number in range(20) for yaw in range(5)
    ]
    chosen = drawn(every)
    assert len(chosen) == MOST_VIEWS
    assert len({found.comparison for found in chosen}) == 20


def test_panels_are_the_first_by_rank_in_the_order_of_the_users_table(report: Report) -> None:
    size = Size(positions=30)
    rows = view(report).bands["P01"]
    bands = {f"P{index:02d}": rows for index in range(1, 31)}
    whole = view(report, bands=bands)
    ranking = [{"comparison": whole.comparison, "position": "P29", "rank": 1, "place": 1}]
    ranking += [{"comparison": "another", "position": "P30", "rank": 1, "place": 1}]
    names = panels(built_campaign(size), whole, ranking)
    assert len(names) == MOST_PANELS
    assert "P29" in names
    assert "P30" not in names
    assert names == sorted(names)
    assert by_rank(whole, ranking)[0] == "P29"


def test_runs_shown_side_by_side_share_session_and_operating_point(report: Report) -> None:
    chosen = chosen_runs(report.tables, report.campaign)
    assert chosen is not None
    assert chosen.session == "april"
    assert chosen.speed_mps == pytest.approx(140 / 3.6)
    assert chosen.runs == {"open": "a-open-13", "sealed": "a-sealed-11", "front": "a-front-11"}


def test_columns_that_say_the_same_in_every_row_are_said_once() -> None:
    table = PlainTable("k", "c", ("a", "b", "c"), (("1", "x", "5"), ("2", "x", "6")), frozenset({2}), "Note.")
    made = without_constant_columns(table, ("b", "c"))
    assert made.head == ("a", "c")
    assert made.rows == (("1", "5"), ("2", "6"))
    assert made.numeric == {1}
    assert made.note == "In all rows: b x. Note."


def test_numbers_in_words() -> None:
    assert [number(value) for value in (1.25, -0.04, None, float("nan"), float("inf"))] == ["1.2", "0.0", "–", "–", "–"]
    assert [number(value, signed=True) for value in (2.0, -2.0, 0.04)] == ["+2.0", "-2.0", "0.0"]
    assert interval(-0.4, 0.6) == "-0.4 to 0.6"
    assert (interval(None, 1.0), interval(1.0, None), interval(None, None)) == ("at most 1.0", "at least 1.0", "–")
    assert [frequency(hertz) for hertz in (31.5, 1250.0, 8000.0, None)] == ["31.5 Hz", "1.25 kHz", "8 kHz", "–"]
    assert (speed(27.7778, "km/h"), speed(27.7778, "m/s"), speed(None, "m/s")) == ("100 km/h", "27.8 m/s", "–")
    assert operating_point(10.0, -5.0, "m/s") == "10 m/s, yaw -5°"
    assert operating_point(10.0, -0.0, "m/s") == "10 m/s, yaw 0°"
    assert (run_count(1, 1), run_count(4, 4)) == ("1 pair", "4 pairs")
    assert listed("abcd", 2) == "a, b and 2 more"


def test_characters_that_no_page_can_hold_are_replaced() -> None:
    assert printable("a\x00b\x1f\ud800\ufffe\u0085") == "a\ufffdb\ufffd\ufffd\ufffd\ufffd"
    assert printable("µ – 日本 \U0001f600\n\t") == "µ – 日本 \U0001f600\n\t"


def test_file_stems_are_identifiers_of_bounded_length() -> None:
    assert file_stem(("levels", "whole-seam", "100kmh")) == "levels_whole-seam_100kmh"
    assert len(file_stem(("levels", *("x" * 120,) * 3))) < 200
    with pytest.raises(ValueError, match="no identifier"):
        file_stem(("levels", "../../etc"))
