"""The columns of what is picked: who is in which family, and what they hold."""

from __future__ import annotations

from typing import Any

import pytest
import scipy.stats

from tapeline.jobs.compare.picked_rows import with_picked
from tapeline.limits import SELECTED_DIFFERENCES


def row(difference: float | None, **changed: Any) -> dict[str, Any]:
    ends = {"lower_db": None, "upper_db": None}
    if difference is not None:
        ends = {"lower_db": difference - 0.392, "upper_db": difference + 0.392}
    return {
        "quantity": "band", "reference_session": "april", "treatment_session": "april", "speed_mps": 30.0,
        "yaw_deg": 0.0, "difference_db": difference, **ends, "standard_error_db": 0.2, "degrees_of_freedom": None,
        "p_value": 0.5, "finding": "not shown", "doubtful": False, **changed,
    }  # fmt: skip


def test_the_largest_and_the_findings_have_an_interval_that_holds() -> None:
    rows = [row(0.01 * k) for k in range(38)] + [row(-5.0, finding="lower"), row(4.0, finding="higher")]
    found = list(with_picked(rows, 0.95, "comparison"))
    assert [one["difference_db"] for one in found] == [one["difference_db"] for one in rows]
    by_size = sorted(found, key=lambda one: one["size_rank"])
    assert [one["difference_db"] for one in by_size[:3]] == [-5.0, 4.0, 0.37]
    for place, one in enumerate(by_size[:2], start=1):
        half = scipy.stats.norm.isf(0.025 * place / 40) * 0.2
        assert one["selected_lower_db"] == pytest.approx(one["difference_db"] - half, abs=1e-3)
        assert one["selected_upper_db"] == pytest.approx(one["difference_db"] + half, abs=1e-3)
    assert sum(one["selected_lower_db"] is not None for one in found) == SELECTED_DIFFERENCES
    assert all(abs(one["shrunken_db"]) < 0.3 for one in by_size[2:])
    assert by_size[0]["shrunken_db"] == pytest.approx(-5.0, abs=0.2)


def test_families_are_those_of_the_setting() -> None:
    rows = [row(1.0), row(2.0, speed_mps=40.0), row(3.0, quantity="overall"), row(9.0, p_value=None)]
    together = list(with_picked(rows, 0.95, "comparison"))
    apart = list(with_picked(rows, 0.95, "operating-point"))
    assert [one.get("size_rank") for one in together] == [2, 1, 1, None]
    assert [one.get("size_rank") for one in apart] == [1, 1, 1, None]
    assert apart[0]["selected_lower_db"] == pytest.approx(rows[0]["lower_db"])
    assert together[1]["selected_lower_db"] < rows[1]["lower_db"] - 0.01


def test_a_bound_is_widened_on_the_side_that_is_known() -> None:
    bound = row(None, lower_db=2.0, finding="bound", p_value=0.001)
    found = list(with_picked([row(0.1), bound, row(0.2)], 0.95, "comparison"))
    assert [one["size_rank"] for one in found] == [3, 1, 2]
    more = 0.2 * (scipy.stats.norm.isf(0.025 / 3) - scipy.stats.norm.isf(0.025))
    assert found[1]["selected_lower_db"] == pytest.approx(2.0 - more)
    assert found[1]["selected_upper_db"] is None
    assert found[1]["shrunken_db"] is None
