"""Two at work on one campaign, and folders that take nothing."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path

import full_disk
from cases import DONE, RUN, Bases, Case, nothing, wait_until
from changed_inputs import WAV, another_take, write
from commands import PATIENCE_S, Place

from tapeline.at_work import JOB_LOCKS, RUN_LOCK

TITLE = "Two at once, and what is read-only"
JOB = ("calibrate", "april", "--campaign", "{campaign}")
BUSY = "another `tapeline run` works on CAMPAIGN \\(process N\\)"
TOLD = r"is read-only|may not be written|no permission"
CLOSED = {
    "the campaign folder and all in it": (("**",), TOLD),
    "results": (("results", "results/**"), TOLD),
    "results/tables and all in it": (("results/tables", "results/tables/**"), TOLD),
    "results/spectra/m1": (("results/spectra/m1",), TOLD),
    "results/logs and all in it": (("results/logs", "results/logs/**"), TOLD),
    ".snakemake and all in it": ((".snakemake", ".snakemake/**"), TOLD),
    "one finished table": (("results/tables/comparisons.parquet",), "[Ww]rite-protected output files"),
}


class Other:
    """Another command on the same campaign, begun before the one that is judged and waited for after it."""

    def __init__(self, *arguments: str, statuses: tuple[int, ...] = (0,)) -> None:
        self._arguments, self._statuses = arguments, statuses
        self._process: subprocess.Popen[str] | None = None

    def begin(self, place: Place, at_work: Callable[[Place], bool], paused: bool = False) -> None:
        self._process = place.start(*(word.format(campaign=place.campaign) for word in self._arguments))
        if not wait_until(lambda: at_work(place), self._process):
            raise RuntimeError("the other command was not seen at work")
        if paused:
            os.kill(self._process.pid, signal.SIGSTOP)

    def end(self, place: Place) -> None:
        if self._process is None:
            raise RuntimeError("the other command was never begun")
        with suppress(ProcessLookupError):
            os.kill(self._process.pid, signal.SIGCONT)
        said = self._process.communicate(timeout=PATIENCE_S)
        if self._process.returncode not in self._statuses or "Traceback" in "".join(said):
            raise RuntimeError(f"the other command ended with {self._process.returncode}: {said}")


def cases(bases: Bases) -> list[Case]:
    """Who comes second is refused; what cannot be written is said; nothing is lost."""
    first, same, by_hand = Other(*RUN), Other(*RUN, statuses=(0, 1)), Other(*JOB)
    at_work = partial(first.begin, at_work=_has_run_lock_and("results/quality/*.parquet"))
    paused = partial(by_hand.begin, at_work=lambda place: any((place.campaign / JOB_LOCKS).glob("*")), paused=True)
    alone = "`tapeline calibrate april` \\(process N\\) still works on CAMPAIGN"
    ended = "the other one ended"
    found = [
        Case("a second run while one is at work", at_work, (1,), BUSY, start="inputs", mend=first.end, mended=ended),
        Case("two runs begun at once", partial(same.begin, at_work=lambda place: True), (0, 1), f"{BUSY}|{DONE}",
             start="inputs", mend=same.end, mended=ended),
        Case("a run while a job by hand is at work", paused, (1,), alone, mend=by_hand.end, mended=ended),
        Case("a job by hand while a run is at work", nothing, (0,), DONE, start="inputs", during=_job_meanwhile,
             unharmed=True),
    ]  # fmt: skip
    found += [
        Case(
            f"campaign on a disk that is mounted read-only, {words}",
            partial(full_disk.remount, how="ro"),
            (1,),
            "read-only",
            start="inputs" if "nothing" in words else "finished",
            name=f"{full_disk.DISK}/campaign",
            around=full_disk.small_disk,
            mend=partial(full_disk.remount, how="rw"),
            mended="mounted for writing",
        )
        for words in ("finished", "nothing made")
    ]
    for words, (names, says) in CLOSED.items():
        close, reopen = (partial(do, patterns=names) for do in (_close, _open))
        fault = f"no right to write {words}, with a recording to read anew"
        found.append(Case(fault, close, (1,), says, mend=reopen, mended="right given", bound=True))
    return found


def _has_run_lock_and(pattern: str) -> Callable[[Place], bool]:
    return lambda place: (place.campaign / RUN_LOCK).exists() and any(place.campaign.glob(pattern))


def _job_meanwhile(place: Place, process: subprocess.Popen[str]) -> None:
    if wait_until((place.results / "spectra" / "m1" / "spectra.parquet").exists, process):
        job = place.start(*(word.format(campaign=place.campaign) for word in JOB))
        said = job.communicate(timeout=PATIENCE_S)
        if job.returncode:
            raise RuntimeError(f"the job ended with {job.returncode}: {said}")


def _named(place: Place, patterns: tuple[str, ...]) -> list[Path]:
    found = {path for pattern in patterns for path in place.campaign.glob(pattern) if not path.is_symlink()}
    return sorted(found | ({place.campaign} if "**" in patterns else set()))


def _close(place: Place, patterns: tuple[str, ...]) -> None:
    write(place, WAV, partial(another_take, name=WAV))
    for path in _named(place, patterns):
        path.chmod(path.stat().st_mode & ~0o222)


def _open(place: Place, patterns: tuple[str, ...]) -> None:
    for path in _named(place, patterns):
        path.chmod(path.stat().st_mode | 0o200)
