"""Levels as a fit over speed takes them, from the finished tables: achieved speeds, air of the reference density."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tapeline.acoustics import nominal_point
from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row

Part: TypeAlias = Literal["in the fit", "left out", "no fit", "bound"]
"""A level is "left out" of the fit for the reasons that its row gives; "no fit" is one that no exponent was had of."""


@dataclass(frozen=True)
class SpeedLevel:
    """A run's level (dB) at the speed it achieved, in air of the reference density; `band_hz` None of an overall one.

    `level_db` of a bound is the bound. `midband_hz` and the edges are the exact ones of a band. `background_source`
    says what background was subtracted, None where the table does not tell; `doubtful` is the channel's verdict.
    """

    run: str
    part: Part
    nominal_mps: float
    speed_mps: float
    level_db: float
    band_hz: float | None = None
    midband_hz: float | None = None
    lower_hz: float | None = None
    upper_hz: float | None = None
    background_source: str | None = None
    doubtful: bool = False


@dataclass(frozen=True)
class SpeedSeries:
    """A row of the table `scaling` with the levels behind it."""

    row: Row
    levels: tuple[SpeedLevel, ...]

    @property
    def fitted(self) -> bool:
        """Whether there is a line."""
        return self.row["exponent"] is not None

    @property
    def doubtful(self) -> bool:
        """Whether the line rests on a level of a doubtful channel."""
        return any(level.doubtful for level in self.levels if level.part == "in the fit")


def line_db(row: Row, speed_mps: float) -> float:
    """L_ref + 10 n lg(U / U_ref) of a row of the table `scaling` that has an exponent."""
    rise: float = 10.0 * row["exponent"] * math.log10(speed_mps / row["reference_speed_mps"])
    return float(row["level_at_reference_db"]) + rise


def achieved_speed_mps(campaign: Campaign, run: Row) -> float:
    """The measured speed of a row of the run table, else that of the dynamic pressure given, else the nominal one."""
    given = campaign.runs.get(run["run"])
    pressure_pa = None if given is None else given.dynamic_pressure_pa
    measured, density, nominal = run["measured_speed_mps"], run["air_density_kgm3"], run["speed_mps"]
    return float(nominal_point.achieved_speed_mps(measured, pressure_pa, density, nominal))


def in_reference_air_db(campaign: Campaign, run: Row) -> float:
    """What is added to a level of a run to have it in air of the reference density."""
    return -20.0 * math.log10(run["air_density_kgm3"] / campaign.settings.operating_point.reference_density_kgm3)


def runs_of(tables: FinishedTables, series: Row) -> tuple[str, ...]:
    """All used runs of a row's condition, session and yaw with a flow speed, whether their levels are in it or not."""
    names = ("condition", "session", "yaw_deg")
    return tuple(
        run["run"]
        for run in tables.used_measurements
        if (run["speed_mps"] or 0.0) > 0.0 and all(run[name] == series[name] for name in names)
    )


def overall_series(tables: FinishedTables, campaign: Campaign, rows: Iterable[Row]) -> list[SpeedSeries]:
    """Rows of the table `scaling` on overall levels, each with the levels of its runs."""
    names = ("position", "weighting", "lowest_band_hz", "highest_band_hz")
    levels = {(row["run"], *(row[name] for name in names)): row for row in tables.overall}
    made = []
    for row in rows:
        of_runs = ((run, levels.get((run, *(row[name] for name in names)))) for run in runs_of(tables, row))
        found = {run: level for run, level in of_runs if level is not None}
        made.append(SpeedSeries(row, tuple(_speed_levels(tables, campaign, row, found))))
    return made


def band_levels(tables: FinishedTables, campaign: Campaign, series: Row) -> list[SpeedLevel]:
    """The band levels that a row of the table `collapse` rests on, by band and run.

    A band counts where the table `scaling` has its exponent, that is where it has levels at two speeds, with the runs
    named there.
    """
    fits = {row["band_hz"]: row for row in tables.band_scaling(series) if row["exponent"] is not None}
    runs = sorted({run for row in fits.values() for run in row["runs"]})
    found: dict[float, dict[str, Row]] = {}
    for level in tables.band_rows(series["session"], runs, (series["position"],)):
        found.setdefault(level["band_hz"], {})[level["run"]] = level
    return [
        level
        for band, fit in sorted(fits.items())
        for level in _speed_levels(tables, campaign, fit, found.get(band, {}))
        if level.part == "in the fit"
    ]


def _speed_levels(
    tables: FinishedTables, campaign: Campaign, fit: Row, levels: Mapping[str, Row]
) -> Iterable[SpeedLevel]:
    """Levels of some runs; those of unusable channels, and what is neither level nor bound, are not there."""
    for name, level in levels.items():
        if not level["usable"]:
            continue
        bound = level["state"] == "bound"
        value = level["upper_bound_db"] if bound else level["corrected_level_db"]
        if value is None:
            continue
        run = tables.run_by_name[name]
        yield SpeedLevel(
            run=name,
            part="bound" if bound else _part(fit, name),
            nominal_mps=float(run["speed_mps"]),
            speed_mps=achieved_speed_mps(campaign, run),
            level_db=value + in_reference_air_db(campaign, run),
            band_hz=fit["band_hz"],
            midband_hz=fit["midband_hz"],
            lower_hz=fit["lower_hz"],
            upper_hz=fit["upper_hz"],
            background_source=level.get("background_source"),
            doubtful=bool(level["doubt"]),
        )


def _part(fit: Row, run: str) -> Part:
    if run not in fit["runs"]:
        return "left out"
    return "no fit" if fit["exponent"] is None else "in the fit"


def speeds_of(levels: Sequence[SpeedLevel]) -> list[float]:
    """The nominal speeds, in order."""
    return sorted({level.nominal_mps for level in levels})
