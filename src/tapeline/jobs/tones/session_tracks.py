"""The tones of one session followed over speed, position by position and condition by condition."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.tone_tracks import Track, TrackLaw, nodes_of, sweep_directions, track_laws, tracks_of
from tapeline.jobs.cell_values import as_reals
from tapeline.jobs.tones import ToneNeeds, ToneRun
from tapeline.jobs.tones.session_tones import SessionTones


@dataclass(frozen=True)
class SessionTrack:
    """A track, its number among those of its group, and that of the track it steps from.

    The indices in `track` are those of `places`, which are the places of tones among the session's.
    """

    position: str
    condition: str
    yaw_deg: float
    sweep: str
    number: int
    steps_from: int | None
    step_ratio: float | None
    track: Track
    law: TrackLaw
    places: tuple[int, ...]
    speeds_mps: tuple[float, ...]

    @property
    def tones(self) -> list[int]:
        """Places of its tones among the session's."""
        return [self.places[k] for k in self.track.tones]


def numbers_of(tracks: Iterable[SessionTrack]) -> dict[int, int]:
    """The number of its track by the place of each tone."""
    return {place: each.number for each in tracks for place in each.tones}


def session_tracks(needs: ToneNeeds, found: SessionTones) -> Iterator[SessionTrack]:
    """Tracks of the source's own tones, in the order of their table."""
    session = {each.run.session for each in found.tones}
    runs = [run for run in needs.runs if run.session in session and _flows(run)]
    positions = sorted({position for _, position in found.searched})
    by_group: dict[tuple[str, float], list[ToneRun]] = {}
    for run in runs:
        if run.condition is not None and run.point is not None:
            by_group.setdefault((run.condition, run.point[1]), []).append(run)
    for position in positions:
        for (condition, yaw_deg), group in sorted(by_group.items()):
            searched = [run for run in group if (run.run, position) in found.searched]
            number = 0
            for sweep, swept in _sweeps(searched):
                for track in _of_sweep(needs, found, position, condition, yaw_deg, sweep, swept, number):
                    yield track
                    number = track.number


def _flows(run: ToneRun) -> bool:
    return not run.background and run.point is not None and run.point[0] > 0.0


def _sweeps(runs: list[ToneRun]) -> Iterator[tuple[str, list[ToneRun]]]:
    """Runs of each direction; all together where not each says when it was recorded."""
    speeds = sorted({run.point[0] for run in runs if run.point})
    ordered = sorted(runs, key=_recorded)
    points = [speeds.index(run.point[0]) for run in ordered if run.point]
    directions = sweep_directions(points) if all(run.recorded_at for run in runs) else ["all"] * len(points)
    for sweep in ("all", "up", "down"):
        swept = [run for run, direction in zip(ordered, directions, strict=True) if direction == sweep]
        if swept:
            yield sweep, swept


def _recorded(run: ToneRun) -> tuple[float, str]:
    at = datetime.datetime.fromisoformat(run.recorded_at) if run.recorded_at else None
    # Local times without an offset are read as one common zone: only their order counts.
    return (at.replace(tzinfo=at.tzinfo or datetime.UTC).timestamp() if at else 0.0, run.run)


def _of_sweep(
    needs: ToneNeeds,
    found: SessionTones,
    position: str,
    condition: str,
    yaw_deg: float,
    sweep: str,
    runs: list[ToneRun],
    number: int,
) -> Iterator[SessionTrack]:
    """Tracks of some runs, numbered on from `number`."""
    speeds = sorted({run.point[0] for run in runs if run.point})
    if len(speeds) < 2:
        return
    places = [
        (place, r, speeds.index(run.point[0]))
        for r, run in enumerate(runs)
        if run.point
        for place in found.by_channel.get((run.run, position), ())
        if found.tones[place].not_own is None
    ]
    if not places:
        return
    tones = [found.tones[place] for place, _, _ in places]
    frequency = np.array([each.tone.frequency_hz for each in tones])
    uncertainty = np.array([each.tone.frequency_uncertainty_hz for each in tones])
    speed = as_reals(each.flow_speed_mps for each in tones)
    run_of, point = (np.array([each[k] for each in places], dtype=np.int64) for k in (1, 2))
    runs_at = np.array([sum(run.point is not None and run.point[0] == each for run in runs) for each in speeds])
    tracks = tracks_of(nodes_of(frequency, uncertainty, speed, point, run_of, runs_at))
    laws = track_laws(tracks, needs.speed_pct / 100.0, needs.confidence)
    for index, (track, law) in enumerate(zip(tracks, laws, strict=True)):
        before = track.before
        ended = tracks[before].nodes[-1] if before is not None else None
        begun = track.nodes[0]
        ratio = None
        if ended is not None:
            ratio = math.exp(
                math.log(begun.frequency_hz / begun.speed_mps) - math.log(ended.frequency_hz / ended.speed_mps)
            )
        yield SessionTrack(
            position=position,
            condition=condition,
            yaw_deg=yaw_deg,
            sweep=sweep,
            number=number + index + 1,
            steps_from=None if before is None else number + before + 1,
            step_ratio=ratio,
            track=track,
            law=law,
            places=tuple(place for place, _, _ in places),
            speeds_mps=tuple(speeds[node.point] for node in track.nodes),
        )
