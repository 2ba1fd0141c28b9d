"""The modes of the cavities in each run of a session, and the tones that agree with them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.acoustics import air
from tapeline.acoustics.cavity_modes import CavityInputs, Mode, cavity_modes, chance_of_agreement, matched
from tapeline.campaign.plan import Achieved
from tapeline.jobs.levels.run_conditions import achieved_speed_mps
from tapeline.jobs.tones import ToneCavity, ToneNeeds, ToneRun
from tapeline.jobs.tones.session_tones import SessionTones
from tapeline.limits import AIR_SOUND_SPEED_SHARE, UNKNOWN_AIR_SOUND_SPEED_SHARE
from tapeline.statistics.significance import student_factor


@dataclass(frozen=True)
class ToneMode:
    """What the modes of its cavity say of one tone: the mode it agrees with, others that it might be, and the words."""

    mode: Mode | None
    deviation_pct: float | None
    others: tuple[Mode, ...]
    chance: float
    words: str


@dataclass(frozen=True)
class SessionModes:
    """Modes by run and cavity, and what they say of each tone by its place among the session's."""

    by_run: dict[tuple[str, str], list[Mode]]
    by_tone: dict[int, ToneMode]


def session_modes(needs: ToneNeeds, session: str, found: SessionTones) -> SessionModes:
    """Modes at the speed and air of every measurement run, and the source's own tones matched with them."""
    factor = half_width_factor(needs)
    by_run: dict[tuple[str, str], list[Mode]] = {}
    by_tone: dict[int, ToneMode] = {}
    for run in (run for run in needs.runs if run.session == session and not run.background):
        for cavity in needs.cavities:
            modes = _modes(needs, run, cavity)
            by_run[run.run, cavity.cavity] = modes
            for position in cavity.positions if modes else ():
                places = [k for k in found.by_channel.get((run.run, position), ()) if found.tones[k].not_own is None]
                hz = [found.tones[k].tone.frequency_hz for k in places]
                for place, each, match in zip(places, hz, matched(hz, modes, factor), strict=True):
                    mode = modes[match.mode] if match.mode is not None else None
                    others = tuple(modes[k] for k in match.candidates)
                    chance = chance_of_agreement(each, modes, factor)
                    by_tone[place] = _said(each, mode, others, chance, cavity.cavity, factor)
    return SessionModes(by_run, by_tone)


def half_width_factor(needs: ToneNeeds) -> float:
    """Standard uncertainties of a mode to either side that its band holds."""
    return float(student_factor(np.inf, needs.confidence))


def sound_speed_mps(of: Achieved) -> float:
    """Speed of sound in the air of a run; what is not stated is that of 20 degrees Celsius, 1013.25 hPa and 50 %."""
    pressure = of.static_pressure_hpa
    return air.sound_speed_mps(
        air.DEFAULT_TEMPERATURE_C if of.temperature_c is None else of.temperature_c,
        air.REFERENCE_STATIC_PRESSURE_PA if pressure is None else 100.0 * pressure,
        air.DEFAULT_HUMIDITY_PCT if of.humidity_pct is None else of.humidity_pct,
    )


def flow_speed_mps(run: ToneRun) -> float:
    """Achieved speed of a run's flow, 0 without flow."""
    nominal = run.achieved.nominal_mps
    return achieved_speed_mps(run.achieved, nominal) if nominal else 0.0


def _modes(needs: ToneNeeds, run: ToneRun, cavity: ToneCavity) -> list[Mode]:
    known = CavityInputs(
        length_m=cavity.length_m,
        depth_m=cavity.depth_m,
        width_m=cavity.width_m,
        opening_m2=cavity.opening_m2,
        volume_m3=cavity.volume_m3,
        neck_m=cavity.neck_m,
        speed_mps=flow_speed_mps(run),
        sound_speed_mps=sound_speed_mps(run.achieved),
    )
    sound_share = UNKNOWN_AIR_SOUND_SPEED_SHARE if run.achieved.temperature_c is None else AIR_SOUND_SPEED_SHARE
    return cavity_modes(known, needs.tones.cavity_size_pct / 100.0, needs.speed_pct / 100.0, sound_share)


def _said(
    hz: float, mode: Mode | None, others: tuple[Mode, ...], chance: float, cavity: str, factor: float
) -> ToneMode:
    if mode is None:
        words = f"unexplained: no mode of {cavity} is left within its uncertainty"
        if others:
            words = f"unexplained: {_named(others)} of {cavity} may be it, and agrees better with another tone"
        return ToneMode(None, None, others, chance, words)
    deviation = 100.0 * (hz / mode.frequency_hz - 1.0)
    within = 100.0 * factor * mode.uncertainty_share
    more = f"other candidates: {_named(others)}" if others else "no other candidate"
    words = f"agrees with {mode.name} of {cavity} within {abs(deviation):.1f} % (known within {within:.0f} %), {more}"
    return ToneMode(mode, deviation, others, chance, words)


def _named(modes: tuple[Mode, ...]) -> str:
    return ", ".join(mode.name for mode in modes)
