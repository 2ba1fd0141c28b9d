"""Rows of the table `lines`: convection speed and decay along each line of sensors, from the pairs' cross-spectra."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.band_levels import shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.sensor_lines import Direction, LineBand, LineSpectraOfPairs, direction, line_band, pairs_of
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.levels.run_conditions import achieved_speed_mps
from tapeline.jobs.spectra import requested_file
from tapeline.jobs.tables import SensorLine, SessionRun, TablesNeeds
from tapeline.jobs.tables.session_spectra import RunSpectra
from tapeline.limits import LINE_RESOLVED_TIMES
from tapeline.store import parquet
from tapeline.store.tables import LINE_SPECTRA, LINES

if TYPE_CHECKING:
    from tapeline.store.rows import LineSpectraRow, LinesRow

SEVERAL_WAVES, UNRESOLVED = "several-waves", "unresolved"
ORDER_CONTRADICTED, NO_DIRECTION, FASTER_THAN_FLOW = "order-contradicted", "no-direction", "faster-than-flow"
POLARITIES_DIFFER = "polarities-differ"
NO_COORDINATES, UNLIKE_COORDINATES, TOO_FEW = "no-coordinates", "order-unlike-coordinates", "too-few-sensors"
"""Marks of rows, in the words of the table."""


def line_rows(needs: TablesNeeds, item: SessionRun, spectra: RunSpectra, results: Path) -> tuple[LinesRow, ...]:
    """One row a line of sensors and band of a measurement run with wind; none of other runs."""
    nominal = item.achieved.nominal_mps
    if not needs.lines or item.kind != "measurement" or not nominal:
        return ()
    speed = achieved_speed_mps(item.achieved, nominal)
    bands = bands_between(needs.bands.fraction, *needs.bands.range_hz)
    pairs = parquet.read_rows(LINE_SPECTRA, requested_file(results, item.run, LINES.name))
    return tuple(row for line in needs.lines for row in _of_line(needs, line, spectra, pairs, bands, speed))


def _of_line(
    needs: TablesNeeds,
    line: SensorLine,
    run: RunSpectra,
    pairs: Sequence[LineSpectraRow],
    bands: Bands,
    speed_mps: float,
) -> list[LinesRow]:
    usable = {name for name, verdict in zip(run.positions, run.verdicts, strict=True) if verdict != "unusable"}
    names = tuple(name for name in line.positions if name in usable)
    along = _along_m(line, names)
    known = {(row["position"], row["other_position"]): row for row in pairs if row["line"] == line.line}
    if line.places_m is None:
        return _rows(run, line, names, bands, [NO_COORDINATES])
    if along is None:
        return _rows(run, line, names, bands, [UNLIKE_COORDINATES])
    chosen = [known.get((names[i], names[j])) for i, j in pairs_of(len(names))]
    there = [row for row in chosen if row is not None]
    if len(names) < 2 or len(there) < len(chosen):
        return _rows(run, line, names, bands, [TOO_FEW])
    measured = _spectra(needs, run, names, along, there)
    way = direction(measured, speed_mps)
    refused = {
        ORDER_CONTRADICTED: way.contradicted,
        POLARITIES_DIFFER: way.opposite.any(),
        NO_DIRECTION: np.isnan(way.slowness_s_per_m),
    }
    if any(refused.values()):
        return _rows(run, line, names, bands, [mark for mark, there in refused.items() if there], way)
    mismatch = float(np.radians(needs.line_settings.phase_mismatch_deg))
    rows = _rows(run, line, names, bands, [], way)
    first = round(there[0]["first_hz"] / run.spectra.step_hz)
    start = way.slowness_s_per_m
    each = zip(rows, shares_of(bands, run.spectra), bands.midband_hz, bands.upper_hz, strict=True)
    for row, band, midband, upper in each:
        share = np.zeros(measured.hz.size)
        low, high = max(band.first - first, 0), min(band.first - first + band.share.size, share.size)
        if high <= low or upper > measured.hz[-1]:
            continue
        share[low:high] = band.share[low - band.first + first : high - band.first + first]
        found = line_band(measured, share, start, needs.confidence, mismatch)
        row.update(_columns(found, measured, speed_mps))
        row["marks"] = _marks_of(found, float(along[-1]), midband, speed_mps)
        if np.isfinite(found.speed_mps) and not found.misfit_rad and found.speed_mps < speed_mps:
            start = float(np.copysign(1.0 / found.speed_mps, way.slowness_s_per_m))
    return rows


def _marks_of(found: LineBand, length_m: float, midband_hz: float, speed_mps: float) -> list[str]:
    """What to know of a band's values; a speed without a decay is one of phases or coherences that no one wave has."""
    given = np.isfinite(found.speed_mps)
    marks = {
        SEVERAL_WAVES: found.misfit_rad > 0.0 or (given and np.isnan(found.decay)),
        FASTER_THAN_FLOW: found.speed_lower_mps > speed_mps,
        UNRESOLVED: given and midband_hz * length_m < LINE_RESOLVED_TIMES * found.speed_mps,
    }
    return [mark for mark, there in marks.items() if there]


def _along_m(line: SensorLine, names: Sequence[str]) -> Reals | None:
    """Places along the line of some of its sensors, from the first: chords added up, as a line may follow the body.

    None where the coordinates do not rise in the stated order.
    """
    if line.places_m is None or len(names) < 2:
        return np.zeros(len(names))
    places = np.array([place for name, place in zip(line.positions, line.places_m, strict=True) if name in names])
    chords = np.diff(places, axis=0)
    length = np.linalg.norm(chords, axis=1)
    forward = chords @ (places[-1] - places[0])
    return np.concatenate([[0.0], np.cumsum(length)]) if np.all(forward > 0.0) else None


def _spectra(
    needs: TablesNeeds, run: RunSpectra, names: Sequence[str], along: Reals, rows: Sequence[LineSpectraRow]
) -> LineSpectraOfPairs:
    csd = np.array(
        [np.asarray(r["csd_real_pa2_per_hz"]) + 1j * np.asarray(r["csd_imaginary_pa2_per_hz"]) for r in rows]
    )
    first = round(rows[0]["first_hz"] / run.spectra.step_hz)
    kept = slice(first, first + csd.shape[1])
    places = [run.positions.index(name) for name in names]
    return LineSpectraOfPairs(
        csd=csd,
        auto=np.asarray(run.spectra.psd[places, kept], dtype=np.float64),
        along_m=along,
        hz=run.spectra.lines_hz[kept],
        averages=run.effective_averages,
        covariance=run.spectra.covariance,
        shape=window(needs.window, run.block_frames),
        rate_hz=run.sample_rate_hz,
    )


def _rows(
    run: RunSpectra,
    line: SensorLine,
    names: Sequence[str],
    bands: Bands,
    marks: Sequence[str],
    way: Direction | None = None,
) -> list[LinesRow]:
    """Rows without values."""
    neighbours = [f"{a} to {b}" for a, b in pairwise(names)]
    between, opposite = (
        [] if flags is None else [pair for pair, each in zip(neighbours, flags, strict=True) if each]
        for flags in ((None, None) if way is None else (way.against, way.opposite))
    )
    return [
        {
            "run": run.run,
            "line": line.line,
            "band_hz": float(nominal),
            "midband_hz": float(midband),
            "positions": list(names),
            "against_order": bool(between),
            "against_positions": between,
            "opposite_positions": opposite,
            "pairs": 0,
            "marks": list(marks),
        }
        for nominal, midband in zip(bands.nominal_hz, bands.midband_hz, strict=True)
    ]


def _columns(found: LineBand, measured: LineSpectraOfPairs, speed_mps: float) -> LinesRow:
    aliased = found.speed_mps / (2.0 * measured.distance_m[measured.neighbours].max())
    return {
        "convection_speed_mps": finite_or_none(found.speed_mps),
        "convection_lower_mps": finite_or_none(found.speed_lower_mps),
        "convection_upper_mps": finite_or_none(found.speed_upper_mps),
        "convection_share": finite_or_none(found.speed_mps / speed_mps),
        "phase_misfit_rad": found.misfit_rad,
        "decay": finite_or_none(found.decay),
        "decay_lower": finite_or_none(found.decay_lower),
        "decay_upper": finite_or_none(found.decay_upper),
        "coherence_at_no_distance": finite_or_none(found.at_no_distance),
        "coherence": finite_or_none(found.coherence),
        "coherence_threshold": finite_or_none(found.threshold),
        "pairs": found.pairs,
        "shortest_m": finite_or_none(found.shortest_m),
        "longest_m": finite_or_none(found.longest_m),
        "aliased_above_hz": finite_or_none(aliased),
    }
