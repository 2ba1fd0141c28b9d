"""Checks of recordings: their use by more than one run, their channels against the fittings."""

from __future__ import annotations

import math
import posixpath
from pathlib import Path

from tapeline.campaign.faults import quoted
from tapeline.campaign.fitting_checks import has_file
from tapeline.campaign.material import ChannelCount, Material
from tapeline.campaign.model import recording_paths
from tapeline.campaign.same_recordings import check_same_recordings
from tapeline.campaign.settings import RawFormat, Settings
from tapeline.campaign.tables import Fitting, Run


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
    check_same_recordings(material)


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
