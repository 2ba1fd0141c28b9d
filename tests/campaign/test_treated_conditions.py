"""Which condition is the untreated one, and which is held to be the most treated: by their lists, never by levels."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.campaign.settings import Settings
from tapeline.campaign.treated_conditions import Untreated, most_treated, untreated_condition

BARE: dict[str, Any] = {"applied": []}


def settings(conditions: dict[str, Any], **other: Any) -> Settings:
    return Settings.model_validate({"campaign": "c", "conditions": conditions, **other})


def taped(*items: str) -> dict[str, Any]:
    return {"applied": list(items)}


@pytest.mark.parametrize("reference", [{}, {"reference_condition": "shut"}])
def test_the_only_one_with_nothing_applied_is_untreated_whatever_is_the_reference(reference: dict[str, str]) -> None:
    """A campaign that opens one gap after the other has the closed state for its reference."""
    found = untreated_condition(settings({"shut": taped("a", "b"), "half": taped("a"), "open": BARE}, **reference))
    assert found == Untreated("open", "nothing applied")


@pytest.mark.parametrize("bare", [{"base": BARE, "x": BARE, "y": BARE}, {"base": {}, "x": {}, "y": {}}])
def test_of_several_bare_ones_the_stated_reference_comes_first(bare: dict[str, Any]) -> None:
    said = settings(bare, reference_condition="x", comparisons={"one": {"reference": "base", "treatment": "y"}})
    assert untreated_condition(said) == Untreated("x", "reference_condition")


def test_the_first_condition_counts_as_stated_only_where_it_is_stated() -> None:
    comparisons = {"one": {"reference": "base", "treatment": "x"}, "two": {"reference": "y", "treatment": "base"}}
    conditions: dict[str, Any] = {"x": {}, "base": {}, "y": {}}
    assert untreated_condition(settings(conditions, comparisons=comparisons)) == Untreated("base", "comparisons")
    stated = settings(conditions, comparisons=comparisons, reference_condition="x")
    assert untreated_condition(stated) == Untreated("x", "reference_condition")


def test_one_comparison_names_its_reference() -> None:
    one = {"one": {"reference": "base", "treatment": "x"}}
    assert untreated_condition(settings({"x": {}, "base": {}}, comparisons=one)) == Untreated("base", "comparisons")


def test_where_nothing_tells_it_is_the_first_and_says_so() -> None:
    ring = {
        name: {"reference": one, "treatment": other}
        for name, one, other in (("1", "x", "y"), ("2", "y", "z"), ("3", "z", "x"))
    }
    all_taped = {"x": taped("a"), "y": taped("b"), "z": taped("c")}
    assert untreated_condition(settings(all_taped, comparisons=ring)) == Untreated("x", "first condition")


def test_a_stated_reference_with_treatments_does_not_stand_for_several_bare_ones() -> None:
    found = untreated_condition(settings({"late": BARE, "early": BARE, "shut": taped("a")}, reference_condition="shut"))
    assert found == Untreated("late", "first condition")


def test_without_conditions_stated_by_comparisons_the_default_reference_is_kept() -> None:
    plain = settings({"first": BARE, "shut": taped("a")})
    assert (plain.reference_condition, plain.stated_reference) == ("first", "")
    assert plain.comparisons["shut"].reference == "first"


APPLIED = {"open": (), "front": ("f",), "rear": ("r",), "sealed": ("f", "r"), "clay": ("c",)}


@pytest.mark.parametrize(
    ("condition", "measured", "most"),
    [
        ("front", APPLIED, ["sealed"]),
        ("sealed", APPLIED, []),
        ("clay", APPLIED, []),
        ("front", ["front", "rear", "clay"], []),
        ("open", ["front", "rear", "clay"], ["clay", "front", "rear"]),
    ],
)
def test_the_most_treated_has_all_that_a_condition_has_and_more(
    condition: str, measured: list[str], most: list[str]
) -> None:
    assert most_treated(APPLIED, condition, measured) == most


def test_of_two_names_for_the_same_treatments_the_first_counts() -> None:
    assert most_treated(APPLIED | {"again": ("r", "f")}, "front", ["sealed", "again"]) == ["again"]


@given(st.lists(st.frozensets(st.sampled_from("abcd")), min_size=1, max_size=6))
def test_what_is_found_holds_the_condition_and_nothing_found_holds_another(sets: list[frozenset[str]]) -> None:
    applied = {str(k): sorted(each) for k, each in enumerate(sets)}
    found = most_treated(applied, "0", list(applied))
    assert found == most_treated(applied, "0", list(reversed(applied))), "the order has no say"
    for name in found:
        assert set(applied["0"]) < set(applied[name])
    assert all(set(applied[one]) != set(applied[other]) for one, other in itertools.combinations(found, 2))
    assert bool(found) == any(sets[0] < each for each in sets)
