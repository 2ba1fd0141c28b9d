"""Rows of the table of tones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from tapeline.acoustics.levels import level_db
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.tones import ToneNeeds, ToneRun
from tapeline.jobs.tones.session_modes import SessionModes, ToneMode
from tapeline.jobs.tones.session_tones import SessionTones, same_tone

if TYPE_CHECKING:
    from tapeline.store.rows import TonesRow


def tone_rows(
    needs: ToneNeeds, found: SessionTones, tracks: Mapping[int, int], modes: SessionModes
) -> Iterator[TonesRow]:
    """One row a tone of a session; `tracks` are the numbers of their tracks by the tones' places in `found`."""
    lengths = {length.position: length for length in needs.lengths}
    alike: dict[object, list[str]] = {}
    for run in needs.runs:
        alike.setdefault(_repeated(run), []).append(run.run)
    for places in found.by_channel.values():
        for number, place in enumerate(places, 1):
            each = found.tones[place]
            repeats = [name for name in alike[_repeated(each.run)] if (name, each.position) in found.searched]
            with_it = (
                any(same_tone(each, found.tones[k]) for k in found.by_channel.get((name, each.position), ()))
                for name in repeats
            )
            tone, run, length = each.tone, each.run, lengths.get(each.position)
            speed = each.flow_speed_mps
            per_m = tone.frequency_hz / speed if speed else None
            there = each.below is not None and each.below.there
            yield {
                "session": run.session,
                "run": run.run,
                "position": each.position,
                "tone": number,
                "condition": run.condition,
                "speed_mps": run.point[0] if run.point else None,
                "yaw_deg": run.point[1] if run.point else None,
                "flow_speed_mps": speed,
                "frequency_hz": tone.frequency_hz,
                "frequency_uncertainty_hz": tone.frequency_uncertainty_hz,
                "level_db": float(level_db(tone.power_pa2, needs.reference_pressure_pa)),
                "level_uncertainty_db": tone.level_uncertainty_db,
                "prominence_db": tone.prominence_db,
                "threshold_db": tone.threshold_db,
                "width_hz": finite_or_none(tone.width_hz),
                "persistence": finite_or_none(tone.persistence),
                "in_background": each.below.there if each.below is not None else None,
                "background_level_db": finite_or_none(level_db(each.below.power_pa2, needs.reference_pressure_pa))
                if there and each.below is not None
                else None,
                "mains_order": each.mains_order,
                "repeat_runs": len(repeats),
                "repeat_runs_with_it": sum(with_it),
                "own": each.not_own is None,
                "not_own": each.not_own,
                "track": tracks.get(place),
                "frequency_per_speed_per_m": per_m,
                "strouhal": per_m * length.length_m if per_m is not None and length else None,
                "length_m": length.length_m if length else None,
                "length_source": length.source if length else None,
                **_mode_columns(modes.by_tone.get(place)),
                "doubtful": bool(each.doubt),
                "doubt": list(each.doubt),
            }


def _mode_columns(match: ToneMode | None) -> TonesRow:
    if match is None:
        return {}
    return {
        "mode": match.mode.name if match.mode else None,
        "mode_deviation_pct": match.deviation_pct,
        "mode_candidates": [mode.name for mode in match.others],
        "mode_chance": match.chance,
        "explanation": match.words,
    }


def _repeated(run: ToneRun) -> object:
    """What runs that repeat each other have in common; a run without a speed repeats none."""
    return (run.session, run.condition, run.background, run.point if run.point else run.run)
