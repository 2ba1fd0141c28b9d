"""What recordings propose for a campaign's settings and tables; what they do not say is a gap."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from tapeline.campaign.cells import NO_BACKGROUND
from tapeline.campaign.faults import GAP, listed
from tapeline.new_campaign import name_patterns
from tapeline.new_campaign.calibrator_tones import CalibratorTone, calibrator_tone
from tapeline.new_campaign.found_recordings import FoundRecording, LeftOutFile, folder_of, found_recordings
from tapeline.new_campaign.recording_times import overlapping, sessions, starts
from tapeline.new_campaign.refusal import RefusedError
from tapeline.recordings.recording import RecordingError

Cells = dict[str, str]

CALIBRATOR: Cells = {"calibrator": GAP, "kind": GAP, "level_db": GAP, "frequency_hz": GAP}

FILES_NAMED = 4
"""So many files are named in a sentence, the others counted."""


@dataclass(frozen=True)
class Proposal:
    """Rows by column, a text each; `conditions` by name in order of appearance, `formats` by name with their keys.

    `notes` are sentences on what the files leave open, `left_out` the files that no run is proposed for.
    """

    recordings: tuple[FoundRecording, ...] = ()
    runs: tuple[Cells, ...] = ()
    fittings: tuple[Cells, ...] = ()
    calibrators: tuple[Cells, ...] = ()
    positions: int = 0
    conditions: tuple[str, ...] = ()
    formats: Mapping[str, Cells] = field(default_factory=dict)
    sessions: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    tones: Mapping[str, CalibratorTone] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    left_out: tuple[LeftOutFile, ...] = ()


def proposal(folder: Path, progress: Callable[[str], None]) -> Proposal:
    """What the recordings below `folder` propose; each is read once. Raises RefusedError where there is none.

    `progress` is told how far the reading is.
    """
    found, left_out = found_recordings(folder)
    whole: list[FoundRecording] = []
    tones: dict[str, CalibratorTone] = {}
    for number, one in enumerate(found, start=1):
        progress(f"looking for calibrators: recording {number} of {len(found)}, {one.file}")
        try:
            tone = calibrator_tone(folder / one.file) if one.sample_rate_hz else None
        except RecordingError as error:
            left_out.append(LeftOutFile(one.file, f"{folder_of(one.file)}{error.sentence}"))
            continue
        whole.append(one)
        if tone is not None:
            tones[one.file] = tone
    if not whole:
        raise RefusedError(f"{folder} holds no recording that can be read: {left_out[0].sentence}")
    return _Proposer(whole, tones).proposal(tuple(left_out))


class _Proposer:
    """Puts together what files and names say; recordings come out in order of time where that is known."""

    def __init__(self, recordings: Sequence[FoundRecording], tones: Mapping[str, CalibratorTone]) -> None:
        self.tones = tones
        self.begun = starts(recordings)
        begun = self.begun or {}
        self.recordings = sorted(recordings, key=lambda one: begun[one.file]) if begun else list(recordings)
        self.session_of = sessions(self.recordings, self.begun)
        self.others = {one.file for session in self._sessions() for one in self._of_other_channels(session)}
        self.unheard = {one.file for one in recordings if one.file not in tones and _is_calibration(one.file)}
        self.calibrations = self.unheard | tones.keys()
        plain = [one.file for one in self.recordings if one.file not in self.calibrations]
        self.condition_of = name_patterns.conditions([file for file in plain if not name_patterns.is_background(file)])
        self.formats: dict[str, Cells] = {}

    def proposal(self, left_out: tuple[LeftOutFile, ...]) -> Proposal:
        """All of it."""
        reserved = frozenset({NO_BACKGROUND})
        names = name_patterns.run_names([one.file for one in self.recordings], reserved)
        runs = tuple(self._run(one, names[one.file]) for one in self.recordings)
        fittings = tuple(row for session in self._sessions() for row in self._fittings(session))
        heard = sorted({tone.frequency_hz for tone in self.tones.values()})
        return Proposal(
            recordings=tuple(self.recordings),
            runs=runs,
            fittings=fittings,
            calibrators=(
                *({**CALIBRATOR, "calibrator": _calibrator(hertz), "frequency_hz": f"{hertz:g}"} for hertz in heard),
                *([CALIBRATOR] if self.unheard else []),
            ),
            positions=max(Counter(row["session"] for row in fittings).values()),
            conditions=tuple(dict.fromkeys(self.condition_of[one.file] for one in self._measurements())),
            formats=self.formats,
            sessions={session: tuple(one.file for one in self._own(session)) for session in self._sessions()},
            tones=self.tones,
            notes=tuple(self._notes()),
            left_out=left_out,
        )

    def _sessions(self) -> list[str]:
        return list(dict.fromkeys(self.session_of.values()))

    def _own(self, session: str) -> list[FoundRecording]:
        return [one for one in self.recordings if self.session_of[one.file] == session]

    def _measurements(self) -> list[FoundRecording]:
        return [one for one in self.recordings if one.file in self.condition_of]

    def _channels(self, session: str) -> int | None:
        """The number of channels that most recordings of a session have, of two as frequent the larger one."""
        counts = Counter(one.channels for one in self._own(session) if one.channels is not None)
        return max(counts, key=lambda channels: (counts[channels], channels), default=None)

    def _of_other_channels(self, session: str) -> list[FoundRecording]:
        usual = self._channels(session)
        return [one for one in self._own(session) if one.channels is not None and one.channels != usual]

    def _run(self, one: FoundRecording, name: str) -> Cells:
        """The row of one recording; what its name alone says is marked as proposed in the remark."""
        cells: Cells = {"run": name, "recording": one.file, "format": self._format(one)}
        cells["session"] = GAP if one.file in self.others else self.session_of[one.file]
        if self.begun is not None and one.length_s is not None:
            cells["recorded_at"] = self.begun[one.file].isoformat()
        remarks = [] if one.length_s is None else [f"{one.length_s:.3f} s"]
        tone = self.tones.get(one.file)
        proposed: Cells = {}
        if tone is not None:
            order = " ".join(map(str, tone.channels))
            remarks.append(f"{tone.frequency_hz:g} Hz tone on channels {order} in this order")
            cells |= {"kind": "calibration", "calibrator": _calibrator(tone.frequency_hz)}
        elif one.file in self.unheard:
            cells["calibrator"] = GAP
            proposed["kind"] = "calibration"
        if one.file in self.calibrations:
            cells["stage"] = self._stage(one)
            if cells["stage"] == GAP and (named := name_patterns.stage(one.file)):
                proposed["stage"] = named
        else:
            proposed = self._by_name(one.file)
            kind = proposed.get("kind")
            cells |= {"kind": GAP, "speed_kmh": GAP, "condition": "" if kind == "background" else GAP}
        if proposed:
            remarks.append(f"proposed from the file's name: {' '.join(proposed)}")
        return {**cells, **proposed, "remark": "; ".join(remarks)}

    def _by_name(self, file: str) -> Cells:
        """Kind, condition and speed as far as the names say them clearly."""
        found: Cells = {}
        if name_patterns.is_background(file):
            found["kind"] = "background"
        elif file in self.condition_of:
            found |= {"kind": "measurement", "condition": self.condition_of[file]}
        speed = name_patterns.speed_kmh(file)
        if speed is not None:
            found["speed_kmh"] = f"{speed:.6g}"
        return found

    def _stage(self, one: FoundRecording) -> str:
        """Before or after all other recordings of the session by time; a gap between them, and without times."""
        begun = self.begun
        others = [each.file for each in self._own(self.session_of[one.file]) if each.file not in self.calibrations]
        if begun is None or not others or one.file in self.others:
            return GAP
        if begun[one.file] < min(begun[file] for file in others):
            return "before"
        return "after" if begun[one.file] > max(begun[file] for file in others) else GAP

    def _format(self, one: FoundRecording) -> str:
        """The name of the raw format that has to say what the file does not; nothing where it says all."""
        if one.sample_rate_hz is not None:
            return ""
        channels = GAP if one.channels is None else str(one.channels)
        cells = {"sample_type": one.sample_type or GAP, "channels": channels, "sample_rate_hz": GAP}
        ending = PurePosixPath(one.file).suffix.lstrip(".").lower() or "raw"
        if one.channels is None:
            name = f"headerless-{ending}"
            cells |= {"byte_order": GAP, "layout": GAP, "header_bytes": GAP}
        else:
            name = f"{ending}-{cells['sample_type']}-{channels}-channels"
        self.formats[name] = cells
        return name

    def _fittings(self, session: str) -> list[Cells]:
        """A row a channel; integers need the voltage of digital full scale, floats the unit that they are in."""
        usual = self._channels(session)
        own = [one for one in self._own(session) if one.file not in self.others]
        cells = {"session": session, "position": GAP, "sensor": GAP}
        if usual is None or any(one.bits is not None or one.channels is None for one in own):
            cells["full_scale_v"] = GAP
        else:
            cells["unit"] = GAP
        channels = [GAP] if usual is None else [str(number) for number in range(1, usual + 1)]
        return [{**cells, "channel": channel} for channel in channels]

    def _notes(self) -> list[str]:
        """Sentences on what the files leave open."""
        notes = []
        if self.begun is None:
            notes.append(
                "the files' times do not tell when they were recorded, as after copying: all are proposed as one "
                "session; fill in recorded_at in runs.csv"
            )
        pair = None if self.begun is None else overlapping(self.recordings, self.begun)
        if pair:
            notes.append(
                f"{pair[0]} and {pair[1]} overlap in time: two recorders, or a clock that was wrong; a session holds "
                f"one recorder: name another session for the other one"
            )
        for session in self._sessions():
            others = self._of_other_channels(session)
            if others:
                counts = sorted({one.channels for one in others if one.channels is not None})
                files = listed((one.file for one in others), FILES_NAMED)
                notes.append(
                    f"two recorders in session {session}: {files} with {listed(map(str, counts))} channels, the others "
                    f"with {self._channels(session)}; a session holds one recorder: name another session for them"
                )
        if self.unheard:
            files = listed(sorted(self.unheard), FILES_NAMED)
            notes.append(f"{files}: a calibration by the name, no steady tone of 250 or 1000 Hz was found")
        if not self.calibrations:
            notes.append("no recording holds a calibrator's steady tone of 250 or 1000 Hz: enter calibrations yourself")
        return notes


def _is_calibration(file: str) -> bool:
    return name_patterns.is_calibration(file) and not name_patterns.is_background(file)


def _calibrator(hertz: float) -> str:
    return f"calibrator-{hertz:g}"
