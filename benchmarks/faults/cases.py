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
from results_held import Loss, Undisturbed, loss, read_results

RUN = ("run", "{campaign}", "--cores", "1")
CHECK = ("check", "{campaign}")
ANY = frozenset({0, 1, 2, 3})
Do = Callable[[Place], None]


class NotHereError(Exception):
    """This machine cannot have the fault planted; the text says why."""


@dataclass(frozen=True)
class Case:
    """A fault, and what has to come of it. Cases with the same `fault` make one row of the page.

    `statuses` and `says` (a pattern) are expected of the command, `then_*` of the same command again, after `mend`.
    The command starts on finished results, or with `start="inputs"` on none. `equal`: afterwards all results are those
    of an undisturbed run on the files as they are then. `unharmed`: already the first command leaves them so.
    `bound`: the command is held to what permissions say, were it root's. `bare`: there are no results to compare.
    `leaves_temporary`: the command cannot take its temporary files away, which lie in a folder of their own.
    """

    fault: str
    plant: Do
    statuses: Collection[int] = (0,)
    says: str = ""
    command: tuple[str, ...] = RUN
    start: Literal["finished", "inputs", "kept"] = "finished"
    during: During | None = None
    mend: Do | None = None
    mended: str = ""
    then_statuses: Collection[int] = (0,)
    then_says: str = ""
    then_command: tuple[str, ...] | None = None
    again: bool = True
    equal: bool = True
    unharmed: bool = False
    bound: bool = False
    bare: bool = False
    leaves_temporary: bool = False
    name: str = "campaign"
    patience_s: float = PATIENCE_S
    around: Callable[[Path], AbstractContextManager[object]] = field(default=nullcontext)


@dataclass
class Outcome:
    """What was seen of a case; `failures` is what fell short of its expectation."""

    case: Case
    said: str = ""
    status: int | None = None
    lost: Loss | None = None
    then_said: str = ""
    then_status: int | None = None
    equal: bool | None = None
    not_here: str = ""
    failures: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Bases:
    """Where cases start from: a finished campaign, one that keeps its pressure signals, another one's; what undisturbed
    runs make; how long a run takes while another one is at work."""

    finished: Path
    kept: Path
    neighbour: Path
    undisturbed: Undisturbed
    environment: Mapping[str, str]
    run_s: float

    def copy(self, case: Case, place: Place) -> None:
        """A copy with all times kept."""
        leave = shutil.ignore_patterns("results", ".snakemake") if case.start == "inputs" else None
        base = self.kept if case.start == "kept" else self.finished
        shutil.copytree(base, place.campaign, symlinks=True, ignore=leave, dirs_exist_ok=True)


def carry_out(case: Case, bases: Bases, root: Path) -> Outcome:
    """Plant the fault, call the command twice, and hold everything against the expectation."""
    place = Place(root, case.name, bases.environment)
    outcome = Outcome(case)
    for folder in ("here", "temporary", "foreign"):
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
    beside = place.beside()
    first = _called(case, place, case.command, case.during)
    outcome.status, outcome.said = first.status, first.first(case.says)
    _judge(outcome, "", first, case.statuses, case.says)
    _judge_beside(outcome, place, beside)
    if case.unharmed or not case.again:
        outcome.lost = _lost(case, place, undisturbed)
    else:
        seen = read_results(place.results)
    if case.again:
        if case.mend:
            case.mend(place)
            beside = place.beside()
        second = _called(case, place, case.then_command or case.command, None)
        outcome.then_status, outcome.then_said = second.status, second.first(case.then_says)
        _judge(outcome, "again: ", second, case.then_statuses, case.then_says)
        _judge_beside(outcome, place, beside)
        if not case.bare:
            target = undisturbed.of(place.campaign)
            outcome.lost = outcome.lost or loss(seen, target)
            after = loss(read_results(place.results), target)
            outcome.equal = after.nothing
            if case.equal and not after.nothing:
                outcome.failures.append(f"afterwards: {after}")
    if case.unharmed and outcome.lost and not outcome.lost.nothing:
        outcome.failures.append(f"lost: {outcome.lost}")


def _lost(case: Case, place: Place, undisturbed: Undisturbed) -> Loss | None:
    return None if case.bare else loss(read_results(place.results), undisturbed.of(place.campaign))


def _called(case: Case, place: Place, command: tuple[str, ...], during: During | None) -> Said:
    words = [word.format(campaign=place.campaign) for word in command]
    return place.call(*words, bound=case.bound, during=during, patience_s=case.patience_s)


def _judge(outcome: Outcome, when: str, said: Said, statuses: Collection[int], says: str) -> None:
    if said.status is None:
        outcome.failures.append(f"{when}did not end within {outcome.case.patience_s:g} s")
    elif said.status not in statuses:
        outcome.failures.append(f"{when}status {said.status}, expected {' or '.join(map(str, sorted(statuses)))}")
    if says and not re.search(says, said.text, re.MULTILINE):
        outcome.failures.append(f"{when}says nothing like {says!r}, but ends {said.text.strip()[-300:]!r}")
    if "Traceback" in said.text:
        outcome.failures.append(f"{when}a traceback on the terminal: {said.text.strip()[-300:]!r}")


def _judge_beside(outcome: Outcome, place: Place, before: Mapping[str, str]) -> None:
    after = place.beside()
    changed = sorted(name for name in before.keys() | after.keys() if before.get(name) != after.get(name))
    if outcome.case.leaves_temporary:
        changed = [name for name in changed if not name.startswith("temporary")]
    if changed:
        outcome.failures.append(f"written outside the campaign: {', '.join(changed[:4])}")
    for path in [*place.results.glob("logs/**/*.log"), *place.campaign.glob(".snakemake/log/*.log")]:
        if (
            path.is_file()
            and not path.is_symlink()
            and "Traceback" in path.read_text(encoding="utf-8", errors="replace")
        ):
            outcome.failures.append(f"a traceback in {path.relative_to(place.campaign)}")


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
