"""One session's runs with their backgrounds: what all tables of the session start from."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction
from tapeline.acoustics.band_levels import LineSpectra, Method, Powers, band_sums, on_lines, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.acoustics.selection_by_margin import ONE_SIDED_95
from tapeline.acoustics.stationarity import mean_power_variance
from tapeline.acoustics.tonal_bands import common_tone_half_width
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.arrays import Reals
from tapeline.jobs.levels.level_use_columns import ChannelDoubts, channel_doubts
from tapeline.jobs.levels.run_conditions import RunConditions, run_conditions
from tapeline.jobs.sensitivity import calibration_file
from tapeline.jobs.spectra.level_history import history_edges_hz
from tapeline.jobs.tables import SessionRun, TablesNeeds
from tapeline.jobs.tables.history_by_position import HistoryByPosition
from tapeline.jobs.tables.line_rows import line_rows
from tapeline.jobs.tables.run_background import Key, RunBackground, SpeedGroup, Sums, run_background
from tapeline.jobs.tables.sensor_sizes import SensorSizes, sensor_sizes
from tapeline.jobs.tables.session_spectra import RunSpectra, load_run
from tapeline.jobs.tables.usable_bands import RangesLeftOut, with_levels
from tapeline.jobs.verdicts import verdicts_file
from tapeline.limits import TREND_SEGMENTS
from tapeline.quality.use_of_levels import doubts_level
from tapeline.statistics.significance import spectrum_interval_db
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow, LinesRow, QualityRow


@dataclass(frozen=True)
class SessionJob:
    """What all parts of the job share."""

    needs: TablesNeeds
    results: Path
    loaded: dict[str, RunSpectra]
    quality: dict[tuple[str, str], QualityRow]
    calibration: dict[str, dict[str, CalibrationRow]]
    limits: MarginLimits
    filters: dict[str, tuple[float, float]]
    backgrounds: dict[Key, SpeedGroup | None]
    left_out: RangesLeftOut


@dataclass(frozen=True)
class Measured:
    """One run with its background, its speed and air, and what is uncertain of all its levels, by position.

    `lines` are the run's rows of the table of that name. `tones` are how far lines of the difference may be off by
    tones of both, None where there are none.
    """

    run: RunSpectra
    background: RunBackground
    conditions: RunConditions
    uncertainty_db: Reals
    calibration_degrees_of_freedom: Reals
    calibration_verdicts: tuple[str, ...]
    doubts: tuple[ChannelDoubts, ...]
    steadiness_db: Reals
    steadiness_degrees_of_freedom: float
    sizes: SensorSizes
    lines: tuple[LinesRow, ...] = ()
    tones: LineSpectra | None = None

    def at(self, index: list[int]) -> Measured:
        """The same at some positions alone, by their places."""
        return dataclasses.replace(
            self,
            run=self.run.at(index),
            background=self.background.at(index),
            uncertainty_db=self.uncertainty_db[index],
            calibration_degrees_of_freedom=self.calibration_degrees_of_freedom[index],
            calibration_verdicts=tuple(self.calibration_verdicts[p] for p in index),
            doubts=tuple(self.doubts[p] for p in index),
            steadiness_db=self.steadiness_db[index],
            sizes=self.sizes.at(index),
            tones=None if self.tones is None else self.tones.at(index),
        )


@dataclass(frozen=True)
class Levels:
    """Powers of one set of bands or lines (positions, bands): the total, what is kept of it, and the subtraction.

    `background_source` are indices into `tables.BACKGROUND_SOURCES`; `marks` say what to know of the background, by
    their names. `tones` (Pa^2) is how far tones of both may put the difference off, which no other run shares.
    """

    total: Powers
    kept: Powers
    below: Powers | None
    below_degrees_of_freedom: Reals
    below_own: Reals
    tones: Reals
    electrical: Powers | None
    result: Subtraction
    background_source: NDArray[np.int8]
    marks: dict[str, NDArray[np.bool_]]


def load_job(results: Path, needs: TablesNeeds) -> SessionJob:
    """Read the spectra of the session's runs and of all background runs they name, and the session's calibration."""
    names = [*(item.run for item in needs.runs), *needs.backgrounds]
    quality = {
        (row["run"], row["position"]): row
        for session in needs.sessions
        for row in parquet.read_rows(tables.QUALITY, verdicts_file(results, session))
    }
    verdicts = {key: row["verdict"] for key, row in quality.items()}
    conditioned = bool(needs.background.references)
    spectra = {name: load_run(results, name, needs.window, verdicts, conditioned=conditioned) for name in names}
    loaded = {name: found for name, found in spectra.items() if found is not None}
    rows = parquet.read_rows(tables.CALIBRATION, calibration_file(results, needs.session))
    b = needs.background
    return SessionJob(
        needs=needs,
        results=results,
        loaded=loaded,
        quality=quality,
        calibration={needs.session: {row["position"]: row for row in rows}},
        limits=MarginLimits(
            b.no_correction_above_db, b.enough_margin_db, b.least_margin_db, b.bound_factor, b.most_removed_db
        ),
        filters={name: (high or np.nan, low or np.nan) for name, high, low in needs.filters},
        backgrounds={},
        left_out={item.run: item.left_out for item in needs.runs},
    )


def measured_run(job: SessionJob, item: SessionRun, history: pa.Table) -> Measured:
    """One run together with its background; a background louder than the run in too many bands is given up.

    `history` is the run's own table of that name.
    """
    needs, spectra = job.needs, job.loaded[item.run]
    own = [job.calibration[needs.session][position] for position in spectra.positions]
    bands = bands_between(needs.bands.fraction, *needs.bands.range_hz)
    sums = band_powers_of(bands, "Z", needs.bands.method)
    found = run_background(item.backgrounds, job.loaded, spectra, needs.background, sums, job.backgrounds)
    steadiness, degrees_of_freedom = steadiness_of(spectra, history, needs.overall[0].range_hz)
    calibration_dof = [np.inf if row["degrees_of_freedom"] is None else row["degrees_of_freedom"] for row in own]
    if item.kind != "measurement":
        # Wind-off runs may be refused for a background run's floor; nothing is missing there.
        found = dataclasses.replace(found, refused=np.zeros(len(spectra.positions), dtype=bool))
    lines = line_rows(needs, item, spectra, job.results)
    measured = Measured(
        run=spectra,
        background=found,
        conditions=run_conditions(item.achieved, needs.check_air, needs.operating_point, needs.uncertainty),
        uncertainty_db=np.array([row["standard_uncertainty_db"] or 0.0 for row in own]),
        calibration_degrees_of_freedom=np.array(calibration_dof, dtype=np.float64),
        calibration_verdicts=tuple(row["verdict"] for row in own),
        doubts=tuple(
            channel_doubts(
                job.quality.get((item.run, position), {}),
                row,
                spectra.spectra.step_hz,
                [(low, high) for name, low, high in item.left_out if name in ("", position)],
                spikes_left_out=needs.spikes_left_out,
            )
            for position, row in zip(spectra.positions, own, strict=True)
        ),
        steadiness_db=background.as_db(steadiness),
        steadiness_degrees_of_freedom=degrees_of_freedom,
        sizes=sensor_sizes(needs, item, spectra.positions, lines),
        lines=lines,
    )
    if not found.there.any():
        return measured
    measured = dataclasses.replace(measured, tones=_tones_of_both(measured, bands))
    result = levels_of(job, measured, sums).result
    held = with_levels(spectra, bands, needs.bands, job.filters, job.left_out) & (result.state != background.NONE)
    louder = held & background.significantly_louder(result, ONE_SIDED_95)
    usable = np.array([verdict != "unusable" for verdict in spectra.verdicts], dtype=bool)
    share = needs.background.louder_share
    able = found.there & usable
    given_up = able & (louder.sum(axis=1) > share * held.sum(axis=1))
    if given_up.sum() > share * able.sum():
        # What is wrong at so many positions is the background run itself: its gain, its speed, another source.
        given_up = able
    return dataclasses.replace(measured, background=dataclasses.replace(found, louder=given_up))


def band_powers_of(bands: Bands, weighting: Weighting, method: Method) -> Sums:
    """Band powers of spectra; NaN for bands that reach beyond the last line."""

    key = bands.edges_hz, weighting, method

    def sums(spectra: LineSpectra) -> Powers:
        if key not in spectra.known:
            spectra.known[key] = made(spectra)
        return spectra.known[key]

    def made(spectra: LineSpectra) -> Powers:
        weights = None if weighting == "Z" else power_weights(weighting, spectra.lines_hz)
        found = band_sums(spectra, shares_of(bands, spectra, method), weights)
        known = bands.upper_hz <= (spectra.psd.shape[1] - 0.5) * spectra.step_hz
        return Powers(np.where(known, found.power, np.nan), np.where(known, found.variance, np.nan))

    return sums


def levels_of(job: SessionJob, m: Measured, sums: Sums, *, bounds: bool = True) -> Levels:
    """Powers of the run and of its background, and the one less the other."""
    total = sums(m.run.spectra)
    kept = total if m.run.kept is None else sums(m.run.kept)
    found = m.background.mean(sums)
    there = m.background.there[:, None]
    nothing = np.zeros(total.power.shape)
    below = Powers(nothing, nothing) if found is None else found.powers
    has = there & np.isfinite(below.power)
    taken = [np.where(has, part, 0.0) for part in (below.power, below.variance)]
    given = None if m.run.kept is None else kept.power
    tones = nothing if m.tones is None else np.where(has, sums(m.tones).power, 0.0)
    half = tones if found is None else tones + np.where(has, found.half_width, 0.0)
    # The scatter of a mean of background runs about another one is at most twice that of a single one.
    scatter = nothing if found is None else np.where(has, 2.0 * found.own_variance, 0.0)
    result = background.subtract(
        total.power, taken[0], kept.variance, taken[1], job.limits, given, half, scatter=scatter, bounds=bounds
    )
    result = keep_where(has | (kept.power != total.power), result, total)
    nearby = np.zeros(has.shape, dtype=bool)
    if bounds:
        usable = np.array([verdict != "unusable" for verdict in m.run.verdicts], dtype=bool)
        # A level in doubt says nothing of the background at other positions.
        sound = usable & np.array([not doubts_level(each.codes) for each in m.doubts], dtype=bool)
        nearby = background.louder_nearby(result, has & sound[:, None])
        result = background.bounded_by_the_run(result, nearby, job.limits)
    electrical = m.background.electrical(sums)
    heard = np.array([m.run.kept is not None and name not in m.run.references for name in m.run.positions], dtype=bool)
    kind = tables.BACKGROUND_SOURCES.index(m.background.kind or "nothing")
    known = Powers(np.where(has, below.power, np.nan), np.where(has, below.variance, np.nan))
    return Levels(
        total=total,
        kept=kept,
        below=None if found is None else known,
        below_degrees_of_freedom=np.full(total.power.shape, np.inf) if found is None else found.degrees_of_freedom,
        below_own=nothing if found is None else np.where(has, found.own_variance, 0.0),
        tones=tones,
        electrical=electrical,
        result=result,
        background_source=(np.where(has, kind, 0) + tables.WITH_REFERENCES * heard[:, None]).astype(np.int8),
        marks=_marks(job, m, total, electrical, has, found.unsteady if found else np.zeros(has.shape, dtype=bool))
        | {"background-louder-here": nearby, "background-tonal": tones > 0.0},
    )


def _tones_of_both(m: Measured, bands: Bands) -> LineSpectra | None:
    """How far each line of the difference may be off where a tone stands in run and background alike."""
    spectra = m.run.spectra
    found = m.background.mean(lambda each: _on_grid_of(spectra, each))
    if found is None:
        return None
    there = m.background.there[:, None]
    total = spectra if m.run.kept is None else m.run.kept
    below = np.where(there, np.nan_to_num(found.powers.power), 0.0)
    half = common_tone_half_width(np.asarray(total.psd, dtype=np.float64), below, spectra.step_hz, bands)
    return LineSpectra(half, spectra.step_hz, spectra.covariance) if half.any() else None


def _on_grid_of(grid: LineSpectra, spectra: LineSpectra) -> Powers:
    lines = grid.psd.shape[1]
    if spectra.step_hz == grid.step_hz and spectra.psd.shape[1] >= lines:
        return Powers(np.asarray(spectra.psd[:, :lines], dtype=np.float64), spectra.variance[:, :lines])
    return on_lines(spectra, grid.step_hz, 0, lines)


def _marks(
    job: SessionJob,
    m: Measured,
    total: Powers,
    electrical: Powers | None,
    has: NDArray[np.bool_],
    unsteady: NDArray[np.bool_],
) -> dict[str, NDArray[np.bool_]]:
    b, everywhere = m.background, np.ones(has.shape, dtype=bool)
    at_floor = np.zeros(has.shape, dtype=bool)
    if electrical is not None:
        with np.errstate(invalid="ignore"):
            at_floor = total.power < electrical.power * 10.0 ** (job.needs.background.least_margin_db / 10.0)
    asked = job.needs.background.references
    missing = np.array([m.run.kept is None and name not in asked for name in m.run.positions], dtype=bool)
    return {
        "background-narrower": b.there[:, None] & ~has,
        "background-unsteady": has & unsteady,
        "background-louder": everywhere & b.louder[:, None],
        "background-refused": everywhere & b.refused[:, None],
        "background-unusable": everywhere & b.lost[:, None],
        "background-missing": everywhere & b.missing,
        "background-between-speeds": has & (b.kind == "between-speeds"),
        "background-electrical": has & (b.kind == "electrical" and b.speed_mps > 0.0),
        "at-electrical-floor": at_floor,
        "references-missing": everywhere & missing[:, None] & bool(asked),
        "extrapolated": everywhere & m.conditions.extrapolated,
        "off-nominal-speed": everywhere & m.conditions.off_nominal,
        "background-other-gain": has & b.gain_unknown[:, None],
    }


def steadiness_of(spectra: RunSpectra, history: pa.Table, range_hz: tuple[float, float]) -> tuple[Reals, float]:
    """Relative variance by which an unsteady level leaves the run's mean uncertain, (positions,).

    With its degrees of freedom. From the history's energy means, Z where there are such, over the bands of the first
    overall level.
    """
    weightings = history["weighting"].unique().to_pylist()
    none = np.zeros(len(spectra.positions)), np.inf
    if not weightings:
        return none
    weighting: Weighting = "Z" if "Z" in weightings else sorted(weightings)[0]
    lowest, highest = history_edges_hz(range_hz)
    highest = min(highest, (spectra.spectra.psd.shape[1] - 0.5) * spectra.spectra.step_hz)
    whole = Bands(1, *(np.array([value]) for value in (lowest, lowest, lowest, highest)))
    with np.errstate(divide="ignore", invalid="ignore"):
        powers = band_powers_of(whole, weighting, "lines")(spectra.spectra)
        random = np.nan_to_num((powers.variance / powers.power**2)[:, 0])
    variances, degrees_of_freedom = none
    for p, level in enumerate(HistoryByPosition(history, spectra.positions, weighting).levels("level_db")):
        power = power_pa2(level[np.isfinite(level)])
        parts = [part.mean() for part in np.array_split(power, TREND_SEGMENTS) if part.size]
        if parts:
            (variances[p],), known = mean_power_variance(np.array([parts]), random[p : p + 1])
            degrees_of_freedom = min(degrees_of_freedom, known)
    return variances, degrees_of_freedom


def keep_where(has: NDArray[np.bool_], result: Subtraction, total: Powers) -> Subtraction:
    """What has no background stands as it is; `has` is (positions,), or (positions, bands) as the powers may be."""
    if has.all():
        return result
    bare = background.without_background(total.power, total.variance)
    pick = has.reshape(*has.shape, *(1 for _ in range(total.power.ndim - has.ndim)))
    return Subtraction(
        *(np.where(pick, getattr(result, name), getattr(bare, name)) for name in Subtraction.__dataclass_fields__)
    )


def level_columns(
    job: SessionJob, m: Measured, result: Subtraction, below: Reals | None, electrical: Reals | None
) -> dict[str, Reals]:
    """The level columns shared by bands and overall levels, as arrays of the totals' shape.

    `below` and `electrical` are the powers of the background and of the wind-off runs, None where there are none.
    """
    reference = job.needs.reference_pressure_pa
    nothing = np.full(result.total.shape, np.nan)
    coherent = nothing if m.run.kept is None else result.total - result.kept
    corrected = level_db(result.corrected, reference)
    correction = m.conditions.correction_db
    return {
        "level_db": level_db(result.total, reference),
        "level_pa2": result.total,
        "background_level_db": nothing if below is None else level_db(below, reference),
        "background_pa2": nothing if below is None else below,
        "coherent_pa2": coherent,
        "coherent_level_db": level_db(np.where(coherent > 0.0, coherent, np.nan), reference),
        "electrical_level_db": nothing if electrical is None else level_db(electrical, reference),
        "corrected_level_db": corrected,
        "corrected_pa2": result.corrected,
        "upper_bound_db": level_db(result.upper_bound, reference),
        "margin_db": result.margin_db,
        "nominal_level_db": nothing if correction is None else corrected + correction,
        "nominal_correction_db": nothing if correction is None else np.full(nothing.shape, correction),
    }


def interval_columns(job: SessionJob, levels_db: Reals, degrees_of_freedom: Reals) -> dict[str, Reals]:
    """Ends of the within-record interval of total levels: random error of the averages alone, chi-square."""
    low, high = spectrum_interval_db(degrees_of_freedom / 2.0, job.needs.confidence)
    return {"level_lower_db": levels_db + low, "level_upper_db": levels_db + high}
