"""Rows of the table of cavity modes."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from tapeline.jobs.tones import ToneNeeds
from tapeline.jobs.tones.session_modes import SessionModes, flow_speed_mps, half_width_factor, sound_speed_mps
from tapeline.jobs.tones.session_tones import SessionTones

if TYPE_CHECKING:
    from tapeline.store.rows import CavityModesRow


def mode_rows(needs: ToneNeeds, session: str, found: SessionTones, modes: SessionModes) -> Iterator[CavityModesRow]:
    """One row a mode of a cavity in a run."""
    factor = half_width_factor(needs)
    runs = {run.run: run for run in needs.runs}
    positions = {cavity.cavity: cavity.positions for cavity in needs.cavities}
    agreeing = {
        (found.tones[place].run.run, found.tones[place].position, said.mode.name)
        for place, said in modes.by_tone.items()
        if said.mode
    }
    for (name, cavity), of_run in modes.by_run.items():
        run = runs[name]
        for mode in of_run:
            spread = math.exp(factor * mode.uncertainty_share)
            yield {
                "session": session,
                "run": name,
                "cavity": cavity,
                "family": mode.family,
                "order": mode.order,
                "frequency_hz": mode.frequency_hz,
                "lower_hz": mode.frequency_hz / spread,
                "upper_hz": mode.frequency_hz * spread,
                "formula": mode.formula,
                "unmodified_hz": mode.unmodified_hz,
                "speed_mps": flow_speed_mps(run) or None,
                "temperature_c": run.achieved.temperature_c,
                "sound_speed_mps": sound_speed_mps(run.achieved),
                "positions": [at for at in positions[cavity] if (name, at, mode.name) in agreeing],
            }
