"""What names of files say: only what is clear."""

from __future__ import annotations

import pytest

from tapeline.new_campaign.name_patterns import conditions, is_background, run_names, speed_kmh, stage


@pytest.mark.parametrize(
    ("file", "speed"),
    [
        ("open_100kmh_1.wav", 100.0),
        ("a/open-v130 km_h.wav", 130.0),
        ("open_27.5mps.wav", 99.0),
        ("wind-off_1.wav", 0.0),
        ("open_100.wav", None),
        ("open_100ms.wav", None),
        ("100kmh_130kmh.wav", None),
        ("x2100kmh.wav", None),
        ("100kmhz.wav", None),
        ("120kmh/open.wav", None),
    ],
)
def test_a_speed_needs_its_unit(file: str, speed: float | None) -> None:
    assert speed_kmh(file) == (None if speed is None else pytest.approx(speed))


@pytest.mark.parametrize(
    ("files", "found"),
    [
        (["open_1.wav", "sealed_2.wav", "open_3.wav"], ["open", "sealed", "open"]),
        (["03_van_front-taped_100kmh.wav", "04_van_open_130kmh.wav", "05_van_open_100kmh.wav"],
         ["front-taped", "open", "open"]),
        (["1-open.wav", "2-sealed.wav", "3-sealed.wav"], ["open", "sealed", "sealed"]),
    ],
)  # fmt: skip
def test_conditions_are_the_one_word_that_groups_names(files: list[str], found: list[str]) -> None:
    assert list(conditions(files).values()) == found


@pytest.mark.parametrize(
    "files",
    [
        ["open.wav", "sealed.wav"],  # no word stands twice
        ["run1.wav", "run2.wav"],
        ["open_1.wav", "open_2.wav"],  # none differs
        ["open_left_1.wav", "sealed_right_2.wav", "open_right_3.wav"],  # two places differ
        ["open_1.wav", "sealed_front_2.wav", "open_3.wav"],
        ["open_1.wav", "Open_2.wav", "open_3.wav"],
        [],
    ],
)
def test_other_names_give_no_condition(files: list[str]) -> None:
    assert conditions(files) == {}


def test_background_and_stage_are_words_of_their_own() -> None:
    assert [is_background(name) for name in ("bg_1.wav", "02_Background.wav", "windoff.wav", "bgr.wav", "abg.wav")] == [
        True, True, True, False, False,
    ]  # fmt: skip
    assert [stage(name) for name in ("cal_before.wav", "after-1.wav", "before_after.wav", "cal.wav")] == [
        "before", "after", None, None,
    ]  # fmt: skip


def test_runs_are_named_once_whatever_the_case() -> None:
    files = ["a.wav", "b/A.wav", "none.wav", "Größe 1.wav", "---.wav"]
    found = run_names(files, frozenset({"none"}))
    assert list(found.values()) == ["a", "A-2", "none-2", "Gr-e-1", "run"]
