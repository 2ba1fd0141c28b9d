"""What an audit of the locks says, what is accepted, and when nothing was audited. All advisories are invented."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest
from scripts import SUPPLY, audit_locks

WHOLE = (
    '[[finding]]\nid = "ADV-1"\npackage = "some_package"\naccepted = 2026-01-31\nreason = "that part is never called"\n'
)


def pin(name: str, *advisories: str, mended: tuple[str, ...] = ("2.0",)) -> dict[str, Any]:
    vulns = [{"id": one, "fix_versions": list(mended), "aliases": [f"{one}-ALIAS"]} for one in advisories]
    return {"name": name, "version": "1.0", "vulns": vulns}


def unknown(name: str) -> dict[str, Any]:
    return {"name": name, "skip_reason": "not found"}


def audit(*pins: dict[str, Any]) -> Any:
    return audit_locks.read_audit(json.dumps({"dependencies": pins, "fixes": []}))


def test_the_committed_list_is_whole() -> None:
    audit_locks.accepted_findings((SUPPLY / "accepted_findings.toml").read_text(encoding="utf-8"))


def test_a_finding_fails_and_says_how_to_mend_it() -> None:
    lines, passes = audit_locks.judged(audit(pin("some-package", "ADV-1"), pin("other")), [])
    assert not passes
    assert lines[0] == ("some-package 1.0 has the known vulnerability ADV-1 = ADV-1-ALIAS: raise the pin to 2.0.")
    assert lines[-1] == "2 of 2 pins were audited, with 1 findings in all."


def test_a_finding_without_a_mended_version() -> None:
    lines, passes = audit_locks.judged(audit(pin("some-package", "ADV-1", mended=())), [])
    assert not passes
    assert lines[0].endswith("no mended version is known.")


@pytest.mark.parametrize("name", ["ADV-1", "ADV-1-ALIAS"])
def test_an_accepted_finding_passes_by_any_of_its_names(name: str) -> None:
    accepted = audit_locks.accepted_findings(WHOLE.replace("ADV-1", name))
    assert audit_locks.judged(audit(pin("some-package", "ADV-1")), accepted) == (
        ["1 of 1 pins were audited, with 1 findings in all."],
        True,
    )


@pytest.mark.parametrize("other", [pin("some-package", "ADV-2"), pin("other", "ADV-1")])
def test_accepting_one_finding_accepts_no_other(other: dict[str, Any]) -> None:
    accepted = audit_locks.accepted_findings(WHOLE)
    assert not audit_locks.judged(audit(pin("some-package", "ADV-1"), other), accepted)[1]


def test_an_accepted_finding_that_is_gone_is_named() -> None:
    lines, passes = audit_locks.judged(audit(pin("some-package")), audit_locks.accepted_findings(WHOLE))
    assert passes
    assert "no longer found: take it out" in lines[0]


def test_of_a_package_that_is_not_known_nothing_is_said_to_be_gone() -> None:
    lines, passes = audit_locks.judged(
        audit(unknown("some-package"), pin("other")), audit_locks.accepted_findings(WHOLE)
    )
    assert passes
    assert lines == [
        "The advisory service does not know some-package.",
        "1 of 2 pins were audited, with 0 findings in all.",
    ]


def test_a_service_that_knows_nothing_has_audited_nothing() -> None:
    assert audit_locks.judged(audit(unknown("a"), unknown("b")), []) == (
        ["The advisory service knows none of the 2 pins here: nothing was audited."],
        True,
    )


def test_a_pin_of_both_locks_counts_once() -> None:
    found = audit(pin("a", "ADV-1"), pin("a", "ADV-1"), unknown("b"), unknown("b"))
    assert (found.pins, len(found.findings), found.unknown) == (2, 1, ("b",))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('reason = "that part is never called"\n', "", "look at reason"),
        ('reason = "that part is never called"', 'reason = " "', "`reason` is ' '"),
        ("2026-01-31", '"2026-01-31"', "write a day without quotes"),
        ("2026-01-31", "2026-01-31T10:00:00", "write a day without quotes"),
        ('id = "ADV-1"', "id = 1", "`id` is 1"),
        ('id = "ADV-1"', 'id = "ADV-1"\nuntil = 2027-01-01', "look at until"),
        ("[[finding]]", "[[findings]]", "sections named [[finding]] only"),
        ("[[finding]]", "[finding]", "sections named [[finding]] only"),
        ("[[finding]]", "[[finding", "is no TOML"),
    ],
)
def test_an_entry_that_is_not_whole_is_refused(old: str, new: str, said: str) -> None:
    assert old in WHOLE
    with pytest.raises(audit_locks.AcceptedFindingsError) as refused:
        audit_locks.accepted_findings(WHOLE.replace(old, new))
    assert said in str(refused.value)


ANSWER = json.dumps({"dependencies": [pin("a", "ADV-1")], "fixes": []})


@pytest.mark.parametrize(
    ("answer", "complaint", "status"),
    [
        (json.dumps({"dependencies": [pin("a")]}), "No known vulnerabilities found", 0),
        (ANSWER, "Found 1 known vulnerability in 1 package", 1),
        ("", "Traceback\nrequests.exceptions.ConnectionError: no such name\n", 0),
        ("", "Traceback\nrequests.exceptions.ProxyError: refused\n", 0),
        ("", "ConnectionError was handled\nTraceback\nTypeError: unexpected\n", 2),
        ("", "", 2),
    ],
)
def test_status_of_the_script(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, answer: str, complaint: str, status: int
) -> None:
    (tmp_path / "supply").mkdir()
    (tmp_path / "supply" / "accepted_findings.toml").touch()
    monkeypatch.setattr(audit_locks, "ROOT", tmp_path)
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: subprocess.CompletedProcess([], 1, answer, complaint))
    assert audit_locks.main() == status
