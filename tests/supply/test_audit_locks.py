"""What an audit of the locks says, what is accepted until when, when nothing was audited. Advisories are invented."""

from __future__ import annotations

import json
import subprocess
from datetime import date
from pathlib import Path
from typing import Any

import pytest

import audit_locks

LAST_DAY = date(2026, 1, 31)
WHOLE = f"""
[[finding]]
id = "ADV-1"
package = "some-package"
until = {LAST_DAY}
reason = "that part is never called"
"""


def pin(name: str, *advisories: str, mended: tuple[str, ...] = ("2.0",)) -> dict[str, Any]:
    vulns = [{"id": one, "fix_versions": list(mended), "aliases": [f"{one}-ALIAS"]} for one in advisories]
    return {"name": name, "version": "1.0", "vulns": vulns}


def unknown(name: str) -> dict[str, Any]:
    return {"name": name, "skip_reason": "not found"}


def judged(*pins: dict[str, Any], accepted: str = "", today: date = LAST_DAY) -> Any:
    answer = audit_locks.Answer.model_validate({"dependencies": pins, "fixes": []})
    return audit_locks.judged(answer, audit_locks.accepted_findings(accepted), today)


def test_the_committed_list_is_whole() -> None:
    audit_locks.accepted_findings((audit_locks.ROOT / audit_locks.ACCEPTED).read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("mended", "said"), [(("1.2", "2.0"), "raise the pin to 1.2 or 2.0."), ((), "no version mends it yet.")]
)
def test_a_finding_fails_and_says_how_to_mend_it(mended: tuple[str, ...], said: str) -> None:
    lines, passes = judged(pin("some-package", "ADV-1", mended=mended), pin("other"))
    assert not passes
    assert lines[0] == f"some-package 1.0 has the known vulnerability ADV-1 = ADV-1-ALIAS: {said}"
    assert lines[-1] == "2 of 2 pins were audited."


@pytest.mark.parametrize("name", ["ADV-1", "ADV-1-ALIAS"])
def test_an_accepted_finding_passes_by_any_of_its_names(name: str) -> None:
    lines, passes = judged(pin("some-package", "ADV-1"), accepted=WHOLE.replace("ADV-1", name))
    assert passes
    assert lines[0].endswith("; it is accepted until 2026-01-31.")


def test_after_its_last_day_it_fails_again() -> None:
    lines, passes = judged(pin("some-package", "ADV-1"), accepted=WHOLE, today=date(2026, 2, 1))
    assert not passes
    assert lines[0].endswith("raise the pin to 2.0. It was accepted until 2026-01-31.")


@pytest.mark.parametrize("other", [pin("some-package", "ADV-2"), pin("other", "ADV-1")])
def test_accepting_one_finding_accepts_no_other(other: dict[str, Any]) -> None:
    assert not judged(other, accepted=WHOLE)[1]


def test_a_pin_of_both_locks_counts_once() -> None:
    twice = [pin("a"), unknown("b")] * 2
    assert judged(*twice) == (["The advisory service does not know b.", "1 of 2 pins were audited."], True)


def test_a_service_that_knows_nothing_has_audited_nothing() -> None:
    said = "The advisory service knows none of the 2 pins: nothing was audited."
    assert judged(unknown("a"), unknown("b")) == ([said], True)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('reason = "that part is never called"', "", "finding.0.reason"),
        ('reason = "that part is never called"', 'reason = " "', "finding.0.reason"),
        (f"until = {LAST_DAY}", "", "finding.0.until"),
        (f"until = {LAST_DAY}", f'until = "{LAST_DAY}"', "finding.0.until"),
        (f"until = {LAST_DAY}", f"until = {LAST_DAY}T10:00:00", "finding.0.until"),
        ('id = "ADV-1"', 'id = "ADV-1"\nfor_ever = true', "finding.0.for_ever"),
        ("[[finding]]", "[[findings]]", "findings"),
        ("[[finding]]", "[[finding", "is no TOML"),
    ],
)
def test_an_entry_that_is_not_whole_is_refused(old: str, new: str, said: str) -> None:
    assert old in WHOLE
    with pytest.raises(ValueError, match=said):
        audit_locks.accepted_findings(WHOLE.replace(old, new))


def answers(*pins: dict[str, Any]) -> str:
    return json.dumps({"dependencies": pins, "fixes": []})


@pytest.mark.parametrize(
    ("accepted", "read", "answer", "status"),
    [
        ("", 0, answers(pin("a")), 0),
        ("", 0, answers(pin("a", "ADV-1")), 1),
        ("", 0, "", 0),
        ("", 0, None, 0),
        ("", 1, answers(pin("a")), 2),
        ("[finding", 0, answers(pin("a")), 2),
    ],
    ids=["none found", "one found", "no answer", "too slow", "unreadable locks", "unreadable list"],
)
def test_status_of_the_script(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, accepted: str, read: int, answer: str | None, status: int
) -> None:
    (tmp_path / "supply").mkdir()
    (tmp_path / audit_locks.ACCEPTED).write_text(accepted, encoding="utf-8")
    monkeypatch.setattr(audit_locks, "ROOT", tmp_path)

    def run(command: list[str], *, timeout: float, **_: Any) -> subprocess.CompletedProcess[str]:
        if "--dry-run" in command:
            return subprocess.CompletedProcess(command, read, "", "what is wrong")
        if answer is None:
            raise subprocess.TimeoutExpired(command, timeout)
        return subprocess.CompletedProcess(command, 1, answer, "Traceback")

    monkeypatch.setattr(subprocess, "run", run)
    assert audit_locks.main() == status


def test_both_locks_are_read_as_they_stand() -> None:
    assert audit_locks.asked("--dry-run").returncode == 0
