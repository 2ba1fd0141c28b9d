"""How faults read, and how the nearest name is found."""

from __future__ import annotations

import pytest

from tapeline.campaign.faults import CampaignFaults, Fault, nearest, quoted


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (
            Fault("config/runs.csv", 14, "speed_kmh", '"fast"', "a number of km/h"),
            'config/runs.csv:14, column "speed_kmh": found "fast", expected a number of km/h',
        ),
        (
            Fault("config/campaign.yaml", 3, 5, '"han"', "a window", 'did you mean "hann"?'),
            'config/campaign.yaml:3, column 5: found "han", expected a window; did you mean "hann"?',
        ),
        (Fault("a.csv", 2, None, "x", "y"), "a.csv:2: found x, expected y"),
        (Fault("a.csv", None, None, "no such file", "a file"), "a.csv: found no such file, expected a file"),
    ],
)
def test_fault_reads_as_one_line(fault: Fault, text: str) -> None:
    assert str(fault) == text


def test_faults_are_listed_in_order_each_once_and_counted() -> None:
    third, first, second = Fault("b", 1, None, "", ""), Fault("a", 9, "x", "", ""), Fault("a", 10, "x", "", "")
    faults = CampaignFaults([third, second, first, third])
    assert faults.faults == (first, second, third)
    assert str(faults).splitlines() == [str(first), str(second), str(third), "3 faults"]
    assert str(CampaignFaults([first])).splitlines()[-1] == "1 fault"


@pytest.mark.parametrize(
    ("name", "known", "near"),
    [
        ("Open", ["opel", "open"], "open"),
        ("speed_kmph", ["speed_kmh", "speed_mps"], "speed_kmh"),
        ("zebra", ["open", "sealed"], None),
        ("open", [], None),
        ("", ["open"], None),
    ],
)
def test_nearest_name(name: str, known: list[str], near: str | None) -> None:
    assert nearest(name, known) == near


def test_quoted_text_stays_on_one_short_line() -> None:
    assert quoted("a\nb\x07") == '"a b\\x07"'
    assert len(quoted("x" * 500)) < 70
