"""What a run would leave out, told before it starts: every recording held against its row by header and size alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.faults import Fault, in_order, listed
from tapeline.campaign.model import Campaign
from tapeline.campaign.plan import Channel, Plan
from tapeline.campaign.tables import Run
from tapeline.jobs.sources import open_source
from tapeline.jobs.units_to_pascal import full_scale_missing
from tapeline.recordings.recording import Recording, RecordingError

MISSING = "recording-missing"
"""Recordings that are not there are told together: before measuring, that is all of them."""

OF_THE_PART = "part-beyond-recording"


@dataclass(frozen=True)
class _Opened:
    """A recording whose header holds, with what the tables say of it."""

    run: Run
    recording: Recording


def recording_warnings(campaign: Campaign) -> tuple[Fault, ...]:
    """Recordings and channels that the run would leave out, and channels that nobody asked for.

    Opens every used recording, reads no samples (of compressed ones the last block, which alone tells a cut file).
    """
    plan = Plan(campaign)
    opened, warnings, missing = [], [], []
    for run in campaign.used_runs():
        try:
            recording, _ = open_source(campaign.root, plan.source(run))
        except RecordingError as error:
            if error.code == MISSING:
                missing.append((run, error.sentence.partition(" is not there")[0]))
            else:
                warnings.append(_left_out(campaign, run, error))
        else:
            opened.append(_Opened(run, recording))
    warnings += _missing(campaign, missing)
    for session in dict.fromkeys(one.run.session for one in opened):
        own = [one for one in opened if one.run.session == session]
        warnings += _of_session(campaign, session, own, plan.channels(session, charts=True))
    return in_order(warnings)


def _warning(campaign: Campaign, run: Run, column: str, found: str, expected: str, mend: str) -> Fault:
    return Fault(campaign.settings.tables.runs, run.line, column, found, expected, mend)


def _left_out(campaign: Campaign, run: Run, error: RecordingError) -> Fault:
    column = "recording"
    if error.code == OF_THE_PART:
        column = "start_s" if run.stop_s is None else "stop_s"
    expected = "parts alike" if error.code == "parts-differ" else "a whole recording as its row describes it"
    return _warning(campaign, run, column, error.sentence, expected, f"run {run.run} will be left out")


def _missing(campaign: Campaign, missing: Sequence[tuple[Run, str]]) -> Iterator[Fault]:
    if not missing:
        return
    runs, files = zip(*missing, strict=True)
    verb = "a recording that is" if len(files) == 1 else f"{len(files)} recordings that are"
    found = f"{verb} not there: {listed(files, 6)}"
    expected = f"files below {campaign.settings.recordings}"
    words = f"run {listed((run.run for run in runs), 6)} will be left out"
    yield _warning(campaign, runs[0], "recording", found, expected, words if len(runs) == 1 else f"runs {words[4:]}")


def _of_session(
    campaign: Campaign, session: str, opened: Sequence[_Opened], channels: Sequence[Channel]
) -> Iterator[Fault]:
    """Channels of the recordings of one session against its fittings; the same of several runs in one line."""
    short: dict[int, list[_Opened]] = {}
    unasked: dict[tuple[int, ...], list[_Opened]] = {}
    unscaled: dict[int, list[_Opened]] = {}
    fitted = {channel.channel for channel in channels}
    for one in opened:
        there = one.recording.channels
        extra = tuple(number for number in range(1, there + 1) if number not in fitted)
        if extra and channels:
            unasked.setdefault(extra, []).append(one)
        for channel in channels:
            if channel.channel > there:
                if one.run.kind != "calibration":
                    short.setdefault(channel.channel, []).append(one)
            elif full_scale_missing(channel, one.recording.bits):
                unscaled.setdefault(channel.channel, []).append(one)
    lines = {fitting.channel: fitting.line for fitting in campaign.fittings_of(session)}
    at = {channel.channel: channel.position for channel in channels}
    yield from _of_fittings(campaign, lines, at, short, "channel", "no such channel in", "a channel that they have")
    integers = "an empty cell, though these recordings hold integers in volts:"
    yield from _of_fittings(
        campaign, lines, at, unscaled, "full_scale_v", integers, "the voltage of digital full scale"
    )
    for extra, own in unasked.items():
        numbers = listed(map(str, extra), 8)
        found = f"channel{'s' if len(extra) > 1 else ''} {numbers} of {_runs(own)} in no fitting of session {session}"
        mend = "so far they are not looked at"
        yield _warning(campaign, own[0].run, "recording", found, "a row of the fittings table for each channel", mend)


def _of_fittings(
    campaign: Campaign,
    lines: Mapping[int, int],
    at: Mapping[int, str],
    found: Mapping[int, Sequence[_Opened]],
    column: str,
    words: str,
    expected: str,
) -> Iterator[Fault]:
    for channel, opened in found.items():
        mend = f"position {at[channel]} will be left out of them"
        told = f"{words} {_runs(opened)}"
        yield Fault(campaign.settings.tables.fittings, lines[channel], column, told, expected, mend)


def _runs(opened: Sequence[_Opened]) -> str:
    names = [one.run.run for one in opened]
    return f"run{'s' if len(names) > 1 else ''} {listed(names, 4)}"
