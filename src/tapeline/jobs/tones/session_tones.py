"""The tones of one session's runs, found in its narrowband spectra."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.acoustics.tones import (
    OtherTone,
    Tone,
    ToneRule,
    continuous_spectrum,
    find_tones,
    least_detectable_pa2,
    tone_in_other,
)
from tapeline.acoustics.usable_range import RESPONSE_UNKNOWN
from tapeline.arrays import Reals
from tapeline.jobs.levels.run_conditions import achieved_speed_mps
from tapeline.jobs.table_files import session_table
from tapeline.jobs.tones import ToneNeeds, ToneRun
from tapeline.limits import (
    MAINS_FREQUENCY_SHARE,
    MAINS_HARMONICS,
    TONE_BACKGROUND_NEAR_SHARE,
    TONE_OWN_ABOVE_BACKGROUND_DB,
    TONE_SAME_SHARE,
)
from tapeline.store import parquet

ROWS = 128
"""Spectra in memory at a time: 4 MB a column at 4,097 lines."""

COLUMNS = (
    "run",
    "position",
    "first_hz",
    "step_hz",
    "effective_averages",
    "psd_pa2_per_hz",
    "background_psd_pa2_per_hz",
    "left_out_hz",
    "relative_spread",
    "response_low_hz",
    "response_high_hz",
    "nominal_correction_db",
)

LIMITS_A_SPECTRUM = 160
"""Frequencies at which is kept what would have been found: 20 an octave."""


@dataclass(frozen=True)
class RunTone:
    """A tone of a run at a position. `below` is None where no background says anything.

    `nominal_correction_db` brings its level to the nominal speed and air, 0 where nothing is known to bring it there.
    """

    run: ToneRun
    position: str
    tone: Tone
    below: OtherTone | None
    mains_order: int | None
    not_own: str | None
    doubt: tuple[str, ...]
    nominal_correction_db: float

    @property
    def flow_speed_mps(self) -> float | None:
        """Achieved speed of the flow, None without flow."""
        nominal = self.run.achieved.nominal_mps
        return achieved_speed_mps(self.run.achieved, nominal) if nominal else None


@dataclass(frozen=True)
class Verdicts:
    """Verdict and reasons by run and position."""

    by_channel: dict[tuple[str, str], tuple[str, tuple[str, ...]]]

    def of(self, run: str, position: str) -> tuple[str, tuple[str, ...]]:
        """Verdict and reasons; good where the table says nothing."""
        return self.by_channel.get((run, position), ("good", ()))


def rule_of(needs: ToneNeeds) -> ToneRule:
    """What the settings call a tone."""
    tones = needs.tones
    return ToneRule(needs.window, tones.false_alarm_probability, tones.least_prominence_db, tones.least_quality)


@dataclass(frozen=True)
class Searched:
    """What a steady tone would have needed to be found in one spectrum: levels (dB) at some frequencies.

    NaN where there are no lines. The levels are brought to the nominal speed and air.
    """

    frequency_hz: NDArray[np.float32]
    least_db: NDArray[np.float32]

    def limit_db(self, frequency_hz: float) -> float:
        """The level that a tone at a frequency would have needed; NaN where nothing was searched."""
        if not self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[-1]:
            return math.nan
        return float(np.interp(frequency_hz, self.frequency_hz, self.least_db))


@dataclass(frozen=True)
class SessionTones:
    """All tones of a session's usable channels, spectrum by spectrum and by frequency.

    `searched` are the spectra that were searched, tones or none, by run and position.
    """

    tones: list[RunTone]
    searched: dict[tuple[str, str], Searched]

    @cached_property
    def by_channel(self) -> dict[tuple[str, str], list[int]]:
        """Places of the tones in the list by run and position."""
        found: dict[tuple[str, str], list[int]] = {}
        for place, each in enumerate(self.tones):
            found.setdefault((each.run.run, each.position), []).append(place)
        return found


def same_tone(one: RunTone, other: RunTone) -> bool:
    """Whether tones of two runs of one operating point may be one tone, by their frequencies."""
    a, b = one.tone, other.tone
    within = 2.0 * math.hypot(a.frequency_uncertainty_hz, b.frequency_uncertainty_hz)
    return abs(a.frequency_hz - b.frequency_hz) <= max(TONE_SAME_SHARE * a.frequency_hz, within)


def session_tones(results: Path, session: str, needs: ToneNeeds, verdicts: Verdicts) -> SessionTones:
    """The tones in the narrowband spectra of one session."""
    found = SessionTones([], {})
    runs = {run.run: run for run in needs.runs if run.session == session}
    for batch in parquet.read_batches(session_table(results, "narrowband", session), COLUMNS, ROWS):
        names = zip(batch["run"].to_pylist(), batch["position"].to_pylist(), strict=True)
        kept = [k for k, (run, at) in enumerate(names) if run in runs and verdicts.of(run, at)[0] != "unusable"]
        grids: dict[tuple[float, float, int], list[int]] = {}
        for k in kept:
            grid = (batch["first_hz"][k].as_py(), batch["step_hz"][k].as_py(), len(batch["psd_pa2_per_hz"][k]))
            if grid[2]:
                grids.setdefault(grid, []).append(k)
        for (first, step, _), rows in grids.items():
            part = batch.take(pa.array(rows))
            _search(found, part, first, step, runs, needs, verdicts)
    return found


def _search(
    found: SessionTones,
    part: pa.RecordBatch,
    first_hz: float,
    step_hz: float,
    runs: dict[str, ToneRun],
    needs: ToneNeeds,
    verdicts: Verdicts,
) -> None:
    """Search spectra of one grid, and add to what was found."""
    rule = rule_of(needs)
    psd, spread = (_stacked(part[name]) for name in ("psd_pa2_per_hz", "relative_spread"))
    hz = first_hz + step_hz * np.arange(psd.shape[1])
    for row, ranges in zip(psd, part["left_out_hz"].to_pylist(), strict=True):
        for low, high in zip((ranges or [])[::2], (ranges or [])[1::2], strict=True):
            row[(hz > low - step_hz) & (hz < high + step_hz)] = np.nan
    search = find_tones(psd, first_hz, step_hz, part["effective_averages"].to_numpy(), rule, spread)
    limits = least_detectable_pa2(search, step_hz, rule)
    sampled = np.unique(np.geomspace(1, hz.size, LIMITS_A_SPECTRUM).round().astype(int)) - 1
    corrections = part["nominal_correction_db"].to_pylist()
    with_tones = [k for k, tones in enumerate(search.tones) if tones and part["background_psd_pa2_per_hz"][k].is_valid]
    below_rows = {k: row for row, k in enumerate(with_tones)}
    below_psd = _stacked(part["background_psd_pa2_per_hz"].take(pa.array(with_tones, pa.int64())))
    below = continuous_spectrum(below_psd, first_hz, step_hz, search.averages[with_tones], rule) if with_tones else None
    names = zip(part["run"].to_pylist(), part["position"].to_pylist(), strict=True)
    reach = zip(part["response_low_hz"].to_pylist(), part["response_high_hz"].to_pylist(), strict=True)
    for k, ((name, position), (low, high)) in enumerate(zip(names, reach, strict=True)):
        run, reasons = runs[name], verdicts.of(name, position)[1]
        correction = corrections[k] or 0.0
        least_db = level_db(limits[k, sampled], needs.reference_pressure_pa) + correction
        found.searched[name, position] = Searched(hz[sampled].astype(np.float32), least_db.astype(np.float32))
        for tone in search.tones[k]:
            other = None
            if below is not None and k in below_rows and not run.background:
                near_hz = TONE_BACKGROUND_NEAR_SHARE * tone.frequency_hz
                row, averages = below_rows[k], float(search.averages[k])
                other = tone_in_other(tone, below_psd[row], below, row, averages, near_hz, step_hz, rule)
            order = mains_order(tone.frequency_hz, tone.frequency_uncertainty_hz, needs.mains_hz)
            beyond = (low is not None and tone.frequency_hz < low) or (high is not None and tone.frequency_hz > high)
            found.tones.append(
                RunTone(
                    run=run,
                    position=position,
                    tone=tone,
                    below=other,
                    mains_order=order,
                    not_own=_not_own(run, tone, other, order),
                    doubt=(*reasons, *((RESPONSE_UNKNOWN,) if beyond else ())),
                    nominal_correction_db=correction,
                )
            )


def _stacked(column: pa.Array) -> Reals:
    """Equally long lists as an array (rows, elements), gaps as NaN."""
    values = column.flatten().to_numpy(zero_copy_only=False)
    return np.array(values, dtype=np.float64).reshape(len(column), -1) if len(column) else np.zeros((0, 0))


def mains_order(frequency_hz: float, uncertainty_hz: float, mains_hz: float) -> int | None:
    """Which of the first multiples of the mains frequency a tone lies at, None for none of them.

    >>> mains_order(150.3, 0.1, 50.0), mains_order(405.0, 0.1, 50.0), mains_order(155.0, 0.1, 50.0)
    (3, None, None)
    """
    order = round(frequency_hz / mains_hz)
    within = MAINS_FREQUENCY_SHARE * order * mains_hz + 2.0 * uncertainty_hz
    near = abs(frequency_hz - order * mains_hz) <= within
    return order if near and 1 <= order <= MAINS_HARMONICS else None


def _not_own(run: ToneRun, tone: Tone, other: OtherTone | None, order: int | None) -> str | None:
    """Why a tone is not the source's own. One at a multiple of the mains that the background has not is no hum."""
    if run.background:
        return "background run"
    if other is None:
        return "mains" if order else None
    if not other.there or tone.power_pa2 >= 10.0 ** (TONE_OWN_ABOVE_BACKGROUND_DB / 10.0) * other.power_pa2:
        return None
    return "background"
