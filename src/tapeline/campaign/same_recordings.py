"""The same recording under two names: files of equal content in runs that count, found without reading most of them."""

from __future__ import annotations

import hashlib
import math
import os
import posixpath
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path

from tapeline.campaign.faults import quoted
from tapeline.campaign.material import Material
from tapeline.campaign.model import superseded
from tapeline.campaign.tables import Run

END_BYTES = 65_536
"""So much of the beginning and of the end tells nearly all recordings apart; only what agrees in both is read whole."""

MEND = 'name the file that belongs to the run, or write "no" in the column "use" of one of the two'


def check_same_recordings(material: Material) -> None:
    """Note runs that use files of equal content under different paths; parts of split recordings file by file.

    Runs that are not used or were replaced do not count. Two runs may use copies of one recording where each takes a
    part of its own by start_s and stop_s. Files that cannot be read are left to whoever reads the recordings.
    """
    if material.source is None:
        return
    folder = material.root / material.source.settings.recordings
    replaced = superseded({run.run: run for run in material.runs.rows})
    users: dict[str, list[Run]] = {}
    for run in material.runs.rows:
        if run.use and run.run not in replaced:
            for path in dict.fromkeys(posixpath.normpath(part) for part in run.recordings):
                users.setdefault(path, []).append(run)
    below = [path for path in users if path != "."]
    by_file = {folder / path: path for path in below}
    for group in equal_files(by_file):
        _note_group(material, [(run, by_file[file]) for file in group for run in users[by_file[file]]])


def _note_group(material: Material, uses: list[tuple[Run, str]]) -> None:
    """One fault for each use of a content that an earlier line uses already, under another path."""
    ordered = sorted(uses, key=lambda use: use[0].line)
    for place, (run, path) in enumerate(ordered):
        for earlier, other in ordered[:place]:
            if other == path or _apart(run, earlier):
                continue
            if run is earlier:
                found = f"{quoted(path)}, byte for byte the same as {quoted(other)} in the same row"
                expected, mend = "each part of the recording once", None
            else:
                found = (
                    f"{quoted(path)}, byte for byte the same as {quoted(other)}, "
                    f"which run {quoted(earlier.run)} in line {earlier.line} uses"
                )
                expected, mend = "a recording of its own", MEND
            material.note(material.runs.fault(run.line, "recording", found, expected, mend))
            break


def _apart(run: Run, other: Run) -> bool:
    """Whether both use single files, each a part of its own."""
    if run is other or len(run.recordings) > 1 or len(other.recordings) > 1:
        return False
    first, last = sorted((run, other), key=lambda one: one.start_s or 0.0)
    return (last.start_s or 0.0) >= (math.inf if first.stop_s is None else first.stop_s)


def equal_files(paths: Iterable[Path]) -> list[list[Path]]:
    """Groups of two or more files of equal content, in the order given; empty and unreadable files are in none.

    Sizes are compared first, then the first and the last 64 KiB, at last whole files by SHA-256. Two names of one
    file (links) are equal without being read.
    """
    links: dict[Path, list[Path]] = {}
    sizes: dict[Path, int] = {}
    first_names: dict[tuple[int, int], Path] = {}
    for path in paths:
        try:
            status = path.stat()
        except (OSError, ValueError):
            continue
        if status.st_size > 0 and path.is_file():
            first = first_names.setdefault((status.st_dev, status.st_ino), path)
            links.setdefault(first, []).append(path)
            sizes[first] = status.st_size
    groups = [list(links)]
    for mark in (sizes.__getitem__, _first_bytes, _last_bytes, whole_digest):
        groups = [part for group in groups for part in _split(group, mark)]
    alone = {path for group in groups for path in group}
    equal = [[name for path in group for name in links[path]] for group in groups]
    return equal + [names for path, names in links.items() if path not in alone and len(names) > 1]


def _split(group: list[Path], mark: Callable[[Path], Hashable]) -> list[list[Path]]:
    """Those of a group that share a mark with another one, by their mark."""
    parts: dict[Hashable, list[Path]] = {}
    for path in group:
        try:
            parts.setdefault(mark(path), []).append(path)
        except OSError:
            continue
    return [part for part in parts.values() if len(part) > 1]


def _first_bytes(path: Path) -> bytes:
    with path.open("rb") as stream:
        return hashlib.sha256(stream.read(END_BYTES)).digest()


def _last_bytes(path: Path) -> bytes:
    with path.open("rb") as stream:
        stream.seek(max(stream.seek(0, os.SEEK_END) - END_BYTES, 0))
        return hashlib.sha256(stream.read(END_BYTES)).digest()


def whole_digest(path: Path) -> bytes:
    """SHA-256 of a whole file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()
