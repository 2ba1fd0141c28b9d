"""The background runs of one run as spectra: their mean for any set of bands or lines, and the electrical floor."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.background_mean import (
    BackgroundMean,
    BackgroundScatter,
    between_speeds,
    electrical_change,
    mean_background,
    scatter_of,
    with_electrical_changes,
)
from tapeline.acoustics.band_levels import LineSpectra, Powers
from tapeline.arrays import Reals
from tapeline.campaign.backgrounds import Backgrounds, OtherGain
from tapeline.campaign.settings import Background
from tapeline.jobs.tables.session_spectra import RunSpectra

Key = tuple[float, tuple[str, ...], tuple[str, ...], tuple[str, ...] | None, tuple[tuple[str, tuple[str, ...]], ...]]
"""Speed, runs, positions, references and refusals: what a group of background spectra depends on."""

Sums = Callable[[LineSpectra], Powers]
"""How powers are made of spectra: summed to bands, or line by line."""


@dataclass(frozen=True)
class SpeedGroup:
    """Background runs at one speed in the run's order of positions; `used` (runs, positions) says which count."""

    speed_mps: float
    names: tuple[str, ...]
    spectra: tuple[LineSpectra, ...]
    used: NDArray[np.bool_]
    scatter: BackgroundScatter

    def at(self, index: list[int]) -> SpeedGroup:
        """The same at some positions alone, by their places."""
        scatter = BackgroundScatter(self.scatter.relative_variance[index], self.scatter.degrees_of_freedom[index])
        spectra = tuple(each.at(index) for each in self.spectra)
        return SpeedGroup(self.speed_mps, self.names, spectra, self.used[:, index], scatter)


@dataclass(frozen=True)
class GainStep:
    """A background run at another gain than the run, `more_db` (positions,) higher and NaN where it is not.

    `used` (positions,) says where it counts, `floor` holds the wind-off runs at its gain.
    """

    more_db: Reals
    used: NDArray[np.bool_]
    floor: SpeedGroup | None

    def at(self, index: list[int]) -> GainStep:
        """The same at some positions alone, by their places."""
        return GainStep(self.more_db[index], self.used[index], None if self.floor is None else self.floor.at(index))


@dataclass(frozen=True)
class RunBackground:
    """What is subtracted from one run, at which positions, and its wind-off level.

    Of the positions without a background, `refused` says where background runs must not be subtracted, `lost` where
    their channels are unusable, and `louder` where one was given up because it exceeds the run; all (positions,).
    `missing`: see Backgrounds.
    """

    kind: str | None
    speed_mps: float
    groups: tuple[SpeedGroup, ...]
    floor: SpeedGroup | None
    refused: NDArray[np.bool_]
    lost: NDArray[np.bool_]
    louder: NDArray[np.bool_]
    settings: Background
    gain_steps: tuple[GainStep, ...] = ()
    missing: bool = False

    def at(self, index: list[int]) -> RunBackground:
        """The same at some positions alone, by their places."""
        return dataclasses.replace(
            self,
            groups=tuple(group.at(index) for group in self.groups),
            floor=None if self.floor is None else self.floor.at(index),
            refused=self.refused[index],
            lost=self.lost[index],
            louder=self.louder[index],
            gain_steps=tuple(step.at(index) for step in self.gain_steps),
        )

    @property
    def there(self) -> NDArray[np.bool_]:
        """Which positions have a background, (positions,)."""
        has = ~self.louder & bool(self.groups)
        for group in self.groups:
            has = has & group.used.any(axis=0)
        return np.asarray(has)

    def mean(self, sums: Sums) -> BackgroundMean | None:
        """Mean powers of the background runs, NaN where a position has none; None where none has one."""
        if not self.there.any():
            return None
        found = [_mean(group, sums, self.settings) for group in self.groups]
        if len(found) == 1:
            return self._at_own_gain(found[0], sums)
        speeds = (self.groups[0].speed_mps, self.groups[1].speed_mps)
        model_db = self.settings.between_speeds_uncertainty_db
        return between_speeds(found[0], found[1], speeds, self.speed_mps, model_db)

    def _at_own_gain(self, mean: BackgroundMean, sums: Sums) -> BackgroundMean:
        """The mean with the electrical part of runs at another gain brought to that of the run, as far as known."""
        if not self.gain_steps:
            return mean
        unknown = Powers(*(np.full(mean.powers.power.shape, np.nan) for _ in range(2)))
        at_run = self.electrical(sums) or unknown
        changes = [
            electrical_change(
                unknown if step.floor is None else _mean(step.floor, sums, self.settings).powers,
                at_run,
                step.more_db[:, None],
                mean.powers.power,
            )
            for step in self.gain_steps
        ]
        used = np.array([step.used for step in self.gain_steps])
        return with_electrical_changes(mean, changes, used, self.groups[0].used.sum(axis=0))

    @property
    def gain_unknown(self) -> NDArray[np.bool_]:
        """Where a background at another gain is subtracted of which no wind-off run tells anything, (positions,)."""
        found = np.zeros(len(self.refused), dtype=bool)
        for step in self.gain_steps:
            told = [floor.used.any(axis=0) for floor in (self.floor, step.floor) if floor is not None]
            found |= step.used & ~np.any(told, axis=0) if told else step.used
        return found

    def electrical(self, sums: Sums) -> Powers | None:
        """Mean powers with the wind off, NaN where a position has none; None without wind-off runs."""
        return None if self.floor is None else _mean(self.floor, sums, self.settings).powers


def _mean(group: SpeedGroup, sums: Sums, settings: Background) -> BackgroundMean:
    parts = [sums(spectra) for spectra in group.spectra]
    return mean_background(parts, group.used, group.scatter, settings.spread_limit_db)


def run_background(
    found: Backgrounds,
    loaded: Mapping[str, RunSpectra],
    run: RunSpectra,
    settings: Background,
    sums: Sums,
    known: dict[Key, SpeedGroup | None],
) -> RunBackground:
    """Gather the spectra; `sums` are the bands by which the scatter of several runs is measured.

    `known` keeps groups that other runs of the session have too.
    """

    def group(speed_mps: float, names: Sequence[str], *, kept: bool) -> SpeedGroup | None:
        refused = tuple((r.background, r.positions) for r in found.refused if r.background in names)
        key = (speed_mps, tuple(names), run.positions, run.references if kept else None, refused)
        if key not in known:
            allowed = {name: [not found.refuses(name, position) for position in run.positions] for name in names}
            known[key] = _group(speed_mps, allowed, loaded, run, settings, sums, kept=kept)
        return known[key]

    def gain_steps() -> tuple[GainStep, ...]:
        return tuple(
            _gain_step(steps, made[0], loaded, run, settings, sums)
            for name in (made[0].names if len(made) == 1 else ())
            if (steps := [step for step in found.other_gain if step.background == name])
        )

    groups = [group(speed, names, kept=True) for speed, names in found.groups]
    made = tuple(each for each in groups if each is not None) if all(each is not None for each in groups) else ()
    nowhere = np.zeros(len(run.positions), dtype=bool)
    result = RunBackground(
        kind=found.kind if made else None,
        speed_mps=found.at_mps,
        groups=made,
        floor=group(0.0, found.floor, kept=False),
        refused=nowhere,
        lost=nowhere,
        louder=nowhere,
        settings=settings,
        gain_steps=gain_steps(),
        missing=found.missing,
    )
    beside = set(found.floor) - set(found.runs)
    gone = [r.positions or run.positions for r in found.refused if r.background not in beside]
    if any(_conditioned_otherwise(loaded, name, run) for name in found.runs):
        gone.append(run.positions)
    refused = np.array([any(name in names for names in gone) for name in run.positions], dtype=bool)
    bare = ~result.there
    return dataclasses.replace(result, refused=refused & bare, lost=bare & ~refused & bool(found.groups))


def _conditioned_otherwise(loaded: Mapping[str, RunSpectra], name: str, run: RunSpectra) -> bool:
    """Whether what references hear was removed from a run by other references than from its background run."""
    return name in loaded and loaded[name].references != run.references


def _gain_step(
    steps: Sequence[OtherGain],
    group: SpeedGroup,
    loaded: Mapping[str, RunSpectra],
    run: RunSpectra,
    settings: Background,
    sums: Sums,
) -> GainStep:
    """One background run's other gains, with the wind-off runs that have them where it has them."""
    place = {name: p for p, name in enumerate(run.positions)}
    more_db = np.full(len(place), np.nan)
    allowed: dict[str, NDArray[np.bool_]] = {}
    for step in steps:
        index = [place[name] for name in step.positions if name in place]
        more_db[index] = step.more_db
        for name in step.floor:
            allowed.setdefault(name, np.zeros(len(place), dtype=bool))[index] = True
    used = group.used[group.names.index(steps[0].background)] & np.isfinite(more_db)
    floor = _group(
        0.0, {name: flags.tolist() for name, flags in allowed.items()}, loaded, run, settings, sums, kept=False
    )
    return GainStep(more_db, used, floor)


def _group(
    speed_mps: float,
    allowed: Mapping[str, Sequence[bool]],
    loaded: Mapping[str, RunSpectra],
    run: RunSpectra,
    settings: Background,
    sums: Sums,
    *,
    kept: bool,
) -> SpeedGroup | None:
    """The runs that have spectra; unusable channels, and positions where a run is not `allowed`, do not count.

    `kept` lacks what references hear; then only runs with the same references as the run's own count.
    """
    there = [n for n in allowed if n in loaded and not (kept and _conditioned_otherwise(loaded, n, run))]
    if not there:
        return None
    selected = [loaded[name].select(run.positions, kept=kept) for name in there]
    used = np.array([usable for _, usable in selected], dtype=bool)
    used &= np.array([allowed[name] for name in there], dtype=bool)
    spectra = tuple(each for each, _ in selected)
    scatter = scatter_of([sums(each) for each in spectra], used, settings.repeat_sd_db)
    return SpeedGroup(speed_mps, tuple(there), spectra, used, scatter)
