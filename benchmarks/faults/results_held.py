"""Results held byte by byte against those of an undisturbed run on the same files."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from shutil import copytree, ignore_patterns

from commands import MOST_FILE_BYTES, Place

UNSTEADY = ("logs", "benchmarks")
"""Folders of the results that hold times; their files are not compared."""

RECORDS = ".written"
"""Hidden folders with the records of what was written and read, which hold times."""


@dataclass(frozen=True)
class Results:
    """The tables (name to bytes) and the other files of a results folder, without logs, timings and records."""

    tables: Mapping[str, bytes] = field(default_factory=dict)
    others: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Shortfall:
    """How results fall short of undisturbed ones: tables that are not there, or hold other bytes; other files that
    are not there, hold other bytes, or are too many; the names of all these."""

    tables: int
    absent: int
    other: int
    files: int
    names: tuple[str, ...]

    @property
    def nothing(self) -> bool:
        return not self.names

    def __str__(self) -> str:
        parts = [
            f"{self.absent} of {self.tables} tables not there" if self.absent else "",
            f"{self.other} of {self.tables} tables otherwise" if self.other else "",
            f"{self.files} other file{'s' * (self.files > 1)} not there or otherwise" if self.files else "",
        ]
        return ", ".join(filter(None, parts)) or "complete"


def read_results(results: Path) -> Results:
    """All files of a results folder but logs, timings and records."""
    tables: dict[str, bytes] = {}
    others: dict[str, bytes] = {}
    for path in sorted(results.rglob("*")) if results.is_dir() else []:
        name = path.relative_to(results)
        if path.is_symlink() or not path.is_file() or name.parts[0] in UNSTEADY or RECORDS in name.parts:
            continue
        large = path.stat().st_size > MOST_FILE_BYTES
        content = b"a file without an end" if large else path.read_bytes()
        (tables if name.parts[0] == "tables" else others)[name.as_posix()] = content
    return Results(tables, others)


def shortfall(found: Results, undisturbed: Results) -> Shortfall:
    """How results fall short of undisturbed ones."""
    absent = sorted(undisturbed.tables.keys() - found.tables.keys())
    other = [name for name, content in found.tables.items() if undisturbed.tables.get(name) != content]
    names = sorted(found.others.keys() | undisturbed.others.keys())
    files = [name for name in names if found.others.get(name) != undisturbed.others.get(name)]
    return Shortfall(len(undisturbed.tables), len(absent), len(other), len(files), (*absent, *other, *files))


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
