"""Rows of the table of what treatments do to tones."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.acoustics.tone_tracks import Node, nodes_of
from tapeline.jobs.tones import ToneNeeds, ToneRun
from tapeline.jobs.tones.session_tones import RunTone, SessionTones
from tapeline.statistics.tone_difference import RepeatVariance, Side, repeat_variance, tone_difference

if TYPE_CHECKING:
    from tapeline.store.rows import ToneDifferencesRow

Groups = dict[tuple[str, tuple[float, float]], list[ToneRun]]
"""The runs of each condition at each operating point."""


def difference_rows(needs: ToneNeeds, session: str, found: SessionTones) -> Iterator[ToneDifferencesRow]:
    """Rows of one session: reference and treatment at the same operating point and position."""
    groups: Groups = {}
    for run in needs.runs:
        if run.session == session and run.condition is not None and run.point is not None:
            groups.setdefault((run.condition, run.point), []).append(run)
    positions = sorted({position for _, position in found.searched})
    levels = (
        (position, [_level_db(needs, found.tones[place]) for place in node])
        for position in positions
        for runs in groups.values()
        for node in _nodes(found, runs, position)
    )
    repeats = repeat_variance(levels)
    for name, reference, treatment in needs.comparisons:
        for position in positions:
            for point in sorted({point for _, point in groups}):
                pair = [
                    [run for run in groups.get((condition, point), ()) if (run.run, position) in found.searched]
                    for condition in (reference, treatment)
                ]
                for node in _nodes(found, [*pair[0], *pair[1]], position) if all(pair) else ():
                    tones = [[found.tones[k] for k in node if found.tones[k].run in runs] for runs in pair]
                    hz = float(np.mean([found.tones[k].tone.frequency_hz for k in node]))
                    with_limits = zip(tones, pair, strict=True)
                    sides = [_side(needs, found, of, runs, position, hz) for of, runs in with_limits]
                    if any(side.usual for side in sides):
                        yield {
                            "comparison": name,
                            "session": session,
                            "position": position,
                            "speed_mps": point[0],
                            "yaw_deg": point[1],
                            "frequency_hz": hz,
                            "reference_frequency_hz": _mean_hz(tones[0]),
                            "treatment_frequency_hz": _mean_hz(tones[1]),
                            **_columns(tones, sides, repeats, needs.confidence),
                        }


def _columns(
    tones: list[list[RunTone]], sides: list[Side], repeats: RepeatVariance, confidence: float
) -> ToneDifferencesRow:
    """What is found; where a tone in it is in doubt nothing is tested."""
    reference, treatment = sides
    result = tone_difference(reference, treatment, repeats, confidence)
    doubt = sorted(f"{word}: {each.run.run}" for of in tones for each in of for word in each.doubt)
    return {
        "reference_runs": reference.levels_db.size + reference.limits_db.size,
        "reference_runs_with_it": reference.levels_db.size,
        "treatment_runs": treatment.levels_db.size + treatment.limits_db.size,
        "treatment_runs_with_it": treatment.levels_db.size,
        "reference_level_db": _mean_db(reference),
        "treatment_level_db": _mean_db(treatment),
        "difference_db": result.difference_db,
        "standard_error_db": None if doubt else result.standard_error_db,
        "degrees_of_freedom": repeats.degrees_of_freedom,
        "lower_db": None if doubt else result.lower_db,
        "upper_db": None if doubt else result.upper_db,
        "bound_db": result.bound_db,
        "finding": "in doubt" if doubt else result.finding,
        "doubtful": bool(doubt),
        "doubt": doubt,
    }


def _nodes(found: SessionTones, runs: list[ToneRun], position: str) -> Iterator[list[int]]:
    """Places of own tones of some runs that are one tone, however many of the runs have it."""
    places = [
        (place, r)
        for r, run in enumerate(runs)
        for place in found.by_channel.get((run.run, position), ())
        if found.tones[place].not_own is None
    ]
    if not places:
        return
    tones = [found.tones[place].tone for place, _ in places]
    nodes: list[Node] = nodes_of(
        np.array([tone.frequency_hz for tone in tones]),
        np.array([tone.frequency_uncertainty_hz for tone in tones]),
        np.ones(len(tones)),
        np.zeros(len(tones), dtype=np.int64),
        np.array([r for _, r in places], dtype=np.int64),
        np.ones(1, dtype=np.int64),
    )
    for node in nodes:
        yield [places[k][0] for k in node.tones]


def _level_db(needs: ToneNeeds, each: RunTone) -> float:
    """Level at the nominal speed and air."""
    return float(level_db(each.tone.power_pa2, needs.reference_pressure_pa)) + each.nominal_correction_db


def _side(
    needs: ToneNeeds, found: SessionTones, with_it: list[RunTone], runs: list[ToneRun], position: str, hz: float
) -> Side:
    having = {each.run.run for each in with_it}
    return Side(
        levels_db=np.array([_level_db(needs, each) for each in with_it]),
        uncertainty_db=np.array([each.tone.level_uncertainty_db for each in with_it]),
        prominence_db=np.array([each.tone.prominence_db for each in with_it]),
        limits_db=np.array([found.searched[run.run, position].limit_db(hz) for run in runs if run.run not in having]),
    )


def _mean_hz(tones: list[RunTone]) -> float | None:
    return float(np.mean([each.tone.frequency_hz for each in tones])) if tones else None


def _mean_db(side: Side) -> float | None:
    return float(side.levels_db.mean()) if side.levels_db.size else None
