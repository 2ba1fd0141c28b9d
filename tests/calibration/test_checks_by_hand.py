"""Calibrator checks that somebody refuses, lets count or doubts, by row of the overrides table."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from random_applications import Applications, Session

from tapeline.campaign.plan import Overrule
from tapeline.jobs.sensitivity.judged_checks import judged_checks
from tapeline.jobs.sensitivity.run import decided_checks, sensitivities

ASKED = list(range(4))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session(seed=5, channels=4, folder=tmp_path)


def rows_of(session: Session, drift_db: float = 0.1) -> list[dict[str, Any]]:
    """Checks before (`one`) and after (`two`), all sensors some decibels higher after."""
    applications = Applications(ASKED, ASKED)
    session.write("one", applications)
    session.write("two", applications, dict.fromkeys(ASKED, drift_db))
    return session.checks_table(
        [session.check("one", "before", applications), session.check("two", "after", applications)]
    )


def by_hand(verdict: str, run: str = "two", position: str | None = "p2") -> Overrule:
    return Overrule(run, position, verdict, "the adapter slipped", "A. Nyone")  # type: ignore[arg-type]


def test_a_refused_check_is_not_used_and_says_by_whom(session: Session) -> None:
    rows = rows_of(session)
    table = session.calibration_table(rows, overrules=[by_hand("unusable")])
    row = table["p2"]
    assert row["source"] == "before"
    assert row["reasons"] == ["refused-by-hand", "no-check-after"]
    assert row["sentences"][0] == "position p2: its check two is not used, set by A. Nyone: the adapter slipped"
    assert (row["used_checks"], row["refused_checks"]) == (["one"], ["two: refused-by-hand (by A. Nyone)"])
    assert {name: other["source"] for name, other in table.items() if name != "p2"} == dict.fromkeys(
        ("p1", "p3", "p4"), "mean"
    )
    channels = [session.channel(c) for c in ASKED]
    judged = judged_checks(rows, channels, [by_hand("unusable")])
    decided = {(r["run"], r["position"]): r for r in decided_checks(judged.rows, list(table.values()))}
    assert (decided["two", "p2"]["used"], decided["two", "p2"]["decided_by"]) == (False, "A. Nyone")
    assert (decided["one", "p2"]["used"], decided["one", "p2"]["decided_by"]) == (True, None)
    found = sensitivities(judged.rows, channels, "mean", 0.2)
    assert {name: found[name] for name in table} == {n: row["sensitivity_v_per_pa"] for n, row in table.items()}


def test_a_whole_recording_is_refused_but_for_a_position_named_apart(session: Session) -> None:
    rows = rows_of(session)
    table = session.calibration_table(
        rows, overrules=[by_hand("unusable", "one", None), by_hand("doubtful", "one", "p3")]
    )
    assert {name: row["source"] for name, row in table.items()} == {
        "p1": "after",
        "p2": "after",
        "p3": "mean",
        "p4": "after",
    }
    assert table["p3"]["reasons"] == ["doubted-by-hand"]


def test_a_refused_check_counts_where_somebody_says_so(session: Session) -> None:
    applications = Applications(ASKED, ASKED, lengths_s={1: 0.8})
    session.write("one", applications)
    rows = session.checks_table([session.check("one", "before", applications)])
    assert session.calibration_table(rows)["p2"]["source"] == "chart"
    row = session.calibration_table(rows, overrules=[by_hand("good", "one")])["p2"]
    assert row["source"] == "before"
    assert row["reasons"] == ["counted-by-hand", "no-check-after"]


def test_a_check_without_a_tone_cannot_count(session: Session) -> None:
    applications = Applications([0, 2, 3], ASKED)
    session.write("one", applications)
    rows = session.checks_table([session.check("one", "before", applications)])
    row = session.calibration_table(rows, overrules=[by_hand("good", "one")])["p2"]
    assert row["source"] == "chart"
    assert row["reasons"] == ["no-tone", "counted-by-hand", "no-check"]


def test_a_verdict_on_a_check_that_is_not_there_is_said(session: Session) -> None:
    applications = Applications([0, 2, 3], [0, 2, 3])
    session.write("one", applications)
    rows = session.checks_table([session.check("one", "before", applications)])
    row = session.calibration_table(rows, overrules=[by_hand("unusable", "one")])["p2"]
    assert "position p2: run one holds no check of it: the verdict set by A. Nyone changes nothing" in row["sentences"]


def test_refusing_what_contradicts_the_table_leaves_the_table(session: Session) -> None:
    applications = Applications(ASKED, ASKED, level_off_db=-20.0)
    session.write("one", applications)
    rows = session.checks_table([session.check("one", "before", applications)])
    assert session.calibration_table(rows)["p2"]["source"] == "none"
    assert session.calibration_table(rows, overrules=[by_hand("unusable", "one")])["p2"]["source"] == "chart"
