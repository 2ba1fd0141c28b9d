"""What `tapeline run` hands on to the workflow manager."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapeline import cli
from tapeline.cli import run
from tapeline.cli.statuses import EXIT_FAILED

MORE = ["--until", "compare"]


@pytest.mark.parametrize(
    ("given", "more"),
    [
        (["van", "--", *MORE], MORE),
        (["van", "--cores", "1", "--", *MORE], MORE),
        (["--cores", "1", "van", "--dry-run", "--", "--cores", "3", "--", "x"], ["--cores", "3", "--", "x"]),
        (["van"], []),
        (["van", "--"], []),
    ],
)
def test_what_follows_two_dashes_goes_to_the_workflow_manager(
    monkeypatch: pytest.MonkeyPatch, given: list[str], more: list[str]
) -> None:
    seen: list[tuple[Path, list[str]]] = []
    monkeypatch.setattr(run, "check", lambda *_: None)
    monkeypatch.setattr(run, "_told_unwritable", lambda *_: False)
    monkeypatch.setattr(
        run, "_managed", lambda options, _: seen.append((options.campaign.resolve(), options.more)) or 1
    )
    assert cli.main(["run", *given]) == EXIT_FAILED
    assert seen == [(Path("van").resolve(), more)]


def test_no_campaign_is_the_one_here(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Path] = []
    monkeypatch.setattr(run, "check", lambda *_: None)
    monkeypatch.setattr(run, "_told_unwritable", lambda *_: False)
    monkeypatch.setattr(run, "_managed", lambda options, _: seen.append(options.campaign.resolve()) or 1)
    cli.main(["run", "--", *MORE])
    assert seen == [Path().resolve()]
