"""Hold the pins of the lock files against known vulnerabilities; findings fail unless they are accepted.

Where the advisory service does not answer, that is said and nothing fails: exit status 0. Findings or a faulty list of
accepted ones give status 1; an audit that breaks down for another reason gives 2.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")
ACCEPTED = Path("supply/accepted_findings.toml")
KEYS = {"id", "package", "accepted", "reason"}

TIMEOUT_S = 15
"""How long one answer of the advisory service is waited for (own choice)."""

UNREACHED = ("ConnectionError", "Timeout", "ProxyError", "HTTPError", "JSONDecodeError", "Could not connect")
"""What the auditing tool names in the last line of its complaint where no service, or something else, answers."""


class AcceptedFindingsError(Exception):
    """The list of accepted findings has a fault; the message is a sentence for whoever edits it."""


@dataclass(frozen=True)
class Accepted:
    """One accepted finding, by one of the advisory's names and its package."""

    name: str
    package: str


@dataclass(frozen=True)
class Finding:
    """One advisory on one pin, with all names the advisory goes by and the versions that mend it."""

    package: str
    version: str
    names: tuple[str, ...]
    mended: tuple[str, ...]

    def is_the(self, accepted: Accepted) -> bool:
        """Whether it is what was accepted."""
        return self.package == accepted.package and accepted.name in self.names

    @property
    def sentence(self) -> str:
        """What was found, and how to mend it."""
        raised = f"raise the pin to {' or '.join(self.mended)}" if self.mended else "no mended version is known"
        return f"{self.package} {self.version} has the known vulnerability {' = '.join(self.names)}: {raised}."


@dataclass(frozen=True)
class Audit:
    """What the service said: how many pins it was asked for, those it does not know, and its findings."""

    pins: int
    unknown: tuple[str, ...]
    findings: tuple[Finding, ...]


def plain(package: str) -> str:
    """A package's name as the lock files write it."""
    return package.lower().replace("_", "-").replace(".", "-")


def accepted_findings(text: str) -> list[Accepted]:
    """The accepted findings of a list in TOML. Raises AcceptedFindingsError where an entry is not whole."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise AcceptedFindingsError(f"{ACCEPTED} is no TOML: {error}.") from error
    entries = table.pop("finding", [])
    if table or not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise AcceptedFindingsError(f"{ACCEPTED} may hold sections named [[finding]] only.")
    return [_accepted(number, entry) for number, entry in enumerate(entries, start=1)]


def _accepted(number: int, entry: Mapping[str, Any]) -> Accepted:
    where = f"{ACCEPTED}, finding {number}"
    if entry.keys() != KEYS:
        odd = ", ".join(sorted(entry.keys() ^ KEYS))
        raise AcceptedFindingsError(f"{where}: its keys must be {', '.join(sorted(KEYS))}; look at {odd}.")
    day = entry["accepted"]
    if not isinstance(day, date) or isinstance(day, datetime):
        raise AcceptedFindingsError(f"{where}: `accepted` is {day!r}; write a day without quotes, like 2026-01-31.")
    for key in ("id", "package", "reason"):
        if not isinstance(entry[key], str) or not entry[key].strip():
            raise AcceptedFindingsError(f"{where}: `{key}` is {entry[key]!r}; write a text in quotes.")
    return Accepted(entry["id"], plain(entry["package"]))


def read_audit(text: str) -> Audit:
    """The auditing tool's answer in JSON; a pin that stands in both locks counts once."""
    pins = json.loads(text)["dependencies"]
    found = {
        Finding(pin["name"], pin["version"], (one["id"], *sorted(one["aliases"])), tuple(one["fix_versions"])): None
        for pin in pins
        for one in pin.get("vulns", [])
    }
    unknown = {pin["name"]: None for pin in pins if "skip_reason" in pin}
    return Audit(len({(pin["name"], pin.get("version")) for pin in pins}), tuple(unknown), tuple(found))


def judged(audit: Audit, accepted: Sequence[Accepted]) -> tuple[list[str], bool]:
    """Sentences on an audit, and whether it passes."""
    known = audit.pins - len(audit.unknown)
    if not known:
        return [f"The advisory service knows none of the {audit.pins} pins here: nothing was audited."], True
    lines = [finding.sentence for finding in audit.findings if not any(map(finding.is_the, accepted))]
    passes = not lines
    if lines:
        lines.append(f"Mend these, or accept each with its reason in {ACCEPTED}.")
    lines += [
        f"{one.name} of {one.package} is accepted in {ACCEPTED} but no longer found: take it out."
        for one in accepted
        if one.package not in audit.unknown and not any(finding.is_the(one) for finding in audit.findings)
    ]
    if audit.unknown:
        lines.append(f"The advisory service does not know {', '.join(audit.unknown)}.")
    lines.append(f"{known} of {audit.pins} pins were audited, with {len(audit.findings)} findings in all.")
    return lines, passes


def unreached(complaint: str) -> bool:
    """Whether the auditing tool broke down because no advisory service answers it as one."""
    lines = [line for line in complaint.splitlines() if line.strip()]
    return bool(lines) and any(words in lines[-1] for words in UNREACHED)


def main() -> int:
    """Audit both locks and print what was found."""
    try:
        accepted = accepted_findings((ROOT / ACCEPTED).read_text(encoding="utf-8"))
    except AcceptedFindingsError as error:
        print(error, file=sys.stderr)
        return 1
    locks = [word for name in LOCKS for word in ("--requirement", name)]
    # The pins are taken as they stand: nothing is resolved, downloaded or installed.
    form = ("--disable-pip", "--require-hashes", "--format", "json", "--aliases", "on", "--progress-spinner", "off")
    command = [sys.executable, "-m", "pip_audit", *form, "--timeout", str(TIMEOUT_S), *locks]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    if not done.stdout.strip():
        if unreached(done.stderr):
            print("The advisory service does not answer here: nothing was audited.")
            return 0
        print(done.stderr, file=sys.stderr)
        print(f"The audit broke down with status {done.returncode}; what it said stands above.", file=sys.stderr)
        return 2
    lines, passes = judged(read_audit(done.stdout), accepted)
    print("\n".join(lines), file=sys.stdout if passes else sys.stderr)
    return 0 if passes else 1


if __name__ == "__main__":
    sys.exit(main())
