"""What the size of each sensor takes off the levels of one run, for positions under attached flow."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.acoustics.band_levels import LineSpectra, shares_of
from tapeline.acoustics.bands import Bands
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.sensor_size import CorcosDecays, DiscAttenuation, disc_attenuation, disc_attenuation_db
from tapeline.arrays import Flags, Reals
from tapeline.campaign.settings import SensorSize
from tapeline.jobs.cell_values import as_reals
from tapeline.jobs.levels.run_conditions import achieved_speed_mps
from tapeline.jobs.tables import SessionRun, TablesNeeds
from tapeline.jobs.tables.line_rows import UNRESOLVED
from tapeline.statistics.combined_uncertainty import rectangular

if TYPE_CHECKING:
    from tapeline.store.rows import LinesRow


MEDIAN_TO_SD = 1.4826
"""Standard deviation over median deviation of normal numbers: 1 / 0.6745."""


@dataclass(frozen=True)
class MeasuredConvection:
    """The convection speed (m/s) that a line of sensors measured, with its relative standard uncertainty."""

    speed_mps: float
    relative: float


@dataclass(frozen=True)
class SensorSizes:
    """Radii (m) of the sensors of one run, (positions,), NaN where size plays no part, and the run's speed (m/s).

    `measured` (positions,) is what the line of a position measured, None where it is on none.
    """

    radius_m: Reals
    speed_mps: float
    measured: tuple[MeasuredConvection | None, ...]

    def at(self, index: list[int]) -> SensorSizes:
        """The same at some positions alone, by their places."""
        return SensorSizes(self.radius_m[index], self.speed_mps, tuple(self.measured[p] for p in index))


def sensor_sizes(
    needs: TablesNeeds, item: SessionRun, positions: tuple[str, ...], lines: Sequence[LinesRow]
) -> SensorSizes:
    """Of one run, whose rows of the table `lines` are given.

    In background runs and without wind no boundary layer is known to pass over the sensors.
    """
    diameters = dict(needs.diameters_mm)
    nominal = item.achieved.nominal_mps
    flows = item.kind == "measurement" and bool(nominal)
    half = 0.5e-3 * needs.sensor_size.radius_share
    radius = [half * diameters[name] if flows and name in diameters else np.nan for name in positions]
    speed = achieved_speed_mps(item.achieved, nominal or 0.0) if flows else np.nan
    factor = float(scipy.special.ndtri(0.5 + needs.confidence / 2.0))
    by_line = {line.line: _measured([row for row in lines if row["line"] == line.line], factor) for line in needs.lines}
    of_position = {name: by_line[line.line] for line in needs.lines for name in line.positions}
    return SensorSizes(np.array(radius), speed, tuple(of_position.get(name) for name in positions))


def _measured(rows: Sequence[LinesRow], factor: float) -> MeasuredConvection | None:
    """What a line measured of the flow; None where it did not.

    Bands that sound carries faster than the flow, or may well do, are none of the boundary layer's. The median of the
    others: a band in which another wave passes unseen has a narrow interval about a wrong speed. How far they lie about
    it stands for what it does not know, the fall of the speed with frequency too.
    """
    told = [row for row in rows if UNRESOLVED not in row["marks"]]
    used = [row for row in told if (row.get("convection_share") or np.inf) < 1.0]
    if not used:
        return None
    speed, lower, upper = (
        as_reals(row[name] for row in used)
        for name in ("convection_speed_mps", "convection_lower_mps", "convection_upper_mps")
    )
    middle = float(np.median(speed))
    own = float(np.median(upper - lower)) / (2.0 * factor * middle)
    spread = MEDIAN_TO_SD * float(np.median(np.abs(speed / middle - 1.0)))
    return MeasuredConvection(middle, float(np.hypot(own, spread)))


def convection_speed_mps(sizes: SensorSizes, settings: SensorSize) -> tuple[Reals, Reals]:
    """Speed at which the pressure is carried over each sensor, and its relative standard uncertainty.

    Both (positions,), the speed NaN where size plays no part. What the position's own line measured in the run, else
    the stated share of the run's speed.
    """
    speed = np.full(sizes.radius_m.size, settings.convection_share * sizes.speed_mps)
    relative = np.full(sizes.radius_m.size, settings.convection_share_uncertainty / settings.convection_share)
    for p, known in enumerate(sizes.measured):
        if known is not None:
            speed[p], relative[p] = known.speed_mps, known.relative
    return np.where(np.isfinite(sizes.radius_m), speed, np.nan), relative


def size_attenuation(sizes: SensorSizes, settings: SensorSize, hz: Reals) -> DiscAttenuation:
    """What size takes off a level at each frequency, (positions, frequencies); NaN where it plays no part."""
    speed, relative = convection_speed_mps(sizes, settings)
    found = np.full((2, speed.size, hz.size), np.nan)
    uncertainties = CorcosDecays(settings.streamwise_decay_uncertainty, settings.lateral_decay_uncertainty)
    for (delay, unsure), places in _alike(sizes.radius_m / speed, relative):
        both = np.hypot(unsure, settings.radius_share_uncertainty / settings.radius_share)
        each = disc_attenuation(2.0 * np.pi * hz * delay, both, _decays(settings), uncertainties)
        found[0, places], found[1, places] = each.attenuation_db, each.uncertainty_db
    return DiscAttenuation(found[0], found[1])


def _decays(settings: SensorSize) -> CorcosDecays:
    return CorcosDecays(settings.streamwise_decay, settings.lateral_decay)


def _alike(*values: Reals) -> Iterator[tuple[tuple[float, ...], list[int]]]:
    """Positions with the same finite values: most sensors of a campaign are of one kind, and each kind is done once."""
    groups: dict[tuple[float, ...], list[int]] = {}
    for p, each in enumerate(zip(*(part.tolist() for part in values), strict=True)):
        if np.isfinite(each).all():
            groups.setdefault(each, []).append(p)
    yield from groups.items()


def size_term_db(found: DiscAttenuation) -> Reals:
    """Standard uncertainty (dB) of levels that are not corrected for it: anything up to the attenuation is missing."""
    return np.nan_to_num(np.hypot(rectangular(1.0) * found.attenuation_db, found.uncertainty_db))


def over_lines(sizes: SensorSizes, settings: SensorSize, bands: Bands, spectra: LineSpectra) -> Reals:
    """Attenuation (dB) of bands, (positions, bands), by the lines that each position's spectrum has in them.

    So that wide bands, in which the attenuation changes, and falling spectra have theirs; summed over lines, as filters
    pass little that is not in the band.
    """
    attenuation = np.full((sizes.radius_m.size, len(bands)), np.nan)
    speed, _ = convection_speed_mps(sizes, settings)
    shares = shares_of(bands, spectra, "lines")
    for (delay,), places in _alike(sizes.radius_m / speed):
        kept = 10.0 ** (0.1 * disc_attenuation_db(2.0 * np.pi * spectra.lines_hz * delay, _decays(settings)))
        for b, band in enumerate(shares):
            part = slice(band.first, band.first + band.share.size)
            power = np.asarray(spectra.psd[places, part], dtype=np.float64) * band.share
            with np.errstate(invalid="ignore", divide="ignore"):
                attenuation[places, b] = 10.0 * np.log10((power @ kept[part]) / power.sum(axis=1))
    return attenuation


def size_columns(
    attenuation_db: Reals, uncertainty_db: Reals, limited: Flags, corrected_pa2: Reals, reference_pa: float
) -> dict[str, Reals]:
    """The columns of the correction, all arrays of one shape; nothing where it is not offered."""
    offered = np.where(limited, np.nan, attenuation_db)
    return {
        "size_correction_db": offered,
        "size_correction_uncertainty_db": np.where(np.isfinite(offered), uncertainty_db, np.nan),
        "size_corrected_level_db": level_db(corrected_pa2, reference_pa) + offered,
    }


def beyond_offer(attenuation_db: Reals, settings: SensorSize) -> NDArray[np.bool_]:
    """Where more is missing than is corrected."""
    with np.errstate(invalid="ignore"):
        return np.asarray(attenuation_db > settings.offered_to_db)


def of_sum(attenuation_db: Reals, limited: Flags, power: Reals, bound_share: float) -> tuple[Reals, NDArray[np.bool_]]:
    """Attenuation (dB) of sums over bands (positions, bands), (positions,), and where it is not to be corrected.

    There bands that are not corrected carry more than `bound_share` of the power.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = power.sum(axis=1)
        sums = 10.0 * np.log10((power * 10.0 ** (0.1 * attenuation_db)).sum(axis=1) / whole)
        return sums, np.asarray(np.where(limited, power, 0.0).sum(axis=1) > bound_share * whole)
