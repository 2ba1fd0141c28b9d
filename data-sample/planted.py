"""What is put into the sample on purpose and stands in no table of the campaign: truth and faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from entry_tables import Entry, Fitting, Run, generator
from van_noise import FlowState, air_of

Reals = NDArray[np.float64]

SOURCE_SCATTER_DB = 0.12
TUNNEL_SCATTER_DB = 0.08
REMOUNT_SHIFT_DB = 0.3
FIRST_SESSION = "april"

OVERLOADED = ("a18", "ladder-foot")
DRIFTING = ("may", "seam-right")
DRIFT_DB = -0.95
CUT_RUN = "a19"
CUT_SHARE = 0.55
SHORT_RUNS_S = {"a02": 1.28, "a07": 1.28}
RUN_S = 2.72


@dataclass(frozen=True)
class Sensitivity:
    """True sensitivity at 250 Hz at the first and the last run of a session; in between it moves evenly in dB."""

    before_v_per_pa: float
    after_v_per_pa: float

    def at(self, progress: float) -> float:
        """At a share of the session's run order, 0 to 1."""
        return float(self.before_v_per_pa * (self.after_v_per_pa / self.before_v_per_pa) ** progress)


def flow_state(entry: Entry, run: Run) -> FlowState:
    """The run's speed, air, tape and scatter."""
    scatter = generator("scatter", run.name).standard_normal(2)
    return FlowState(
        speed_mps=run.speed_mps,
        air=air_of(run),
        applied=entry.applied.get(run.condition, frozenset()),
        source_scatter_db=SOURCE_SCATTER_DB * float(scatter[0]),
        tunnel_scatter_db=TUNNEL_SCATTER_DB * float(scatter[1]),
        sources=run.kind == "measurement",
    )


def mount_shift_db(entry: Entry, session: str, position: str) -> float:
    """What a new mount changes at a position against the first session: nothing where the mount stayed."""
    mounts = {s: f.mount for s, rows in entry.fittings.items() for f in rows if f.position == position}
    if mounts[session] == mounts.get(FIRST_SESSION):
        return 0.0
    return REMOUNT_SHIFT_DB * float(generator("mount", session, position).standard_normal())


def sensitivity(entry: Entry, fitting: Fitting) -> Sensitivity:
    """Near the chart's value (0.25 dB at most), a little different in each session and after each."""
    own = float(generator("sensitivity", fitting.sensor).uniform(-0.22, 0.22))
    session = generator("sensitivity", fitting.sensor, fitting.session)
    before_db = own + float(session.uniform(-0.03, 0.03))
    change_db = float(session.uniform(-0.06, 0.06))
    if (fitting.session, fitting.position) == DRIFTING:
        change_db = DRIFT_DB
    charted = entry.charted_v_per_pa[fitting.sensor]
    before = charted * 10.0 ** (before_db / 20.0)
    return Sensitivity(before, before * 10.0 ** (change_db / 20.0))


def sensitivity_in(entry: Entry, run: Run, fitting: Fitting) -> float:
    """True sensitivity at 250 Hz in one run, V/Pa."""
    order = [other.name for other in entry.session_runs(run.session)]
    return sensitivity(entry, fitting).at(order.index(run.name) / (len(order) - 1))


def true_response_db(sensor: str, frequency_hz: Reals) -> Reals:
    """Frequency response of a sensor, 0 dB at 250 Hz: diaphragm resonance, vent, and a small step in between.

    The charts are this, rounded to 0.01 dB.
    """
    draw = generator("response", sensor)
    resonance_hz, width = float(draw.uniform(9000.0, 12000.0)), float(draw.uniform(0.55, 1.5))
    step_db, vent_hz = float(draw.uniform(-0.3, 0.3)), float(draw.uniform(2.0, 6.0))

    def response(hertz: Reals) -> Reals:
        u = hertz / resonance_hz
        diaphragm = -10.0 * np.log10((1.0 - u**2) ** 2 + (u / width) ** 2)
        vent = -10.0 * np.log10(1.0 + (vent_hz / hertz) ** 2)
        step = 0.5 * step_db * (1.0 + np.tanh(2.0 * np.log(hertz / 700.0)))
        return np.asarray(diaphragm + vent + step)

    return response(np.maximum(frequency_hz, 5.0)) - response(np.array([250.0]))


def gusts(run: Run, sample_rate_hz: float) -> Reals:
    """Factor by which the gusts of the overloaded run raise its overloaded channel, over time; shape (frames,)."""
    draw, frames = generator("gusts", run.name), round(duration_s(run) * sample_rate_hz)
    time = np.arange(frames) / sample_rate_hz
    factor = np.ones(frames)
    for centre in draw.uniform(0.1, 0.95, 9) * frames / sample_rate_hz:
        factor += 7.0 * np.exp(-0.5 * ((time - centre) / 0.04) ** 2)
    return factor


def duration_s(run: Run) -> float:
    """Length of a measurement or background recording."""
    return SHORT_RUNS_S.get(run.name, RUN_S)
