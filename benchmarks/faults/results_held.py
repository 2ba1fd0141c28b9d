"""Results held byte by byte against those of an undisturbed run on the same files."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from shutil import copytree, ignore_patterns

import pyarrow as pa
import pyarrow.parquet as pq
from commands import MOST_FILE_BYTES, Place

UNSTEADY = ("logs", "benchmarks")
"""Folders of the results that hold times; their files are not compared."""


@dataclass(frozen=True)
class Results:
    """The tables (name to bytes) and the other files of a results folder, without logs and timings."""

    tables: Mapping[str, bytes] = field(default_factory=dict)
    others: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Loss:
    """What results lack against undisturbed ones: tables that are not there, or hold other bytes; rows; other files."""

    tables: int
    absent: int
    other: int
    rows: int
    files: int

    @property
    def nothing(self) -> bool:
        return not (self.absent or self.other or self.files)

    def __str__(self) -> str:
        if self.nothing:
            return "nothing"
        rows = f" ({self.rows} rows)" if self.rows else ""
        parts = [
            f"{self.absent} of {self.tables} tables not there{rows}" if self.absent else "",
            f"{self.other} of {self.tables} tables differ{'' if self.absent else rows}" if self.other else "",
            f"{self.files} other file{'s' * (self.files > 1)}" if self.files else "",
        ]
        return ", ".join(filter(None, parts))


def read_results(results: Path) -> Results:
    """All files of a results folder but logs and timings."""
    tables: dict[str, bytes] = {}
    others: dict[str, bytes] = {}
    for path in sorted(results.rglob("*")) if results.is_dir() else []:
        name = path.relative_to(results)
        if path.is_symlink() or not path.is_file() or name.parts[0] in UNSTEADY:
            continue
        try:
            content = path.read_bytes()
        except OSError:
            continue
        (tables if name.parts[0] == "tables" else others)[name.as_posix()] = content
    return Results(tables, others)


def loss(found: Results, undisturbed: Results) -> Loss:
    """How results fall short of undisturbed ones; files too many count as other files that differ."""
    absent = undisturbed.tables.keys() - found.tables.keys()
    other = {name for name, content in found.tables.items() if undisturbed.tables.get(name) != content}
    rows = sum(
        max(_rows(undisturbed.tables.get(name)) - _rows(found.tables.get(name)), 0) for name in sorted(absent | other)
    )
    names = found.others.keys() | undisturbed.others.keys()
    files = sum(found.others.get(name) != undisturbed.others.get(name) for name in names)
    return Loss(len(undisturbed.tables), len(absent), len(other), rows, files)


def _rows(content: bytes | None) -> int:
    try:
        return 0 if content is None else int(pq.ParquetFile(pa.BufferReader(content)).metadata.num_rows)
    except (pa.ArrowException, OSError):
        return 0


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
