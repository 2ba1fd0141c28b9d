"""Lines that stand out of their band: one run a speed of two conditions, by the rule that leaves levels out."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.tonal_bands import ProminentLines, prominence_db, prominent_lines
from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row, Spectrum
from tapeline.report.speed_levels import achieved_speed_mps

POSITIONS_AT_ONCE = 12
"""Positions whose spectra are in memory together."""

MOST_SPEEDS = 12


@dataclass(frozen=True)
class ToneRuns:
    """The chosen runs, rows of the run table, by condition and in order of speed; all of one session and yaw."""

    session: str
    yaw_deg: float
    runs: dict[str, tuple[Row, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """The runs of all conditions."""
        return tuple(row["run"] for rows in self.runs.values() for row in rows)

    @property
    def speeds_mps(self) -> list[float]:
        """The nominal speeds of any condition, in order."""
        return sorted({row["speed_mps"] for rows in self.runs.values() for row in rows})


def searched_conditions(campaign: Campaign) -> list[str]:
    """The reference condition and the treatment of the first comparison, or its reference where both are one."""
    settings = campaign.settings
    first = next(iter(settings.comparisons.values()), None)
    beside = [first.treatment, first.reference] if first is not None else []
    return list(dict.fromkeys(name for name in (settings.reference_condition, *beside) if name))[:2]


def tone_runs(tables: FinishedTables, campaign: Campaign) -> ToneRuns | None:
    """The runs of the session and yaw where both conditions meet at most speeds; None where neither was run.

    Of as many the smallest yaw, then the first session. At each speed the first run, one with an unusable channel after
    one without. Of more than `MOST_SPEEDS` speeds as many, evenly over all of them.
    """
    conditions = searched_conditions(campaign)
    places: dict[tuple[str, float], dict[str, dict[float, list[Row]]]] = {}
    for row in tables.runs:
        if row["kind"] != "measurement" or row["status"] != "used" or not row["speed_mps"]:
            continue
        if row["condition"] in conditions:
            place = places.setdefault((row["session"], row["yaw_deg"] or 0.0), {})
            place.setdefault(row["condition"], {}).setdefault(row["speed_mps"], []).append(row)
    if not places:
        return None
    best = min(places, key=lambda place: (-sum(map(len, places[place].values())), abs(place[1]), place))
    unusable = {row["run"] for row in tables.quality if row["verdict"] == "unusable"}
    found = {name: places[best][name] for name in conditions if name in places[best]}
    kept = _evenly(sorted({speed for speeds in found.values() for speed in speeds}))
    runs = {
        name: tuple(_first_run(speeds[speed], unusable) for speed in kept if speed in speeds)
        for name, speeds in found.items()
    }
    return ToneRuns(best[0], best[1], {name: rows for name, rows in runs.items() if rows})


def _first_run(rows: list[Row], unusable: set[str]) -> Row:
    return min(rows, key=lambda row: (row["run"] in unusable, row["recorded_at"] or "", row["run"]))


def _evenly(speeds: list[float]) -> list[float]:
    if len(speeds) <= MOST_SPEEDS:
        return speeds
    return [speeds[round(k * (len(speeds) - 1) / (MOST_SPEEDS - 1))] for k in range(MOST_SPEEDS)]


@dataclass(frozen=True)
class ToneLine:
    """A line that stands out: `above_db` the median line of its band, `level_db` of what it and its lobe add.

    `line_psd` (Pa^2/Hz) is its density; `length_m` None where no length is stated. `also_in` names the backgrounds
    that have a line there too, and `looked_in` those whose spectra there are.
    """

    position: str
    condition: str
    run: str
    nominal_mps: float
    speed_mps: float
    frequency_hz: float
    step_hz: float
    above_db: float
    level_db: float
    line_psd: float
    length_m: float | None
    looked_in: tuple[str, ...]
    also_in: tuple[str, ...]

    @property
    def per_m(self) -> float:
        """f/U in 1/m."""
        return self.frequency_hz / self.speed_mps

    @property
    def strouhal(self) -> float | None:
        """f l / U."""
        return None if self.length_m is None else self.per_m * self.length_m


def lengths_m(tables: FinishedTables) -> dict[str, tuple[float, str]]:
    """Length of the Strouhal number and its source by position, where one is stated."""
    stated = [row for row in tables.collapse if row["length_m"] is not None]
    return {row["position"]: (row["length_m"], row["length_source"]) for row in stated}


def tone_lines(
    tables: FinishedTables, campaign: Campaign, chosen: ToneRuns, positions: Sequence[str]
) -> list[ToneLine]:
    """All lines of the chosen runs that stand `scaling.tonal_above_db` above the median of their band, one a band."""
    unusable = {(row["run"], row["position"]) for row in tables.quality if row["verdict"] == "unusable"}
    still, bands = _wind_off(tables, chosen.session), searched_bands(campaign)
    found: list[ToneLine] = []
    for start in range(0, len(positions), POSITIONS_AT_ONCE):
        names = positions[start : start + POSITIONS_AT_ONCE]
        electrical = {each.position: each for each in tables.spectra(chosen.session, still, names)}
        usable = (
            each
            for each in tables.spectra(chosen.session, chosen.names, names)
            if (each.run, each.position) not in unusable and each.frequency_hz.size > 1
        )
        for grid, alike in itertools.groupby(usable, key=_grid):
            spectra = list(alike)
            peaks = prominent_lines(np.stack([each.psd for each in spectra]), *grid[:2], bands.lower_hz, bands.upper_hz)
            for row, each in enumerate(spectra):
                found += _lines_of(tables, campaign, chosen, each, electrical.get(each.position), peaks, row)
    order = {name: index for index, name in enumerate(positions)}
    conditions = list(chosen.runs)
    return sorted(
        found,
        key=lambda line: (order[line.position], conditions.index(line.condition), line.nominal_mps, line.frequency_hz),
    )


def searched_bands(campaign: Campaign) -> Bands:
    """The campaign's bands."""
    bands = campaign.settings.bands
    return bands_between(bands.fraction, *bands.range_hz)


def _wind_off(tables: FinishedTables, session: str) -> tuple[str, ...]:
    """The first background run without flow."""
    names = (
        row["run"]
        for row in tables.runs
        if row["session"] == session
        and row["kind"] == "background"
        and row["status"] == "used"
        and row["speed_mps"] == 0.0
    )
    return tuple(sorted(names)[:1])


def _grid(spectrum: Spectrum) -> tuple[float, float, int]:
    """First line, spacing and number of lines."""
    hz = spectrum.frequency_hz
    return float(hz[0]), float(hz[1] - hz[0]), hz.size


def _lines_of(
    tables: FinishedTables,
    campaign: Campaign,
    chosen: ToneRuns,
    spectrum: Spectrum,
    electrical: Spectrum | None,
    peaks: ProminentLines,
    row: int,
) -> Iterator[ToneLine]:
    """The lines of a spectrum, whose peaks stand in `row` of `peaks`."""
    bands, (first_hz, step_hz, _) = searched_bands(campaign), _grid(spectrum)
    limit_db = campaign.settings.scaling.tonal_above_db
    run = tables.run_by_name[spectrum.run]
    condition = next(name for name, rows in chosen.runs.items() if spectrum.run in {row["run"] for row in rows})
    length = lengths_m(tables).get(spectrum.position)
    for b in np.flatnonzero((peaks.above_db[row] >= limit_db) & peaks.peaked[row]):
        frequency_hz = float(peaks.frequency_hz[row, b])
        above = {
            name: prominence_db(psd, *grid, float(bands.lower_hz[b]), float(bands.upper_hz[b]), frequency_hz)
            for name, psd, grid in _backgrounds(spectrum, run["background_kind"], electrical)
        }
        yield ToneLine(
            position=spectrum.position,
            condition=condition,
            run=spectrum.run,
            nominal_mps=float(run["speed_mps"]),
            speed_mps=achieved_speed_mps(campaign, run),
            frequency_hz=frequency_hz,
            step_hz=step_hz,
            above_db=float(peaks.above_db[row, b]),
            level_db=float(level_db(peaks.added_pa2[row, b], campaign.settings.reference_pressure_pa)),
            line_psd=float(spectrum.psd[round((frequency_hz - first_hz) / step_hz)]),
            length_m=None if length is None else length[0],
            looked_in=tuple(name for name, decibels in above.items() if np.isfinite(decibels)),
            also_in=tuple(name for name, decibels in above.items() if decibels >= limit_db),
        )


def _backgrounds(
    spectrum: Spectrum, kind: str | None, electrical: Spectrum | None
) -> Iterator[tuple[str, Reals, tuple[float, float]]]:
    """The spectra that a line may be in too, by name, each with its first line and line spacing."""
    every = [("wind off" if kind == "electrical" else "background", spectrum.background, spectrum.frequency_hz)]
    if electrical is not None and kind != "electrical":
        every.append(("wind off", electrical.psd, electrical.frequency_hz))
    for name, psd, hz in every:
        if psd is not None and hz.size > 1:
            yield name, psd, (float(hz[0]), float(hz[1] - hz[0]))
