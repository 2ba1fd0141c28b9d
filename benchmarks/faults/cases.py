"""What a planted fault is, what is expected of the command, and how a case is carried out and judged."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Collection, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from commands import PATIENCE_S, During, Place, Said
from results_held import Shortfall, Undisturbed, read_results, shortfall

RUN = ("run", "{campaign}", "--cores", "1")
CHECK = ("check", "{campaign}")
DONE = "^report +CAMPAIGN"
"""What a run ends with whose findings can be read."""

BUSY_FOLDERS = ("here", "temporary", "foreign")
Do = Callable[[Place], None]


class NotHereError(Exception):
    """This machine cannot have the fault planted; the text says why."""


@dataclass(frozen=True)
class Case:
    """A fault, and what has to come of it. Cases with the same `fault` make one row of the page.

    `statuses` and `says` (patterns, each found in a line) are expected of the command, `then_*` of the same command
    again, after `mend`; then all results are those of an undisturbed run on the files as they are, to the byte.
    The command starts on finished results, or with `start="inputs"` on none. `unharmed`: already the first command
    leaves all results so. `again=False`: it is called once, and with `bare` its results are not looked at.
    `bound`: the command is held to what permissions say, were it root's. `leaves_temporary`: the command cannot take
    its temporary files away, which lie in a folder of their own.
    """

    fault: str
    plant: Do
    statuses: Collection[int] = (0,)
    says: str | tuple[str, ...] = ""
    command: tuple[str, ...] = RUN
    start: Literal["finished", "inputs"] = "finished"
    during: During | None = None
    mend: Do | None = None
    mended: str = ""
    then_statuses: Collection[int] = (0,)
    then_says: str = DONE
    again: bool = True
    unharmed: bool = False
    bound: bool = False
    bare: bool = False
    leaves_temporary: bool = False
    name: str = "campaign"
    around: Callable[[Path], AbstractContextManager[object]] = field(default=nullcontext)

    @property
    def patterns(self) -> tuple[str, ...]:
        return (self.says,) if isinstance(self.says, str) else self.says


def once(fault: str, plant: Do, status: int, says: str | tuple[str, ...], *command: str, bound: bool = False) -> Case:
    """A fault that the command names, leaving everything as it is."""
    return Case(fault, plant, (status,), says, command or RUN, again=False, bare=True, bound=bound)


@dataclass
class Outcome:
    """What was seen of a case; `failures` is what fell short of its expectation."""

    case: Case
    said: str = ""
    status: int | None = None
    short: Shortfall | None = None
    then_said: str = ""
    then_status: int | None = None
    equal: bool | None = None
    not_here: str = ""
    failures: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Bases:
    """Where cases start from: a finished campaign, and another one's; what undisturbed runs make; how long a run takes
    while another one is at work."""

    finished: Path
    neighbour: Path
    undisturbed: Undisturbed
    environment: Mapping[str, str]
    run_s: float

    def copy(self, case: Case, place: Place) -> None:
        """A copy with all times kept."""
        leave = shutil.ignore_patterns("results", ".snakemake") if case.start == "inputs" else None
        shutil.copytree(self.finished, place.campaign, symlinks=True, ignore=leave, dirs_exist_ok=True)


def carry_out(case: Case, bases: Bases, root: Path) -> Outcome:
    """Plant the fault, call the command once or twice, and hold everything against the expectation."""
    place = Place(root, case.name, bases.environment)
    outcome = Outcome(case)
    for folder in BUSY_FOLDERS:
        (root / folder).mkdir(parents=True, exist_ok=True)
    try:
        with case.around(root):
            bases.copy(case, place)
            _carried_out(case, place, bases.undisturbed, outcome)
    except NotHereError as reason:
        outcome.not_here = str(reason)
    except Exception as error:
        outcome.failures.append(f"the case itself failed: {error!r}")
    _remove(root)
    return outcome


def _carried_out(case: Case, place: Place, undisturbed: Undisturbed, outcome: Outcome) -> None:
    case.plant(place)
    first = _called(case, place, outcome, "")
    outcome.status, outcome.said = first.status, next(filter(None, map(first.first, case.patterns)), "")
    seen = {} if case.bare else read_results(place.results)
    if case.unharmed:
        target = undisturbed.of(place.campaign)
    if case.again:
        if case.mend:
            case.mend(place)
        second = _called(case, place, outcome, "again: ")
        outcome.then_status, outcome.then_said = second.status, second.first(case.then_says)
        target = undisturbed.of(place.campaign)
        after = shortfall(read_results(place.results), target)
        outcome.equal = not after.names
        if after.names:
            outcome.failures.append(f"afterwards: {after}: {', '.join(after.names[:6])}")
    if not case.bare:
        outcome.short = shortfall(seen, target)
        if case.unharmed and outcome.short.names:
            outcome.failures.append(f"results: {outcome.short}: {', '.join(outcome.short.names[:6])}")


def _called(case: Case, place: Place, outcome: Outcome, when: str) -> Said:
    words = [word.format(campaign=place.campaign) for word in case.command]
    before, old = place.not_made(), _tracebacks(place)
    said = place.call(*words, bound=case.bound, during=None if when else case.during)
    statuses, patterns = (case.then_statuses, (case.then_says,)) if when else (case.statuses, case.patterns)
    if said.status is None:
        outcome.failures.append(f"{when}did not end within {PATIENCE_S:g} s")
    elif said.status not in statuses:
        outcome.failures.append(f"{when}status {said.status}, expected {' or '.join(map(str, sorted(statuses)))}")
    for pattern in patterns:
        if not re.search(pattern, said.text, re.MULTILINE):
            outcome.failures.append(f"{when}says nothing like {pattern!r}, but ends {said.text.strip()[-300:]!r}")
    if "Traceback" in said.text:
        outcome.failures.append(f"{when}a traceback on the terminal: {said.text.strip()[-300:]!r}")
    outcome.failures += [f"{when}a traceback in {name}" for name in _tracebacks(place) - old]
    after = place.not_made()
    changed = [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]
    if case.leaves_temporary:
        changed = [name for name in changed if not name.startswith("temporary")]
    if changed and not (case.during and not when):
        outcome.failures.append(f"{when}written to what is not its own: {', '.join(changed[:4])}")
    return said


def _tracebacks(place: Place) -> set[str]:
    logs = [*place.results.glob("logs/**/*.log"), *place.campaign.glob(".snakemake/log/*.log")]
    kept = [path for path in logs if path.is_file() and not path.is_symlink() and os.access(path, os.R_OK)]
    texts = {path: path.read_text(encoding="utf-8", errors="replace") for path in kept}
    return {str(path.relative_to(place.campaign)) for path, text in texts.items() if "Traceback" in text}


def _remove(root: Path) -> None:
    """Folders that nobody may enter are opened first."""
    for folder, _, _ in os.walk(root):
        if not os.access(folder, os.W_OK | os.X_OK):
            Path(folder).chmod(0o700)
    shutil.rmtree(root, ignore_errors=True)


def wait_until(seen: Callable[[], object], process: subprocess.Popen[str]) -> bool:
    """Wait for something to be seen while a process lives; whether it was."""
    until = time.monotonic() + PATIENCE_S
    while process.poll() is None and time.monotonic() < until:
        if seen():
            return True
        time.sleep(0.01)
    return bool(seen())


def nothing(place: Place) -> None:
    """Plants nothing: the fault comes while the command is at work."""
