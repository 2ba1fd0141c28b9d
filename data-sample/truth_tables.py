"""What was put in, as tables: levels from the spectra themselves, never from the noise made of them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibrator_applications import applications
from entry_tables import REFERENCE_PRESSURE_PA, Entry, Position, Run
from planted import CUT_RUN, DRIFT_DB, DRIFTING, OVERLOADED, flow_state, gusts, mount_shift_db, sensitivity
from recorder import recording_bytes, run_counts, sample_rate_hz
from van_noise import (
    CONVECTION_SHARE,
    CORCOS_DECAY,
    FlowState,
    air_of,
    background_density,
    background_tones,
    source_density,
    source_tones,
)

Reals = NDArray[np.float64]
Row = tuple[object, ...]

NOTE = "# synthetic: what data-sample/make_sample.py put into the sample\n"
OCTAVE_RATIO = 10.0**0.3
POINTS_IN_BAND = 129


def midbands_hz(limits_hz: tuple[float, float]) -> Reals:
    """Exact midband frequencies 1000 G^(k/3), G = 10^0.3 (IEC 61260-1), from one nominal frequency to another."""
    first, last = (round(10.0 * math.log10(limit / 1000.0)) for limit in limits_hz)
    return np.asarray(1000.0 * OCTAVE_RATIO ** (np.arange(first, last + 1) / 3.0))


def band_squares(midband_hz: Reals, density: Callable[[Reals], Reals], tones: list[tuple[float, float]]) -> Reals:
    """Mean squares in the third octaves with the edges G^(-1/6) and G^(1/6) about the midband frequencies."""
    lower, upper = midband_hz * OCTAVE_RATIO ** (-1.0 / 6.0), midband_hz * OCTAVE_RATIO ** (1.0 / 6.0)
    hertz = np.geomspace(lower, upper, POINTS_IN_BAND, axis=-1)
    squares = np.asarray(np.trapezoid(density(hertz) * hertz, np.log(hertz), axis=-1))
    for frequency, square in tones:
        squares = squares + np.where((lower <= frequency) & (frequency < upper), square, 0.0)
    return squares


def source_squares(entry: Entry, position: Position, state: FlowState, shift_db: float) -> Reals:
    """Mean squares of flow, seam and cavity tone in the campaign's bands."""
    return band_squares(
        midbands_hz(entry.bands_hz),
        lambda hertz: source_density(hertz, position, state, shift_db),
        source_tones(entry, position, state, shift_db),
    )


def run_squares(entry: Entry, run: Run, position: Position) -> tuple[Reals, Reals]:
    """Mean squares of source and background in the campaign's bands, in one run."""
    state = flow_state(entry, run)
    source = source_squares(entry, position, state, mount_shift_db(entry, run.session, position.name))
    background = band_squares(
        midbands_hz(entry.bands_hz),
        lambda hertz: background_density(hertz, position, state),
        background_tones(position, state),
    )
    return source * gust_power(entry, run, position), background


def gust_power(entry: Entry, run: Run, position: Position) -> float:
    """By how much the gusts of the overloaded channel raise its mean square; 1 everywhere else."""
    if (run.name, position.name) != OVERLOADED:
        return 1.0
    rate = sample_rate_hz(entry, run)
    return float(np.mean(gusts(run, rate) ** 2))


def bands_table(entry: Entry) -> str:
    """Level of the whole, of the source alone and of the background alone."""
    rows: list[Row] = []
    for run, position in _recorded(entry):
        source, background = run_squares(entry, run, position)
        for midband, s, b in zip(midbands_hz(entry.bands_hz), source, background, strict=True):
            source_level = _db(s) if s > 0.0 else ""
            rows.append((run.name, position.name, f"{midband:.4f}", _db(s + b), source_level, _db(b)))
    return _text("run position band_hz level_db source_level_db background_level_db", rows)


def tones_table(entry: Entry) -> str:
    """Every tone, with the level at which it stands at the position."""
    rows: list[Row] = []
    for run, position in _recorded(entry):
        state = flow_state(entry, run)
        shift_db = mount_shift_db(entry, run.session, position.name)
        for kind, tones in (
            ("cavity", source_tones(entry, position, state, shift_db)),
            ("fan", background_tones(position, state)),
        ):
            rows += [(run.name, position.name, kind, f"{f:.4f}", _db(square)) for f, square in tones]
    return _text("run position kind frequency_hz level_db", rows)


def differences_table(entry: Entry) -> str:
    """True differences of source levels, treatment minus reference.

    `difference_db` is at the set speed in the session's mean air, without scatter; `difference_of_runs_db` is that of
    the mean levels of the runs that count, with their scatter and the speeds they had; `contribution_level_db` is the
    level of what the treatment adds in power, where it adds something.
    """
    rows: list[Row] = []
    for name, (reference, treatment) in entry.comparisons.items():
        for session in entry.fittings:
            runs = [run for run in entry.session_runs(session) if run.kind == "measurement" and entry.counts(run)]
            for speed in sorted({run.set_speed_kmh for run in runs}):
                at_speed = [run for run in runs if run.set_speed_kmh == speed]
                if {reference, treatment} <= {run.condition for run in at_speed}:
                    for fitting in entry.fittings[session]:
                        position = entry.positions[fitting.position]
                        pair = [_condition_squares(entry, at_speed, c, position) for c in (reference, treatment)]
                        rows += _difference_rows(entry, (name, session, position.name, f"{speed:g}"), pair)
    return _text(
        "comparison session position speed_kmh band_hz reference_level_db treatment_level_db difference_db "
        "contribution_level_db difference_of_runs_db",
        rows,
    )


def _condition_squares(entry: Entry, runs: list[Run], condition: str, position: Position) -> tuple[Reals, Reals]:
    """Mean squares at the set speed without scatter, and mean levels in dB of the runs that count."""
    mean_air = replace(
        runs[0],
        temperature_c=float(np.mean([run.temperature_c for run in runs])),
        static_pressure_pa=float(np.mean([run.static_pressure_pa for run in runs])),
        humidity_pct=float(np.mean([run.humidity_pct for run in runs])),
    )
    nominal = FlowState(runs[0].set_speed_kmh / 3.6, air_of(mean_air), entry.applied[condition], 0.0, 0.0, sources=True)
    squares = source_squares(entry, position, nominal, mount_shift_db(entry, runs[0].session, position.name))
    counted = [
        run
        for run in runs
        if run.condition == condition and run.name != CUT_RUN and (run.name, position.name) != OVERLOADED
    ]
    levels = [_levels(run_squares(entry, run, position)[0]) for run in counted]
    return squares, np.asarray(np.mean(levels, axis=0))


def _difference_rows(entry: Entry, head: tuple[str, ...], pair: list[tuple[Reals, Reals]]) -> list[Row]:
    (reference, reference_runs), (treatment, treatment_runs) = pair
    rows: list[Row] = []
    for k, midband in enumerate(midbands_hz(entry.bands_hz)):
        r, t = float(reference[k]), float(treatment[k])
        added = _db(t - r) if t > r * (1.0 + 1e-9) else ""
        achieved = f"{round(float(treatment_runs[k] - reference_runs[k]), 4) + 0.0:.4f}"
        rows.append(
            (
                *head,
                f"{midband:.4f}",
                _db(r),
                _db(t),
                f"{round(10.0 * math.log10(t / r), 4) + 0.0:.4f}",
                added,
                achieved,
            )
        )
    return rows


def sensitivities_table(entry: Entry) -> str:
    """True sensitivity at 250 Hz at the first and at the last run of each session."""
    rows: list[Row] = []
    for fitting in (row for rows_of in entry.fittings.values() for row in rows_of):
        true = sensitivity(entry, fitting)
        values = (f"{true.before_v_per_pa:.8f}", f"{true.after_v_per_pa:.8f}")
        rows.append((fitting.session, fitting.position, fitting.sensor, *values))
    return _text("session position sensor before_v_per_pa after_v_per_pa", rows)


def shifts_table(entry: Entry) -> str:
    """What the mounts of each session change in the source levels."""
    rows: list[Row] = [
        (session, fitting.position, f"{mount_shift_db(entry, session, fitting.position):.4f}")
        for session, fitted in entry.fittings.items()
        for fitting in fitted
    ]
    return _text("session position shift_db", rows)


def runs_table(entry: Entry) -> str:
    """Scatter of each run and the convection along the line array in it."""
    rows: list[Row] = []
    for run in entry.runs.values():
        if run.kind == "measurement":
            state = flow_state(entry, run)
            scatter = (f"{state.source_scatter_db:.4f}", f"{state.tunnel_scatter_db:.4f}")
            rows.append((run.name, *scatter, f"{CONVECTION_SHARE * run.speed_mps:.4f}", CORCOS_DECAY))
    return _text("run source_scatter_db tunnel_scatter_db convection_mps corcos_decay", rows)


def applications_table(entry: Entry) -> str:
    """Which sensor was calibrated when."""
    rows: list[Row] = []
    for run in entry.runs.values():
        if run.kind == "calibration":
            for order, turn in enumerate(applications(entry, run), start=1):
                times = (f"{turn.steady_s:.4f}", f"{turn.steady_until_s:.4f}")
                tone = (f"{turn.frequency_hz:.4f}", f"{turn.level_db:.4f}")
                rows.append((run.name, order, turn.position, *times, *tone))
    return _text("run order position steady_start_s steady_stop_s frequency_hz level_db", rows)


def faults_table(entry: Entry) -> str:
    """The planted faults; nothing else is at fault."""
    run, channel = entry.runs[OVERLOADED[0]], _channel_index(entry, *OVERLOADED)
    counts = run_counts(entry, run)[channel]
    clipped = (counts == counts.max()) | (counts == counts.min())
    places = int(np.count_nonzero(np.diff(clipped.astype(np.int8), prepend=0) == 1))
    cut = entry.runs[CUT_RUN]
    frames = run_counts(entry, cut).shape[1]
    frame_bytes = 3 * len(entry.fittings[cut.session])
    present = len(recording_bytes(entry, cut)) - _header_bytes(entry, cut, frames * frame_bytes)
    last = entry.session_runs(DRIFTING[0])[-1].name
    rows: list[Row] = [
        (*OVERLOADED, "overload", f"{int(clipped.sum())} samples at full scale in {places} places"),
        (last, DRIFTING[1], "drift", f"{DRIFT_DB} dB from the first to the last of {_runs_of(entry)} runs"),
        (
            CUT_RUN,
            "",
            "recording-cut",
            f"{present // frame_bytes} whole frames of the {frames} that the header declares",
        ),
    ]
    return _text("run position kind detail", rows)


def _runs_of(entry: Entry) -> int:
    return len(entry.session_runs(DRIFTING[0]))


def _header_bytes(entry: Entry, run: Run, declared: int) -> int:
    return recording_bytes(entry, run).index(b"data" + declared.to_bytes(4, "little")) + 8


def _channel_index(entry: Entry, run: str, position: str) -> int:
    fitted = entry.fittings[entry.runs[run].session]
    return next(index for index, row in enumerate(fitted) if row.position == position)


def _recorded(entry: Entry) -> Iterable[tuple[Run, Position]]:
    """Every measurement and background run with every position fitted in it."""
    for run in entry.runs.values():
        if run.kind != "calibration":
            for fitting in entry.fittings[run.session]:
                yield run, entry.positions[fitting.position]


def _levels(squares: Reals) -> Reals:
    return np.asarray(10.0 * np.log10(squares / REFERENCE_PRESSURE_PA**2))


def _db(square: float) -> str:
    return f"{10.0 * math.log10(square / REFERENCE_PRESSURE_PA**2):.4f}"


def _text(columns: str, rows: list[Row]) -> str:
    out = io.StringIO(newline="")
    out.write(NOTE)
    csv.writer(out, lineterminator="\n").writerows([columns.split(), *rows])
    return out.getvalue()


TABLES: dict[str, Callable[[Entry], str]] = {
    "bands.csv": bands_table,
    "tones.csv": tones_table,
    "differences.csv": differences_table,
    "sensitivities.csv": sensitivities_table,
    "shifts.csv": shifts_table,
    "runs.csv": runs_table,
    "applications.csv": applications_table,
    "faults.csv": faults_table,
}
