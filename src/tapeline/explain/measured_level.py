"""One published level with all that it was made from, as the job `tables` made it: bands, backgrounds, sums."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from tapeline.acoustics.band_levels import shares_of
from tapeline.acoustics.bands import Bands, LineShares, bands_between
from tapeline.acoustics.overall import OverallSum, added_powers
from tapeline.acoustics.weightings import Weighting
from tapeline.arrays import Reals
from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import AskedItem
from tapeline.explain.made_results import require_made
from tapeline.jobs import sensitivity, spectra, tables, verdicts
from tapeline.jobs.spectra import history_file
from tapeline.jobs.table_files import session_table
from tapeline.jobs.tables import SessionRun
from tapeline.jobs.tables.level_uncertainty import LevelTerms, frequency_terms, level_terms, over_bands
from tapeline.jobs.tables.overall_columns import levels_of_sum, summed_levels
from tapeline.jobs.tables.run_background import Sums
from tapeline.jobs.tables.session_levels import (
    Levels,
    Measured,
    SessionJob,
    band_powers_of,
    levels_of,
    load_job,
    measured_run,
)
from tapeline.jobs.tables.usable_bands import with_levels
from tapeline.store import parquet
from tapeline.store.tables import BANDS, OVERALL

if TYPE_CHECKING:
    from tapeline.acoustics.background import Subtraction


@dataclass(frozen=True)
class MeasuredLevel:
    """A level of a run at place `p` of its positions.

    `bands` are those that it sums: one for a band level, `b` then is its place among those of `levels` and else None.
    `levels` are the weighted levels of bands, `one` and `summed` those of an overall level's sum.
    """

    plan: Plan
    run: str
    position: str
    item: AskedItem
    session_run: SessionRun
    job: SessionJob
    measured: Measured
    p: int
    bands: Bands
    levels: Levels
    b: int | None
    one: Levels | None = None
    summed: OverallSum | None = None

    @property
    def weighting(self) -> Weighting:
        """The frequency weighting of the level."""
        return self.item.weighting  # type: ignore[return-value]

    @property
    def sums(self) -> Sums:
        """How powers of the bands are made of spectra."""
        return band_powers_of(self.bands, self.weighting, self.job.needs.bands.method)

    @property
    def result(self) -> Subtraction:
        """The subtraction of the level itself: of the band, or of the sum."""
        return self.levels.result if self.summed is None else self.summed.result

    def at(self, values: Any) -> float:
        """The level's own entry of an array of the shape of its result's."""
        return float(values[self.p] if self.b is None else values[self.p, self.b])

    @property
    def places(self) -> list[int]:
        """The places of the bands that it is made of, among those of `levels`."""
        return list(range(len(self.bands))) if self.b is None else [self.b]

    @property
    def added_pa2(self) -> Reals:
        """What each band adds to the corrected power, (bands,)."""
        return np.asarray(added_powers(self.levels.result)[self.p])

    @property
    def gain_change_pa2(self) -> Reals | None:
        """What other gains of background runs changed of their mean in each band, (bands,); None where there is none.

        Their electrical part is brought to the run's gain.
        """
        found, below = self.measured.background, self.levels.below
        if below is None or not any(step.used[self.p] for step in found.gain_steps):
            return None
        group = found.groups[0]
        used = zip(group.spectra, group.used[:, self.p], strict=True)
        mean = np.mean([self.sums(each).power[self.p] for each, use in used if use], axis=0)
        return np.asarray(below.power[self.p] - mean)

    @property
    def shares(self) -> list[LineShares]:
        """The share of spectral lines in each of the bands."""
        return shares_of(self.bands, self.measured.run.spectra, self.job.needs.bands.method)

    @property
    def terms(self) -> LevelTerms:
        """The terms of the level's uncertainty, in the order of `LEVEL_TERMS`, (terms, ...)."""
        terms = frequency_terms(self.job, self.measured, self.bands.midband_hz)
        if self.summed is None or self.one is None:
            return level_terms(self.job, self.measured, self.levels, terms)
        of_sum = levels_of_sum(self.levels, self.one, self.summed.result)
        return level_terms(self.job, self.measured, of_sum, over_bands(terms, self.levels.total))


def require_levels_made(plan: Plan, run: str) -> None:
    """Raises NotExplainedError where anything that a run's levels are made from is not made or does not fit."""
    session = plan.session_of(run)
    needed = sorted({run, *plan.backgrounds[run].needed})
    for name in needed:
        require_made(plan, spectra.JOB, name)
    for name in sorted({plan.session_of(each) for each in needed}):
        require_made(plan, sensitivity.JOB, name)
        require_made(plan, verdicts.JOB, name)
    require_made(plan, tables.JOB, session)


LevelRow: TypeAlias = Mapping[str, Any]
"""A row of the table of bands or of overall levels, which share most of their columns."""


def level_table(plan: Plan, run: str, item: AskedItem) -> Path:
    """The file that holds the level."""
    table = BANDS if item.range_hz is None else OVERALL
    return session_table(plan.results, table.name, plan.session_of(run))


def level_rows(plan: Plan, session_run: str, position: str, item: AskedItem, runs: Sequence[str]) -> list[LevelRow]:
    """The rows of the same level of some runs of one session, in their order; those without a row are not there."""
    path = level_table(plan, session_run, item)
    at: list[tuple[str, str, Any]] = [("run", "in", list(runs)), ("position", "==", position)]
    if item.range_hz is None:
        at.append(("band_hz", "==", item.band_hz))
    else:
        low, high = item.range_hz
        at += [("weighting", "==", item.weighting), ("lowest_band_hz", "==", low), ("highest_band_hz", "==", high)]
    found = {row["run"]: row for row in parquet.read_where(path, at).to_pylist()}
    return [found[name] for name in runs if name in found]


def measured_level(plan: Plan, run: str, position: str, item: AskedItem) -> MeasuredLevel:
    """The level with what it was made from; the run has levels at the position."""
    needs = tables.needs(plan, plan.session_of(run))
    own = next(each for each in needs.runs if each.run == run)
    beside = tuple(name for name in own.backgrounds.needed if name != run)
    sessions = tuple(sorted({plan.session_of(name) for name in (run, *beside)}))
    job = load_job(plan.results, dataclasses.replace(needs, runs=(own,), backgrounds=beside, sessions=sessions))
    measured = measured_run(job, own, parquet.read(history_file(plan.results, run)))
    p = measured.run.positions.index(position)
    if item.range_hz is None:
        bands = bands_between(needs.bands.fraction, *needs.bands.range_hz)
        levels = levels_of(job, measured, band_powers_of(bands, "Z", needs.bands.method))
        b = int(np.flatnonzero(bands.nominal_hz == item.band_hz)[0])
        return MeasuredLevel(plan, run, position, item, own, job, measured, p, bands, levels, b)
    asked = bands_between(needs.bands.fraction, *item.range_hz)
    usable = with_levels(measured.run, asked, needs.bands, job.filters, job.left_out)[p]
    bands = asked.chosen(usable)
    levels, one, summed = summed_levels(job, measured, item.weighting, bands)  # type: ignore[arg-type]
    return MeasuredLevel(plan, run, position, item, own, job, measured, p, bands, levels, None, one, summed)
