"""Two sensors exchanged in one calibrator recording: which check counts, and what is left in doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from random_applications import Applications, Session

from tapeline.calibration.exchanged_tones import PairJudgement, PairReading, crosswise_pairs, judge_pair
from tapeline.campaign.plan import Overrule
from tapeline.quality.reasons import REASONS

LISTED, ODD, UNKNOWN = "as listed", "exchanged", "unknown"
STRAIGHT, CROSSED = (-40.0, -42.0), (-42.05, -39.95)
CHARTS = (-40.3, -42.2)
ALIKE = (-41.0, -41.0)


def judged(
    readings: Sequence[tuple[tuple[float, float], str]], charts: tuple[float, float] | None, by_hand: int | None = None
) -> PairJudgement:
    """Of readings in turn, named by their number; one may be called good by hand."""
    made = [PairReading(str(i), *levels, order, i == by_hand) for i, (levels, order) in enumerate(readings)]  # type: ignore[arg-type]
    return judge_pair(made, charts)


@pytest.mark.parametrize(
    ("readings", "charts", "refused", "cleared"),
    [
        ([(STRAIGHT, UNKNOWN), (CROSSED, UNKNOWN)], CHARTS, ("1",), ()),
        ([(CROSSED, ODD), (STRAIGHT, UNKNOWN)], CHARTS, ("0",), ()),
        ([(CROSSED, ODD), (STRAIGHT, LISTED)], None, ("0",), ()),
        ([(CROSSED, ODD), (STRAIGHT, LISTED)], ALIKE, ("0",), ()),
        ([(CROSSED, UNKNOWN), (STRAIGHT, UNKNOWN), (STRAIGHT, UNKNOWN)], CHARTS, ("0",), ()),
        ([(STRAIGHT, ODD), (STRAIGHT, LISTED)], None, (), ("0",)),
        ([(STRAIGHT, ODD), (STRAIGHT, UNKNOWN)], CHARTS, (), ("0",)),
        ([(STRAIGHT, ODD)], CHARTS, (), ("0",)),
        ([(STRAIGHT, LISTED), (STRAIGHT, UNKNOWN)], CHARTS, (), ()),
        ([(CROSSED, UNKNOWN), (CROSSED, UNKNOWN)], CHARTS, (), ()),
    ],
)
def test_what_charts_and_order_tell(
    readings: list[tuple[tuple[float, float], str]],
    charts: tuple[float, float] | None,
    refused: tuple[str, ...],
    cleared: tuple[str, ...],
) -> None:
    """The recording that fits the charts counts, else the one in order; another order alone harms no check."""
    found = judged(readings, charts)
    assert (found.refused, found.cleared, found.undecided, found.place_unsure) == (refused, cleared, False, False)


@pytest.mark.parametrize(
    ("readings", "charts", "refused", "undecided", "place_unsure"),
    [
        ([(CROSSED, UNKNOWN), (STRAIGHT, UNKNOWN)], ALIKE, ("0", "1"), True, False),
        ([(CROSSED, UNKNOWN), (STRAIGHT, UNKNOWN)], None, (), True, False),
        ([(CROSSED, UNKNOWN), (STRAIGHT, ODD)], CHARTS, ("0", "1"), True, False),
        ([(CROSSED, ODD), (CROSSED, ODD)], CHARTS, (), False, True),
        ([(STRAIGHT, ODD), (STRAIGHT, ODD)], None, (), False, True),
        ([(STRAIGHT, ODD), (STRAIGHT, UNKNOWN)], None, (), False, True),
        ([(CROSSED, ODD)], CHARTS, ("0",), True, True),
        ([(CROSSED, ODD)], ALIKE, ("0",), False, True),
        ([(CROSSED, ODD)], None, (), True, True),
        ([((-40.0, -40.1), ODD), ((-40.05, -40.0), LISTED)], CHARTS, (), False, False),
        ([((-40.0, -40.3), ODD), ((-40.15, -40.15), LISTED)], None, ("0",), False, False),
    ],
)
def test_what_stays_in_doubt(
    readings: list[tuple[tuple[float, float], str]],
    charts: tuple[float, float] | None,
    refused: tuple[str, ...],
    undecided: bool,
    place_unsure: bool,
) -> None:
    """Nothing that may be another sensor's is averaged where charts can stand in; alike sensors harm nobody."""
    found = judged(readings, charts)
    assert (found.refused, found.undecided, found.place_unsure) == (refused, undecided, place_unsure)
    assert (found.first_db != ()) == undecided


def test_what_somebody_calls_good_is_right() -> None:
    found = judged([(CROSSED, UNKNOWN), (STRAIGHT, UNKNOWN)], CHARTS, by_hand=0)
    assert (found.refused, found.undecided) == (("1",), False)


def test_levels_that_changed_places_are_found_beside_a_common_shift() -> None:
    earlier = {"a": -40.0, "b": -42.0, "c": -41.0, "d": -44.0}
    later = {"a": -41.9, "b": -39.75, "c": -40.85, "d": -43.1}
    assert crosswise_pairs(earlier, later, 0.15) == [("a", "b")]
    assert crosswise_pairs(earlier, later | {"b": -39.0}, 0.15) == [], "0.9 dB off is no exchange"


@pytest.mark.parametrize(("drift_db", "found"), [(0.4, True), (0.6, False)])
def test_sensors_that_are_far_apart_may_drift_besides(drift_db: float, found: bool) -> None:
    """A quarter of 2 dB, and no more than sound sensors drift."""
    earlier, later = {"a": -40.0, "b": -42.0}, {"a": -42.0 + drift_db, "b": -40.0}
    assert crosswise_pairs(earlier, later, 0.0) == ([("a", "b")] if found else [])


def test_three_that_may_have_changed_places_are_no_pair() -> None:
    earlier = {"a": -40.0, "b": -42.0, "c": -42.0}
    assert crosswise_pairs(earlier, {"a": -42.0, "b": -40.0, "c": -40.0}, 0.0) == []


ASKED = list(range(5))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    """Sensors p2 and p3 are 2 dB apart, as their charts say to a tenth."""
    made = Session(seed=23, channels=5, folder=tmp_path)
    made.chart[1], made.chart[2] = 0.0040, 0.0040 * 10 ** (2.0 / 20)
    made.sensitivity[1], made.sensitivity[2] = 0.00402, 0.00399 * 10 ** (2.0 / 20)
    return made


def exchanged_db(session: Session) -> dict[int, float]:
    """What the cables of p2 and p3 change where they are exchanged."""
    apart = 20.0 * math.log10(session.sensitivity[2] / session.sensitivity[1])
    return {1: apart, 2: -apart}


def rows_of(session: Session, first: list[int], cables: tuple[bool, bool], listed: bool) -> list[dict[str, Any]]:
    """Checks before and after; the first in the order given, the other unlisted; cables exchanged where said."""
    before, after = Applications(first, ASKED if listed else []), Applications(ASKED)
    for name, applications, wrong in (("one", before, cables[0]), ("two", after, cables[1])):
        session.write(name, applications, exchanged_db(session) if wrong else {})
    return session.checks_table([session.check("one", "before", before), session.check("two", "after", after)])


def off_db(session: Session, table: dict[str, dict[str, Any]], channel: int) -> float:
    found = table[session.position(channel)]["sensitivity_v_per_pa"]
    return float(20.0 * math.log10(found / session.sensitivity[channel]))


def of_level(row: dict[str, Any]) -> list[str]:
    return [code for code in row["reasons"] if REASONS[code].of_level]


SWAPPED = [0, 2, 1, 3, 4]


@pytest.mark.parametrize(("first", "listed"), [(SWAPPED, True), (ASKED, False)])
def test_a_check_of_exchanged_cables_is_not_averaged_in(session: Session, first: list[int], listed: bool) -> None:
    """By the order or by the levels alone; the other check decides, with the drift that nobody saw."""
    rows = rows_of(session, first, (True, False), listed)
    table = session.calibration_table(rows)
    for channel in (1, 2):
        row = table[session.position(channel)]
        assert off_db(session, table, channel) == pytest.approx(0.0, abs=0.02), "the mean would be 1 dB off"
        assert row["source"] == "after"
        assert {"exchanged", "no-check-before"} <= {*row["reasons"]}
        assert (row["used_checks"], len(row["refused_checks"])) == (["two"], 1)
        assert row["refused_checks"][0].startswith("one: ")
        assert dict(zip(row["terms"], row["terms_db"], strict=True))["drift"] == pytest.approx(0.5 / math.sqrt(3.0))
        assert of_level(row) == [], "what is left is sound"
    assert [table[session.position(c)]["reasons"] for c in (0, 3, 4)] == [[]] * 3


def test_another_order_alone_costs_no_check(session: Session) -> None:
    table = session.calibration_table(rows_of(session, SWAPPED, (False, False), listed=True))
    assert {(row["source"], row["verdict"]) for row in table.values()} == {("mean", "good")}
    assert table["p2"]["reasons"] == table["p3"]["reasons"] == ["other-order"]


def test_sensors_exchanged_for_the_whole_session_keep_their_checks(session: Session) -> None:
    """Both checks agree: they are right for the channels; where the sensors sit is another matter."""
    table = session.calibration_table(rows_of(session, SWAPPED, (True, True), listed=True))
    for channel, other in ((1, 2), (2, 1)):
        row = table[session.position(channel)]
        assert row["source"] == "mean"
        assert row["sensitivity_v_per_pa"] == pytest.approx(session.sensitivity[other], rel=0.003)
        assert of_level(row) == ["positions-exchanged"]
        assert "charts-exchanged" in row["reasons"]


def test_nothing_that_tells_which_check_is_wrong_leaves_the_table(session: Session) -> None:
    """Nominal entries alike for both sensors: each is 1 dB off one of the two values."""
    session.chart[1] = session.chart[2] = 0.0040 * 10 ** (1.0 / 20)
    rows = rows_of(session, ASKED, (True, False), listed=False)
    table = session.calibration_table(rows)
    for name in ("p2", "p3"):
        row = table[name]
        assert (row["source"], row["used_checks"]) == ("chart", [])
        assert of_level(row) == ["exchange-undecided"]
        assert dict(zip(row["terms"], row["terms_db"], strict=True))["exchanged sensors"] == pytest.approx(
            1.0, abs=0.05
        )
    refused = [Overrule("one", name, "unusable", "cables exchanged", "A. Nyone") for name in ("p2", "p3")]
    settled = session.calibration_table(rows, overrules=refused)
    assert off_db(session, settled, 1) == pytest.approx(0.0, abs=0.02)
    assert of_level(settled["p2"]) == []


def test_without_charts_both_values_stay_and_carry_their_distance(session: Session) -> None:
    session.unstated = {1: {"sensitivity_v_per_pa": None}, 2: {"sensitivity_v_per_pa": None}}
    table = session.calibration_table(rows_of(session, ASKED, (True, False), listed=False))
    row = table["p2"]
    assert (row["source"], of_level(row)) == ("mean", ["exchange-undecided", "drift"])
    assert dict(zip(row["terms"], row["terms_db"], strict=True))["exchanged sensors"] == pytest.approx(1.0, abs=0.05)


def test_a_partner_without_a_usable_tone_vouches_for_nobody(session: Session) -> None:
    before, after = Applications(SWAPPED, ASKED, lengths_s={2: 0.85}), Applications(ASKED)
    session.write("one", before, exchanged_db(session))
    session.write("two", after)
    rows = session.checks_table([session.check("one", "before", before), session.check("two", "after", after)])
    table = session.calibration_table(rows)
    assert (table["p2"]["source"], table["p3"]["source"]) == ("after", "after")
    assert "exchanged" in table["p2"]["reasons"]


def test_a_tone_that_the_list_leaves_out_gives_no_sensitivity(session: Session) -> None:
    """Not even beside other checks: it may be the tone of the sensor next to it."""
    before, after = Applications(ASKED, [0, 1, 2]), Applications([0, 1, 2], [0, 1, 2])
    session.write("one", before, {3: 1.5})
    session.write("two", after)
    rows = session.checks_table([session.check("one", "before", before), session.check("two", "after", after)])
    assert {row["position"]: row["reasons"] for row in rows if row["reasons"]} == {
        "p4": ["not-listed"],
        "p5": ["not-listed"],
    }
    table = session.calibration_table(rows)
    assert (table["p4"]["source"], table["p5"]["source"]) == ("chart", "chart")
    assert table["p4"]["reasons"] == ["not-listed", "no-check"]
    counted = session.calibration_table(
        rows, overrules=[Overrule("one", "p4", "good", "it was calibrated", "A. Nyone")]
    )
    assert (counted["p4"]["source"], counted["p5"]["source"]) == ("before", "chart")


def test_an_unlisted_tone_far_from_the_table_contradicts_nothing(session: Session) -> None:
    applications = Applications(ASKED, [0, 1, 2])
    session.write("one", applications, {3: 7.0})
    table = session.calibration_table(session.checks_table([session.check("one", "before", applications)]))
    assert table["p4"]["source"] == "chart"
    assert "contradicted" not in table["p4"]["reasons"]
