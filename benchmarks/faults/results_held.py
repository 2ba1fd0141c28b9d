"""Results held byte by byte against those of an undisturbed run on the same files."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from shutil import copytree, ignore_patterns

from commands import MOST_FILE_BYTES, Place

UNSTEADY = ("logs", "benchmarks")
"""Folders of the results that hold times; their files are not compared."""

RECORDS = ".written"
"""Hidden folders with the records of what was written and read, which hold times."""


Results = Mapping[str, bytes]
"""The files of a results folder by name, without logs, timings and records."""


@dataclass(frozen=True)
class Shortfall:
    """How results fall short of undisturbed ones: the names of tables that are not there, of tables that hold other
    bytes or should not be there, and of such other files of either kind."""

    tables: int
    absent: tuple[str, ...]
    otherwise: tuple[str, ...]
    files: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        return (*self.absent, *self.otherwise, *self.files)

    def __str__(self) -> str:
        parts = [
            f"{len(self.absent)} of {self.tables} tables not made" if self.absent else "",
            f"{len(self.otherwise)} of {self.tables} tables not up to date" if self.otherwise else "",
            f"{len(self.files)} other file{'s' * (len(self.files) > 1)}" if self.files else "",
        ]
        return ", ".join(filter(None, parts)) or "complete"


def read_results(results: Path) -> Results:
    """All files of a results folder but logs, timings and records."""
    found = {}
    for path in sorted(results.rglob("*")) if results.is_dir() else []:
        name = path.relative_to(results)
        if path.is_symlink() or not path.is_file() or name.parts[0] in UNSTEADY or RECORDS in name.parts:
            continue
        large = path.stat().st_size > MOST_FILE_BYTES
        found[name.as_posix()] = b"a file without an end" if large else path.read_bytes()
    return found


def shortfall(found: Results, undisturbed: Results) -> Shortfall:
    """How results fall short of undisturbed ones."""
    tables = {name for name in undisturbed if name.startswith("tables/")}
    differ = sorted(name for name in found.keys() | undisturbed.keys() if found.get(name) != undisturbed.get(name))
    absent = tuple(name for name in differ if name in tables and name not in found)
    files = tuple(name for name in differ if not name.startswith("tables/"))
    otherwise = tuple(name for name in differ if name not in {*absent, *files})
    return Shortfall(len(tables), absent, otherwise, files)


class Undisturbed:
    """Results of undisturbed runs, by what is in the campaign's files; each is made once."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._folder, self._environment = folder, environment
        self._made: dict[str, Results] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._all = threading.Lock()

    def of(self, campaign: Path) -> Results:
        """The results that a run from nothing makes of a campaign's files as they are now."""
        key = _inputs(campaign)
        with self._all:
            lock = self._locks.setdefault(key, threading.Lock())
        with lock:
            if key not in self._made:
                place = Place(self._folder / key, environment=self._environment)
                copytree(campaign, place.campaign, symlinks=True, ignore=ignore_patterns("results", ".snakemake"))
                place.call("run", str(place.campaign), "--cores", "1")
                self._made[key] = read_results(place.results)
        return self._made[key]


def _inputs(campaign: Path) -> str:
    digest = hashlib.sha256()
    for path in sorted(campaign.rglob("*")):
        name = path.relative_to(campaign)
        if name.parts[0] in ("results", ".snakemake") or not path.is_file():
            continue
        if path.stat().st_size > MOST_FILE_BYTES:
            raise ValueError(f"{name} is too large for an undisturbed run")
        digest.update(repr((name.as_posix(), path.read_bytes(), path.stat().st_mode & 0o777)).encode())
    return digest.hexdigest()[:16]
