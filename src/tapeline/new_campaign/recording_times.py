"""When recordings were made, as far as their files tell, and the sessions that gaps between the dates propose."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from tapeline.limits import EARLIEST_CLOCK_YEAR, NEW_SESSION_AFTER_DAYS, RECORDED_ONE_BY_ONE_S
from tapeline.new_campaign.found_recordings import FoundRecording

ONLY_SESSION = "session-1"
LONGEST = timedelta(days=10_000)


def starts(recordings: Sequence[FoundRecording]) -> Mapping[str, datetime] | None:
    """The start of each recording by its file; None where the files do not tell.

    Headers count where all state a time. Else it is the time of last writing less the length, unless recordings of one
    number of channels then overlap: so do files that were copied without their times. What has no length begins when
    it was written.
    """
    stated = {one.file: one.started for one in recordings if one.started is not None}
    if len(stated) == len(recordings):
        return stated
    found = {one.file: one.written - _length(one) for one in recordings}
    if any(moment.year < EARLIEST_CLOCK_YEAR for moment in found.values()):
        return None
    of_one_recorder = [[one for one in recordings if one.channels == channels] for channels in _channels(recordings)]
    return found if all(map(_one_by_one, of_one_recorder)) else None


def _length(one: FoundRecording) -> timedelta:
    """The length, nothing where it is not known; one beyond `LONGEST` belongs to a wrong rate."""
    return timedelta(seconds=min(one.length_s or 0.0, LONGEST.total_seconds()))


def overlapping(recordings: Sequence[FoundRecording], begun: Mapping[str, datetime]) -> tuple[str, str] | None:
    """The first two recordings of equal channels of which one begins while the other one runs; None where none does."""
    slack = timedelta(seconds=RECORDED_ONE_BY_ONE_S)
    ordered = sorted(recordings, key=lambda one: begun[one.file])
    for before, later in pairwise(ordered):
        if before.channels == later.channels and begun[later.file] < begun[before.file] + _length(before) - slack:
            return before.file, later.file
    return None


def _channels(recordings: Sequence[FoundRecording]) -> set[int]:
    return {one.channels for one in recordings if one.channels is not None}


def _one_by_one(recordings: Sequence[FoundRecording]) -> bool:
    """Whether recordings can have been made one after the other, each ending at its time of last writing."""
    own = sorted(recordings, key=lambda one: (one.written, _length(one)))
    lengths = [_length(one) for one in own]
    slack = timedelta(seconds=RECORDED_ONE_BY_ONE_S)
    apart = [later.written - before.written for before, later in pairwise(own)]
    return sum(lengths[1:], -slack) <= sum(apart, timedelta()) and all(
        length - slack <= gap for length, gap in zip(lengths[1:], apart, strict=True)
    )


def sessions(recordings: Sequence[FoundRecording], begun: Mapping[str, datetime] | None) -> dict[str, str]:
    """The proposed session of each recording by its file, named by the date when it begins.

    A new one begins where nothing was recorded for `NEW_SESSION_AFTER_DAYS`; without times all are of one.
    """
    if begun is None:
        return dict.fromkeys((one.file for one in recordings), ONLY_SESSION)
    found: dict[str, str] = {}
    name, last = "", None
    for file, moment in sorted(begun.items(), key=lambda item: item[1]):
        if last is None or moment - last > timedelta(days=NEW_SESSION_AFTER_DAYS):
            name = moment.date().isoformat()
        found[file], last = name, moment
    return found
