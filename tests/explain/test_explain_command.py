"""The command `tapeline explain`: names that are not known, results that are not there, and its text."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tapeline.cli import main
from tapeline.explain.explanation import Chapter, Explanation, Fact, Heading, Listing, as_plain
from tapeline.explain.explanation_text import explanation_text
from tapeline.explain.level_chapters import doubt_rule
from tapeline.jobs.compare.comparison_rows import LESS_TAKEN_OFF, OTHER_SIZE
from tapeline.quality.reasons import REASONS
from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS
from tapeline.report.attention_range import SAID


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("a50", "seam-right", "1600"), 'found run, comparison or condition "a50"'),
        (("a05", "seam-rigt", "1600"), 'did you mean "seam-right"?'),
        (("a05", "seam-right", "1500"), "the nearest is 1600 Hz"),
        (("a05", "seam-right", "C"), 'found band "C", expected a band from 50 to 4000 Hz or Z or A'),
        (("a05", "seam-right", ""), 'found band ""'),
    ],
)
def test_unknown_names_are_answered(
    explained: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert main(["explain", *words, str(explained)]) == 2
    found = capsys.readouterr()
    assert said in found.err
    assert found.out == ""


@pytest.mark.parametrize(("name", "missing"), [("a05", "quality/a05.parquet"), ("whole-seam", "comparisons.parquet")])
def test_before_a_run_there_is_nothing_to_explain(
    explained: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, missing: str
) -> None:
    for part in ("config", "data-sample"):
        shutil.copytree(explained / part, tmp_path / part, symlinks=True)
    assert main(["explain", name, "seam-right", "1600", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "no results yet" in said
    assert missing in said
    assert "`tapeline run` makes it" in said


def test_results_of_other_settings_are_not_explained(
    explained: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "other"
    shutil.copytree(explained, folder, symlinks=True)
    settings = folder / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("no_correction_above_db: 15.0", "no_correction_above_db: 12.0"), encoding="utf-8")
    assert main(["explain", "a05", "seam-right", "1600", str(folder)]) == 1
    assert "made from other files or settings than those there now" in capsys.readouterr().err


def test_text_and_json_say_the_same(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every chapter, and every word of a fact that has a value."""
    words = ["explain", "a05", "seam-right", "1.6k", str(explained)]
    assert main(words) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    facts = [each for chapter in found["chapters"].values() for each in chapter.values() if isinstance(each, dict)]
    assert len(facts) > 60
    assert [each["words"] for each in facts if each["value"] is not None and each["words"] not in text] == []
    assert [chapter["title"] for chapter in found["chapters"].values() if chapter["title"] not in text] == []


def test_every_doubt_and_mark_has_its_rule() -> None:
    """Those of levels, and those that differences alone have."""
    own = {LESS_TAKEN_OFF, OTHER_SIZE, "reference-drift", "not-returned"}
    codes = {*own, *SAID, *REASONS, *BACKGROUND_DOUBTS}
    assert [code for code in sorted(codes) if "docs/tables.md" in doubt_rule(code) or not doubt_rule(code)] == []


def test_text_is_aligned_and_leaves_out_what_is_empty() -> None:
    listing = Listing("runs", "Runs", (Heading("run", "run"), Heading("level_db", "level", "dB"), Heading("x", "x")), (
        {"run": "a05", "level_db": 80.0, "x": None},
        {"run": "a12", "level_db": None, "x": None},
    ))  # fmt: skip
    facts = (Fact("gain_db", "gain", 20.0, "dB", "config/fittings.csv:8"), Fact("spare", "spare", None))
    made = Explanation(
        "Title",
        {"run": "a05"},
        ("Said.",),
        (Chapter("one", "Chapter", (*facts, listing, "So it is.", Fact("bare", "bare", True))),),
    )
    assert explanation_text(made, 60).split("\n") == [
        "Title",
        "  Said.",
        "",
        "Chapter",
        "  gain  20.000 dB  config/fittings.csv:8",
        "  Runs",
        "  run  level [dB]",
        "  a05      80.000",
        "  a12           –",
        "  So it is.",
        "  bare  yes",
    ]
    plain = as_plain(made)["chapters"]
    assert isinstance(plain, dict)
    assert plain["one"]["spare"] == {"value": None, "words": "spare"}
    assert plain["one"]["runs"] == list(listing.rows)
