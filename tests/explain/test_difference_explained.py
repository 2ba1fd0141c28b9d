"""What `tapeline explain --json` says of a difference suffices to redo the row of the comparisons."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from scipy import stats

from tapeline.cli import main

ROW = ("comparison", "reference_session", "position", "speed_mps", "weighting", "band_hz")


def explained_json(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    """What the command prints for machines."""
    assert main(["explain", *map(str, words), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def rows(folder: Path) -> list[dict[str, Any]]:
    """The table of comparisons."""
    found: list[dict[str, Any]] = pq.read_table(folder / "results" / "tables" / "comparisons.parquet").to_pylist()
    return found


def published(folder: Path, subject: dict[str, Any]) -> dict[str, Any]:
    """The row that the explanation is of."""
    (row,) = [row for row in rows(folder) if all(row[name] == subject[name] for name in ROW)]
    return row


def facts(chapter: dict[str, Any]) -> dict[str, Any]:
    """The values of the chapter's facts."""
    return {key: each["value"] for key, each in chapter.items() if isinstance(each, dict)}


@pytest.mark.parametrize(
    ("words", "session"),
    [
        (("whole-seam", "seam-right", "1600"), "april"),
        (("whole-seam", "seam-left", "A"), "may"),
        (("front-part", "line-1", "500"), "april"),
    ],
)
def test_a_difference_redone_from_levels(
    explained: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], session: str
) -> None:
    found = explained_json(capsys, *words, explained, "--speed", 100, "--session", session)
    row, chapters = published(explained, found["subject"]), found["chapters"]
    runs = {side: [run for run in chapters[side]["runs"] if run["used"]] for side in ("reference", "treatment")}
    assert [run["run"] for run in runs["treatment"]] == row["treatment_runs"]
    means = {side: np.mean([run["compared_db"] for run in used]) for side, used in runs.items()}
    difference = means["treatment"] - means["reference"]
    assert difference == pytest.approx(row["difference_db"], abs=1e-9)
    terms = {term["term"]: term for term in chapters["interval"]["terms"]}
    scatter = facts(chapters["scatter"])
    repeats = sum(scatter[f"{side}_excess_db"] ** 2 / len(used) for side, used in runs.items())
    random = sum(np.mean([run["random_uncertainty_db"] ** 2 for run in used]) / len(used) for used in runs.values())
    assert terms["repeats"]["standard_uncertainty_db"] == pytest.approx(repeats**0.5, abs=1e-6)
    assert terms["random error"]["standard_uncertainty_db"] == pytest.approx(random**0.5, abs=1e-6)
    error = sum(term["standard_uncertainty_db"] ** 2 for term in terms.values()) ** 0.5
    assert error == pytest.approx(row["standard_error_db"], abs=1e-6)
    degrees = facts(chapters["interval"])["degrees_of_freedom"]
    half = stats.t.ppf(0.975, degrees) * row["standard_error_db"]
    assert (difference - half, difference + half) == pytest.approx((row["lower_db"], row["upper_db"]), abs=1e-6)
    p_value = 2.0 * stats.t.sf(abs(difference) / row["standard_error_db"], degrees)
    assert p_value == pytest.approx(row["p_value"], rel=1e-6)


def test_the_adjusted_p_value_redone_from_its_family(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "whole-seam", "ladder-foot", "1000", explained, "--session", "may")
    row, test = published(explained, found["subject"]), facts(found["chapters"]["test"])
    family = sorted(
        each["p_value"]
        for each in rows(explained)
        if (each["comparison"], each["quantity"]) == ("whole-seam", "band") and each["p_value"] is not None
    )
    assert test["family_size"] == len(family) == row["family_size"]
    assert family[test["rank"] - 1] == row["p_value"]
    least = min(p * len(family) / place for place, p in enumerate(family, 1) if place >= test["rank"])
    assert row["adjusted_p_value"] == pytest.approx(min(least, 1.0), rel=1e-9)
    assert test["deciding_p_value"] * test["deciding_factor"] == pytest.approx(least, rel=1e-9)


def test_every_row_can_be_explained(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One of each finding: also bounds, and rows without a difference, whose reason is the answer."""
    chosen = {row["finding"]: row for row in rows(explained) if row["quantity"] == "band"}
    assert {"not given", "bound", "higher"} <= set(chosen)
    for finding, row in chosen.items():
        speed, session = row["speed_mps"] * 3.6, row["session_label"]
        view = ("--speed", f"{speed:.0f}", "--session", session)
        found = explained_json(capsys, row["comparison"], row["position"], row["band_hz"], explained, *view)
        decided = {each["decision"]: each for each in found["chapters"]["decisions"]["decisions"]}
        assert decided["finding"]["found"] == finding
        assert decided["finding"]["rule"]
        assert (row["why_not"] or "") in found["answer"][0]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("whole-seam", "seam-right", "A"),
            "choose one by --speed (in km/h), --yaw and --session; there are: 100 km/h",
        ),
        (("whole-seam", "seam-right", "A", "--speed", "90"), "no difference of whole-seam fits"),
        (("whole-seam", "seam-right", "A", "--speed", "fast"), 'found "fast", expected a number'),
        (("whole-seem", "seam-right", "A"), 'did you mean "whole-seam"?'),
    ],
)
def test_what_is_not_one_difference(
    explained: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert main(["explain", *words, "--campaign", str(explained)]) == 2
    assert said in capsys.readouterr().err


def test_what_a_condition_gains_and_leaves(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "front", "seam-right", "A", explained)
    table = pq.read_table(explained / "results" / "tables" / "treatments.parquet").to_pylist()
    keys = ("condition", "session", "position", "speed_mps", "weighting", "band_hz")
    (row,) = [each for each in table if all(each[name] == found["subject"][name] for name in keys)]
    chapters = found["chapters"]
    means = {
        side: np.mean([run["compared_db"] for run in chapters[side]["runs"] if run["used"]])
        for side in ("condition", "untreated", "best")
    }
    assert means["untreated"] - means["condition"] == pytest.approx(row["gain_db"], abs=1e-9)
    assert means["condition"] - means["best"] == pytest.approx(row["remainder_db"], abs=1e-9)
    for asked in ("gain", "remainder"):
        judged = facts(chapters[asked])
        half = stats.t.ppf(0.975, judged["degrees_of_freedom"]) * judged["standard_error_db"]
        ends = judged["db"] - half, judged["db"] + half
        assert ends == pytest.approx((row[f"{asked}_lower_db"], row[f"{asked}_upper_db"]), abs=1e-6)
    assert "The comparison front-part" in chapters["gain"]["sentences"][0]
