"""The sample's results in a notebook: the pages and docstrings that show it, and what the drawing of joins says."""

from __future__ import annotations

import contextlib
import doctest
import io
import re
import runpy
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from sample_runs import REPOSITORY, CampaignRun

import tapeline
from tapeline.analysis import notebook

pytestmark = pytest.mark.workflow


def test_the_notebook_page_prints_what_it_says(sample: CampaignRun, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample.folder)
    page = (REPOSITORY / "docs" / "notebook.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```\n(?:\n```text\n(.*?)```)?", page, re.DOTALL)
    space: dict[str, Any] = {}
    for number, (lines, printed) in enumerate(blocks):
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            exec(compile(lines, f"block {number}", "exec"), space)  # noqa: S102
        assert [line.rstrip() for line in out.getvalue().splitlines()] == printed.splitlines()
    assert sum(bool(printed) for _, printed in blocks) == 5


def test_the_examples_of_the_docstrings_hold(sample: CampaignRun, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample.folder)
    for module, least in ((tapeline, 4), (notebook, 30)):
        found = doctest.testmod(module)
        assert (found.failed, found.attempted >= least) == (0, True)
    public = {name for name, member in vars(notebook.Results).items() if not name.startswith("_") and member.__doc__}
    assert {name for name in public if ">>>" not in (vars(notebook.Results)[name].__doc__ or "")} == set()


def test_tables_join_as_the_drawing_says(sample: CampaignRun, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sample.folder)
    reference = runpy.run_path(str(REPOSITORY / "docs" / "make_reference.py"))
    results = tapeline.open(Path())
    joined = 0
    for part in "\n".join(reference["joins"]()).split("\n\n"):
        name, key, *others = part.replace("└──►", "").replace("│", "").splitlines()
        columns = [each.strip() for each in key.split(",")]
        one = results.table(name)
        for other in re.findall(r"\w+", " ".join(others)):
            if other in results.names:
                many = results.table(other)
                both = many[columns].merge(one[columns], on=columns, validate="many_to_one", how="inner")
                assert len(both) > 0 or many.empty or one.empty, (name, other)
                joined += 1
    assert joined > 40


def test_no_bound_and_nothing_unusable_is_a_value_in_the_sample(sample: CampaignRun) -> None:
    results = tapeline.open(sample.results)
    for frame in (results.levels, results.condition_means):
        assert {"value", "bound"} <= set(frame["given"])
        assert frame.loc[frame["given"] != "value", ["level_db", "lower_db", "upper_db"]].isna().all(axis=None)
        assert frame.loc[frame["given"] == "value", "level_db"].notna().all()
    unusable = results.levels[~results.levels["usable"]]
    assert set(unusable["position"]) == {"ladder-foot"}
    assert unusable.select_dtypes("float").drop(columns=POINT_AND_BAND).isna().all(axis=None)
    # The mean levels of the campaign's own budgets are those of the comparable runs.
    own = results.mean_levels("session", "condition", "position", "speed_mps").query("given == 'value'")
    keys = ["session", "condition", "position", "speed_mps", "quantity", "weighting", "band_hz"]
    both = own.merge(results.condition_means.query("given == 'value'"), on=keys, suffixes=("", "_of_budget"))
    assert len(both) == len(own)
    pd.testing.assert_series_equal(both["level_db"], both["level_db_of_budget"], check_names=False, atol=1e-9)


POINT_AND_BAND = ["speed_mps", "yaw_deg", "band_hz", "lowest_band_hz", "highest_band_hz"]
