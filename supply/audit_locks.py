"""Hold the pins of the lock files against known vulnerabilities; findings fail unless they are accepted for now.

Audited are the pins for this Python on this kind of machine. Where the advisory service gives no answer, that is said
and nothing fails: exit status 0. Findings give 1; locks or a list of accepted findings that cannot be read give 2.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")
ACCEPTED = "supply/accepted_findings.toml"

ANSWER_S = 15
"""How long one answer of the advisory service is waited for (own choice)."""
ALL_ANSWERS_S = 180
"""How long all answers together are waited for (own choice; they take seconds where the service answers)."""

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class Accepted(BaseModel):
    """A finding that is accepted up to and with a day, by one of the advisory's names."""

    model_config = ConfigDict(extra="forbid", strict=True)
    id: Text
    package: Text
    until: date
    reason: Text


class AcceptedFindings(BaseModel):
    """The file of accepted findings."""

    model_config = ConfigDict(extra="forbid", strict=True)
    finding: list[Accepted] = []


class Advisory(BaseModel):
    """A known vulnerability of a pin, as pip-audit says it."""

    id: str
    aliases: list[str]
    fix_versions: list[str]


class Pin(BaseModel):
    """A pin, as pip-audit says it; with a reason to skip it where the service does not know it."""

    name: str
    version: str = ""
    vulns: list[Advisory] = []
    skip_reason: str = ""


class Answer(BaseModel):
    """What pip-audit says in JSON."""

    dependencies: list[Pin]


def accepted_findings(text: str) -> list[Accepted]:
    """The accepted findings of a list in TOML. Raises ValueError, with a sentence for whoever edits it."""
    try:
        return AcceptedFindings.model_validate(tomllib.loads(text)).finding
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}" for fault in error.errors()]
        raise ValueError(f"{ACCEPTED} is not as its head says: {'; '.join(faults)}.") from error
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{ACCEPTED} is no TOML: {error}.") from error


def judged(answer: Answer, accepted: Sequence[Accepted], today: date) -> tuple[list[str], bool]:
    """Sentences on an audit, and whether it passes."""
    # A pin that stands in both locks counts once.
    pins = {(pin.name, pin.version): pin for pin in answer.dependencies}.values()
    unknown = [pin.name for pin in pins if pin.skip_reason]
    if len(unknown) == len(pins):
        return [f"The advisory service knows none of the {len(pins)} pins: nothing was audited."], True
    failing, passing = [], []
    for pin in pins:
        for found in pin.vulns:
            names = (found.id, *found.aliases)
            entries = [one for one in accepted if one.package == pin.name and one.id in names]
            vulnerable = f"{pin.name} {pin.version} has the known vulnerability {' = '.join(names)}"
            if any(today <= one.until for one in entries):
                passing.append(f"{vulnerable}; it is accepted until {max(one.until for one in entries)}.")
                continue
            ended = f" It was accepted until {entries[0].until}." if entries else ""
            raised = f"raise the pin to {' or '.join(found.fix_versions)}"
            failing.append(f"{vulnerable}: {raised if found.fix_versions else 'no version mends it yet'}.{ended}")
    if failing:
        failing.append(f"Mend these, or accept each with its reason and a last day in {ACCEPTED}.")
    if unknown:
        passing.append(f"The advisory service does not know {', '.join(unknown)}.")
    passing.append(f"{len(pins) - len(unknown)} of {len(pins)} pins were audited.")
    return [*failing, *passing], not failing


def asked(*options: str) -> subprocess.CompletedProcess[str]:
    """What pip-audit says of both locks, taken as they stand: nothing is resolved, downloaded or installed."""
    form = ("--disable-pip", "--require-hashes", "--format=json", "--aliases=on", "--progress-spinner=off")
    locks = [f"--requirement={ROOT / name}" for name in LOCKS]
    command = [sys.executable, "-m", "pip_audit", *form, f"--timeout={ANSWER_S}", *options, *locks]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=ALL_ANSWERS_S)


def main() -> int:
    """Audit both locks and print what was found."""
    try:
        accepted = accepted_findings((ROOT / ACCEPTED).read_text(encoding="utf-8"))
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    # Reads the locks without asking the service: what goes wrong afterwards is the service's.
    read = asked("--dry-run")
    if read.returncode:
        print(read.stderr, file=sys.stderr)
        print("The locks could not be read; what pip-audit said stands above.", file=sys.stderr)
        return 2
    try:
        answer = Answer.model_validate_json(asked().stdout)
    except (subprocess.TimeoutExpired, ValidationError):
        print("The advisory service gives no answer here: nothing was audited.")
        return 0
    lines, passes = judged(answer, accepted, date.today())
    print("\n".join(lines), file=sys.stdout if passes else sys.stderr)
    return 0 if passes else 1


if __name__ == "__main__":
    sys.exit(main())
