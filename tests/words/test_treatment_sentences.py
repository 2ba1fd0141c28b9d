"""Gains and remainders as spoken sentences: direction in words, no minus signs, short."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tapeline.words.treatment_sentences import Wording, gain_sentence, remainder_sentence

KMH = Wording("km/h", 0.95, 0.5)
ALL_ALONG, FRONT = "taping all along", "taping the front half"

ROW: dict[str, Any] = {
    "condition": "sealed",
    "untreated": "open",
    "untreated_by": "nothing applied",
    "best": None,
    "pairing": "same-session",
    "position": "seam-right",
    "speed_mps": 130 / 3.6,
    "yaw_deg": 0.0,
    "quantity": "overall",
    "weighting": "A",
    "band_hz": None,
    "runs": ["a", "b"],
    "untreated_runs": ["c", "d"],
    "gain_doubt": [],
    "remainder_doubt": [],
}


def gain(finding: str, value: float | None, lower: float | None, upper: float | None, **other: Any) -> str:
    row = ROW | {"gain_finding": finding, "gain_db": value, "gain_lower_db": lower, "gain_upper_db": upper} | other
    return gain_sentence(row, ALL_ALONG, KMH)  # type: ignore[arg-type]


def remainder(finding: str | None, value: float | None, lower: float | None, upper: float | None, **other: Any) -> str:
    ends = {"remainder_db": value, "remainder_lower_db": lower, "remainder_upper_db": upper}
    row = ROW | {"gain_finding": "lower", "best": "sealed", "remainder_finding": finding} | ends | other
    return remainder_sentence(row, FRONT, KMH)  # type: ignore[arg-type]


START = "At seam-right taping all along "


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            ("lower", 6.6, 6.0, 7.2),
            "makes it 6.6 dB(A) quieter at 130 km/h (95 % interval 6.0 to 7.2; 2 runs each).",
        ),
        (
            ("higher", -1.2, -1.9, -0.5),
            "makes it 1.2 dB(A) louder at 130 km/h (95 % interval 0.5 to 1.9; 2 runs each).",
        ),
        (
            ("equivalent", 0.1, -0.2, 0.3),
            "changes it by less than 0.5 dB(A) at 130 km/h (95 % interval 0.2 dB(A) louder to 0.3 dB(A) quieter; 2 "
            "runs each).",
        ),
        (
            ("not shown", 0.6, 0.1, 1.1),
            "is not shown to make it quieter or louder at 130 km/h (95 % interval 0.1 to 1.1 dB(A) quieter; 2 runs "
            "each).",
        ),
        (
            ("not shown", -0.6, -1.3, -0.1),
            "is not shown to make it quieter or louder at 130 km/h (95 % interval 0.1 to 1.3 dB(A) louder; 2 runs "
            "each).",
        ),
        (
            ("bound", None, 8.6, None),
            "makes it at least 8.6 dB(A) quieter at 130 km/h (background-limited; 2 runs each).",
        ),
        (
            ("bound", None, -0.4, None),
            "makes it at most 0.4 dB(A) louder at 130 km/h (background-limited; 2 runs each).",
        ),
        (
            ("bound", None, None, 0.4),
            "makes it at most 0.4 dB(A) quieter at 130 km/h (background-limited; 2 runs each).",
        ),
        (
            ("bound", None, None, -2.0),
            "makes it at least 2.0 dB(A) louder at 130 km/h (background-limited; 2 runs each).",
        ),
    ],
)
def test_a_gain_is_told_with_its_direction(told: tuple[Any, ...], sentence: str) -> None:
    assert gain(*told) == START + sentence


def test_a_gain_tells_band_yaw_runs_sessions_doubt_and_what_it_is_counted_from() -> None:
    other = {
        "quantity": "band",
        "weighting": "Z",
        "band_hz": 1250.0,
        "yaw_deg": -5.0,
        "runs": ["a"],
        "untreated_by": "first condition",
        "pairing": "remounted",
        "gain_doubt": ["overload-brief: a"],
    }
    assert gain("lower", 3.0, 1.0, 5.0, **other) == (
        f"{START}makes the 1.25 kHz band 3.0 dB quieter than open at 130 km/h and -5° yaw (95 % interval 1.0 to 5.0; 2 "
        "and 1 runs; two sessions, sensors fitted anew; doubtful: few samples stick at the end of the range: a)."
    )


def test_what_is_not_known_of_a_gain_has_its_reason() -> None:
    why = {"gain_why_not": "both sides are upper bounds"}
    assert gain("not given", None, None, None, **why) == (
        "At seam-right the gain by taping all along at 130 km/h is not known: both sides are upper bounds."
    )
    assert gain(None, None, None, None).endswith("it was not held against open in these sessions.")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            ("higher", 2.1, 1.5, 2.7),
            "Taping the front half leaves 2.1 dB(A) of that (1.5 to 2.7): not enough by itself.",
        ),
        (
            ("higher", 0.6, 0.4, 0.8),
            "Taping the front half leaves 0.6 dB(A) of that (0.4 to 0.8): it may be enough by itself.",
        ),
        (
            ("equivalent", 0.1, -0.1, 0.3),
            "Taping the front half reaches that within 0.5 dB(A) (0.3 dB(A) louder to 0.1 dB(A) quieter): enough by "
            "itself.",
        ),
        (
            ("not shown", 0.6, -0.1, 1.3),
            "Taping the front half is not shown to leave any of that (1.3 dB(A) louder to 0.1 dB(A) quieter): it may "
            "be enough by itself.",
        ),
        (
            ("lower", -1.2, -1.9, -0.5),
            "Taping the front half is 1.2 dB(A) quieter than that (0.5 to 1.9): enough by itself.",
        ),
        (
            ("bound", None, 5.9, None),
            "Taping the front half leaves at least 5.9 dB(A) of that (background-limited): not enough by itself.",
        ),
        (
            ("bound", None, None, 0.3),
            "Taping the front half leaves at most 0.3 dB(A) of that (background-limited): enough by itself.",
        ),
        (
            ("bound", None, None, -1.0),
            "Taping the front half is at least 1.0 dB(A) quieter than that (background-limited): enough by itself.",
        ),
        (
            ("bound", None, -3.0, None),
            "What taping the front half leaves of that is not known: the background hides it.",
        ),
    ],
)
def test_a_remainder_is_told_with_whether_it_is_enough(told: tuple[Any, ...], sentence: str) -> None:
    assert remainder(*told) == sentence


def test_a_treatment_that_makes_it_louder_leaves_no_part_of_a_gain() -> None:
    assert remainder("higher", 4.0, 3.0, 5.0, gain_finding="higher") == (
        "Taping the front half is 4.0 dB(A) louder than that (3.0 to 5.0): not enough by itself."
    )


def test_what_is_not_known_of_a_remainder_has_its_reason() -> None:
    assert remainder("not given", None, None, None, remainder_why_not="rear: no level").endswith(
        "leaves of that is not known: rear: no level."
    )
    assert remainder(None, None, None, None).endswith("it was not held against sealed in these sessions.")
    assert remainder(None, None, None, None, best=None).endswith("no single condition has all its treatments and more.")


FINDINGS = ["shown", "equivalent", "not shown", "bound"]
ENDS = st.tuples(st.floats(-9, 9), st.floats(0.1, 5)).map(lambda t: (t[0], t[0] - t[1], t[0] + t[1]))


@given(ENDS, st.sampled_from(FINDINGS))
def test_no_sentence_has_a_minus_sign_or_runs_on(ends: tuple[float, float, float], finding: str) -> None:
    """What is shown leaves out zero. Numbers and units counted as words, 30 are as long as it gets."""
    value, lower, upper = ends
    assume(finding != "shown" or lower * upper > 0.0)
    of_gain, of_remainder = finding, finding
    if finding == "shown":
        of_gain, of_remainder = ("higher", "lower") if value < 0.0 else ("lower", "higher")
    known = (None, lower, None) if finding == "bound" else ends
    in_words = gain(of_gain, *known), remainder(of_remainder, *known)
    for sentence in in_words:
        assert not re.search(r"[-\u2212]\d|None", sentence)
        assert len(sentence.split()) <= 30
        assert sentence.endswith(".")
    if finding == "shown":
        assert ("louder" if value < 0 else "quieter") in in_words[0]


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (("lower", -2.9, -3.3, -2.5), "Taping the front half is 2.9 dB(A) quieter than that (2.5 to 3.3)."),
        (
            ("equivalent", 0.1, -0.1, 0.3),
            "Taping the front half reaches that within 0.5 dB(A) (0.3 dB(A) louder to 0.1 dB(A) quieter).",
        ),
        (
            ("not shown", -0.6, -1.3, 0.1),
            "Taping the front half is not shown to differ from that (0.1 dB(A) louder to 1.3 dB(A) quieter).",
        ),
    ],
)
def test_a_treatment_that_makes_it_louder_is_not_enough_by_itself_though_the_other_is_no_better(
    told: tuple[Any, ...], sentence: str
) -> None:
    assert remainder(*told, gain_finding="higher") == sentence


def test_nothing_is_judged_enough_by_what_is_doubtful() -> None:
    said = remainder("lower", -1.2, -1.9, -0.5, remainder_doubt=["reference-drift: +2.6 dB"])
    assert said.startswith("Taping the front half is 1.2 dB(A) quieter than that (0.5 to 1.9; doubtful: ")
    assert "enough" not in said
