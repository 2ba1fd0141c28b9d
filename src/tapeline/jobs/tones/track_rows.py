"""Rows of the table of tones followed over speed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.tones import ToneNeeds
from tapeline.jobs.tones.session_modes import SessionModes, ToneMode
from tapeline.jobs.tones.session_tones import SessionTones
from tapeline.jobs.tones.session_tracks import SessionTrack

if TYPE_CHECKING:
    from tapeline.store.rows import ToneTracksRow


def track_rows(
    needs: ToneNeeds, session: str, found: SessionTones, tracks: Iterable[SessionTrack], modes: SessionModes
) -> Iterator[ToneTracksRow]:
    """One row a track."""
    lengths = {length.position: length for length in needs.lengths}
    for each in tracks:
        tones = [found.tones[place] for place in each.tones]
        power = np.array([tone.tone.power_pa2 for tone in tones])
        levels = dict(zip(each.track.tones, level_db(power, needs.reference_pressure_pa).tolist(), strict=True))
        nodes = each.track.nodes
        middle = nodes[(len(nodes) - 1) // 2]
        length = lengths.get(each.position)
        doubt = sorted({word for tone in tones for word in tone.doubt})
        yield {
            "session": session,
            "position": each.position,
            "condition": each.condition,
            "yaw_deg": each.yaw_deg,
            "track": each.number,
            "sweep": each.sweep,
            "follows": each.law.follows,
            "speed_exponent": finite_or_none(each.law.exponent),
            "exponent_lower": finite_or_none(each.law.lower),
            "exponent_upper": finite_or_none(each.law.upper),
            "speeds_mps": list(each.speeds_mps),
            "frequencies_hz": [node.frequency_hz for node in nodes],
            "levels_db": [float(np.mean([levels[k] for k in node.tones])) for node in nodes],
            "frequency_hz": middle.frequency_hz,
            "level_db": float(np.mean(list(levels.values()))),
            "frequency_per_speed_per_m": each.track.per_m,
            "strouhal": each.track.per_m * length.length_m if length else None,
            "length_m": length.length_m if length else None,
            **_mode_columns([modes.by_tone.get(place) for place in each.tones]),
            "steps_from": each.steps_from,
            "step_ratio": each.step_ratio,
            "runs": [tone.run.run for tone in tones],
            "background_known": all(tone.below is not None for tone in tones),
            "doubtful": bool(doubt),
            "doubt": doubt,
        }


def _mode_columns(matches: list[ToneMode | None]) -> ToneTracksRow:
    """The mode that all tones agree with, if it is one, and which others would hold all of them."""
    said = [match for match in matches if match is not None]
    deviations = [match.deviation_pct for match in said if match.deviation_pct is not None]
    names = {match.mode.name for match in said if match.mode}
    if len(deviations) < len(matches) or len(names) != 1:
        return {}
    others = set.intersection(*({mode.name for mode in match.others} for match in said))
    return {
        "mode": names.pop(),
        "mode_deviation_pct": float(np.mean(deviations)),
        "mode_candidates": sorted(others),
    }
