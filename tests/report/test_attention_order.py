"""What the order of runs and the two sides of the body bring to the list of what needs attention."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from built_results import STAMP, write_empty

from tapeline.report.attention_item import Attention
from tapeline.report.attention_order import order_lines
from tapeline.report.finished_tables import read_finished
from tapeline.store import parquet, tables

ITEM = {"quantity": "overall", "weighting": "A", "lowest_band_hz": 100.0, "highest_band_hz": 5000.0}


def lines(folder: Path, name: str, **row: Any) -> list[Attention]:
    write_empty(folder)
    parquet.write_rows(tables.BY_NAME[name], folder / "tables" / f"{name}.parquet", [ITEM | row], **STAMP)
    return order_lines(read_finished(folder), 0.5)


@pytest.mark.parametrize(("low", "high", "told"), [(0.6, 1.4, True), (-1.4, -0.6, True), (0.2, 1.8, False)])
def test_a_reference_drifts_where_all_of_its_interval_matters(
    tmp_path: Path, low: float, high: float, told: bool
) -> None:
    middle = (low + high) / 2.0
    word = "higher" if middle > 0.0 else "lower"
    found = lines(
        tmp_path, "reference_drift", session="may", condition="open", position="p", finding=word,
        difference_db=middle, lower_db=low, upper_db=high,
    )  # fmt: skip
    assert [line.where for line in found] == (["session may, open"] if told else [])
    assert all(f"by {middle:+.1f} dB at most; at p" in line.found for line in found)


@pytest.mark.parametrize(
    ("agreement", "words", "action"),
    [
        ("differ", "left and right do not agree as usual: p and q, by +4.0 dB at most", "check cables"),
        ("yaw-or-exchange", "both sides look alike at opposite yaw angles: p and q", "check the sign of the yaw"),
        ("agree", None, None),
    ],
)
def test_partners_that_do_not_agree_are_told(
    tmp_path: Path, agreement: str, words: str | None, action: str | None
) -> None:
    found = lines(
        tmp_path, "mirror_differences", session="may", condition="open", position="p", mirror="q", agreement=agreement,
        difference_db=4.0,
    )  # fmt: skip
    assert len(found) == (words is not None)
    for line in found:
        assert words is not None and action is not None
        assert words in line.found
        assert line.action.startswith(action)


def test_a_condition_that_did_not_come_back_is_told(tmp_path: Path) -> None:
    found = lines(
        tmp_path, "comparisons", comparison="seam", session_label="may", position="p", finding="higher", return_db=1.2,
        doubtful=True, doubt=["not-returned: +1.2 dB"],
    )  # fmt: skip
    (line,) = found
    assert line.where == "comparison seam, session may"
    assert "in 1 difference, by +1.2 dB at most; at p" in line.found
