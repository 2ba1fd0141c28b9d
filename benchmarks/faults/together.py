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
from cases import RUN, Bases, Case, wait_until
from commands import PATIENCE_S, Place

from tapeline.at_work import RUN_LOCK, STEP_LOCKS

TITLE = "Two at once, and what is read-only"
DONE = "^report +CAMPAIGN"


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
        assert self._process is not None
        with suppress(ProcessLookupError):
            os.kill(self._process.pid, signal.SIGCONT)
        said = self._process.communicate(timeout=PATIENCE_S)
        if self._process.returncode not in self._statuses or "Traceback" in "".join(said):
            raise RuntimeError(f"the other command ended with {self._process.returncode}: {said}")


def cases(bases: Bases, quick: bool) -> list[Case]:
    """Who comes second is refused; what cannot be written is said; nothing is lost."""
    first, same, by_hand = Other(*RUN), Other(*RUN, statuses=(0, 1)), Other("spectra", "m1", "--campaign", "{campaign}")
    busy = "another `tapeline run` works on CAMPAIGN \\(process N\\)"
    found = [
        Case(
            "a second run while one is at work",
            partial(first.begin, at_work=_has_run_lock_and("results/quality/*.parquet")),
            (1,),
            busy,
            start="inputs",
            mend=first.end,
            mended="the first run ended",
            then_says=DONE,
        ),
        Case(
            "two runs begun at once",
            partial(same.begin, at_work=lambda place: True),
            (0, 1),
            f"{busy}|{DONE}",
            start="inputs",
            mend=same.end,
            mended="both ended",
            then_says=DONE,
        ),
        Case(
            "a run while a step by hand is at work (paused)",
            partial(by_hand.begin, at_work=lambda place: any((place.campaign / STEP_LOCKS).glob("*")), paused=True),
            (1,),
            "`tapeline spectra m1` \\(process N\\) still works on CAMPAIGN",
            mend=by_hand.end,
            mended="the step ended",
            then_says=DONE,
        ),
        Case(
            "a step by hand while a run is at work",
            lambda place: None,
            (0,),
            DONE,
            start="inputs",
            during=_step_meanwhile,
            then_says=DONE,
            unharmed=True,
        ),
        Case(
            "campaign on a disk that is mounted read-only, finished",
            partial(full_disk.remount, how="ro"),
            (1,),
            "read-only",
            name=f"{full_disk.DISK}/campaign",
            around=full_disk.small_disk,
            mend=partial(full_disk.remount, how="rw"),
            mended="mounted for writing",
            then_says=DONE,
            unharmed=True,
        ),
        Case(
            "campaign on a disk that is mounted read-only, nothing made",
            partial(full_disk.remount, how="ro"),
            (1,),
            "read-only",
            start="inputs",
            name=f"{full_disk.DISK}/campaign",
            around=full_disk.small_disk,
            mend=partial(full_disk.remount, how="rw"),
            mended="mounted for writing",
            then_says=DONE,
        ),
    ]
    found += [
        Case(
            f"no right to write {words}, with a recording to read anew",
            partial(_close, place_of=names),
            (0, 1),
            says,
            mend=partial(_open, place_of=names),
            mended="right given",
            then_says=DONE,
            bound=True,
        )
        for words, names, says in (
            ("the campaign folder and all in it", ("**",), "read-only"),
            ("results", ("results", "results/**"), "read-only"),
            ("results/tables and all in it", ("results/tables", "results/tables/**"), "read-only"),
            ("results/spectra/m1", ("results/spectra/m1",), "read-only"),
            ("results/logs and all in it", ("results/logs", "results/logs/**"), "read-only"),
            (".snakemake and all in it", (".snakemake", ".snakemake/**"), "read-only"),
            ("one finished table", ("results/tables/comparisons.parquet",), ""),
        )
    ]
    return found[::3] if quick else found


def _has_run_lock_and(pattern: str) -> Callable[[Place], bool]:
    return lambda place: (place.campaign / RUN_LOCK).exists() and any(place.campaign.glob(pattern))


def _step_meanwhile(place: Place, process: subprocess.Popen[str]) -> None:
    if wait_until((place.results / "spectra" / "m1" / "spectra.parquet").exists, process):
        place.start("spectra", "m1", "--campaign", str(place.campaign)).communicate()


def _named(place: Place, patterns: tuple[str, ...]) -> list[Path]:
    found = {path for pattern in patterns for path in place.campaign.glob(pattern) if not path.is_symlink()}
    return sorted(found | ({place.campaign} if "**" in patterns else set()))


def _close(place: Place, place_of: tuple[str, ...]) -> None:
    recording = place.campaign / "recordings" / "m1.wav"
    os.utime(recording)
    for path in _named(place, place_of):
        path.chmod(path.stat().st_mode & ~0o222)


def _open(place: Place, place_of: tuple[str, ...]) -> None:
    for path in _named(place, place_of):
        path.chmod(path.stat().st_mode | 0o200)
