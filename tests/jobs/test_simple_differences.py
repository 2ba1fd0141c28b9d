"""Intervals, adjusted p-values and words of differences beside the comparisons."""

from __future__ import annotations

from typing import Any

import pytest
from small_cubes import Given, Small

from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.simple_differences import with_findings
from tapeline.statistics.significance import benjamini_hochberg, holm, student_p_value


def judged(rows: list[dict[str, Any]], **settings: Any) -> list[dict[str, Any]]:
    needs = Small([Given("a-open-1", (80.0, 70.0))], compare=Compare(**settings)).job().needs
    return with_findings(rows, needs)


def row(d: float, error: float, dof: float | None = None, quantity: str = "band") -> dict[str, Any]:
    return {"difference_db": d, "standard_error_db": error, "degrees_of_freedom": dof, "quantity": quantity}


def test_interval_and_p_value_by_hand() -> None:
    """t with 4 degrees of freedom: 2.776 at 95 % (any table of t); None is the normal law, 1.960."""
    found = judged([row(-2.0, 0.5, 4.0), row(-2.0, 0.5)])
    assert (found[0]["lower_db"], found[0]["upper_db"]) == pytest.approx(
        (-2.0 - 2.776 * 0.5, -2.0 + 2.776 * 0.5), abs=1e-3
    )
    assert found[1]["upper_db"] == pytest.approx(-2.0 + 1.960 * 0.5, abs=1e-3)
    assert found[0]["p_value"] == pytest.approx(float(student_p_value(4.0, 4.0)))


@pytest.mark.parametrize(("word", "adjust"), [("false-discovery", benjamini_hochberg), ("family-wise", holm)])
def test_bands_and_overall_levels_are_families_of_their_own(word: str, adjust: Any) -> None:
    rows = [row(0.1 * k, 0.1, 8.0, "overall" if k % 3 == 0 else "band") for k in range(9)]
    found = judged(rows, adjustment=word)
    for quantity, size in (("band", 6), ("overall", 3)):
        part = [one for one in found if one["quantity"] == quantity]
        assert {one["family_size"] for one in part} == {size}
        assert [one["adjusted_p_value"] for one in part] == pytest.approx(adjust([one["p_value"] for one in part]))


def test_words() -> None:
    found = judged([row(-3.0, 0.3), row(3.0, 0.3), row(0.1, 0.1), row(1.0, 2.0), row(0.3, 0.05)])
    assert [one["finding"] for one in found] == ["lower", "higher", "equivalent", "not shown", "equivalent"]


def test_no_difference_of_no_error_is_no_test() -> None:
    found = judged([row(0.0, 0.0), row(1.0, 0.5)])
    assert found[0]["p_value"] is None
    assert found[0]["adjusted_p_value"] is None
    assert {one["family_size"] for one in found} == {1}


def test_no_rows() -> None:
    assert judged([]) == []
