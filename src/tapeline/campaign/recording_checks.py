"""Checks of recordings: used by more than one run, under whatever name, and their channels against the fittings."""

from __future__ import annotations

import hashlib
import math
import os
import posixpath
from collections.abc import Callable, Hashable, Iterable
from pathlib import Path

from tapeline.campaign.faults import quoted
from tapeline.campaign.fitting_checks import has_file
from tapeline.campaign.material import ChannelCount, Material
from tapeline.campaign.model import recording_paths, superseded
from tapeline.campaign.settings import RawFormat, Settings
from tapeline.campaign.tables import Fitting, Run

END_BYTES = 65_536
"""So much of the beginning and of the end tells nearly all recordings apart; only what agrees in both is read whole."""

MEND = 'name the file that belongs to the run, or write "no" in the column "use" of one of the two'


def check_recordings(material: Material) -> None:
    """Recordings used twice, be it under another name."""
    runs_of: dict[str, list[Run]] = {}
    for run in material.runs.rows:
        paths = [posixpath.normpath(part) for part in run.recordings]
        for path in dict.fromkeys(paths):
            if paths.count(path) > 1:
                expected = "each part of the recording once"
                material.note(material.runs.fault(run.line, "recording", f"{quoted(path)} twice", expected))
            if run.use:
                runs_of.setdefault(path, []).append(run)
    for path, runs in runs_of.items():
        if len(runs) > 1:
            _check_shared(material, path, runs)
    _check_same_recordings(material)


def _check_shared(material: Material, path: str, runs: list[Run]) -> None:
    """Runs may share a recording where each uses a part of its own; parts of split recordings cannot be told apart."""
    expected = "a recording of its own, or parts by start_s and stop_s that do not overlap"
    mend = 'or "no" in the column "use" of one of the two'
    ordered = sorted(runs, key=lambda run: (run.start_s or 0.0, run.line))
    reaching = ordered[0]
    for run in ordered[1:]:
        overlapping = (run.start_s or 0.0) < _stop(reaching)
        if overlapping or run.recordings != reaching.recordings:
            later, earlier = (run, reaching) if run.line > reaching.line else (reaching, run)
            found = f"{quoted(path)}, which run {quoted(earlier.run)} in line {earlier.line} uses"
            material.note(material.runs.fault(later.line, "recording", found, expected, mend))
        if _stop(run) > _stop(reaching):
            reaching = run


def _stop(run: Run) -> float:
    return math.inf if run.stop_s is None else run.stop_s


def check_channel_counts(material: Material, channel_count: ChannelCount | None) -> None:
    """Fitted channels that the session's recordings do not have.

    The raw format of a measurement or background run must hold every fitted channel, since a wrong channel count
    garbles the samples. Recordings with a header count together: a fitting is at fault where none of the session's
    readable ones has its channel; what a single recording lacks is found when it is read.
    """
    if material.source is None:
        return
    settings = material.source.settings
    fittings: dict[str, list[Fitting]] = {}
    for row in material.fittings.rows:
        if row.channel is not None:
            fittings.setdefault(row.session, []).append(row)
    runs: dict[str, list[Run]] = {}
    for run in material.runs.rows:
        if run.use and run.session in fittings:
            runs.setdefault(run.session, []).append(run)
    for session, session_runs in runs.items():
        _check_session(material, settings, session_runs, fittings[session], channel_count)


def _check_session(
    material: Material,
    settings: Settings,
    runs: list[Run],
    fittings: list[Fitting],
    channel_count: ChannelCount | None,
) -> None:
    raw: dict[str, tuple[Run, RawFormat]] = {}
    most = 0
    for run in runs:
        described = settings.raw_formats.get(run.format or "")
        if described is not None:
            most = max(most, described.channels)
            if run.kind in ("measurement", "background"):
                raw.setdefault(run.format or "", (run, described))
    short = min(raw.values(), key=lambda pair: pair[1].channels, default=None)
    wanted = max(row.channel for row in fittings)
    if channel_count is not None and most < wanted:
        most = _most_channels(material.root, settings, runs, wanted, most, channel_count)
    for row in fittings:
        expected = None
        if short is not None and row.channel > short[1].channels:
            run, described = short
            expected = (
                f"a channel from 1 to {described.channels}: run {quoted(run.run)} is recorded in the raw format "
                f"{quoted(run.format)}, which has no more"
            )
        elif 0 < most < row.channel:
            expected = f"a channel from 1 to {most}: no recording of session {quoted(row.session)} has more"
        if expected is not None:
            material.note(material.fittings.fault(row.line, "channel", f"channel {row.channel}", expected))


def _most_channels(
    root: Path, settings: Settings, runs: list[Run], wanted: int, most: int, channel_count: ChannelCount
) -> int:
    """The largest channel count of the recordings that say so themselves; looks no further once `wanted` is met."""
    for run in runs:
        if run.format is not None:
            continue
        for path in recording_paths(root, settings, run)[:1]:
            if has_file(root, path):
                most = max(most, channel_count(path) or 0)
        if most >= wanted:
            break
    return most


def _check_same_recordings(material: Material) -> None:
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
