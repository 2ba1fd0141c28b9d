"""A campaign as one object: settings, tables and charts, free of faults."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from tapeline.campaign.charts import Chart
from tapeline.campaign.faults import Fault
from tapeline.campaign.operating_points import operating_points
from tapeline.campaign.outlines import Outline
from tapeline.campaign.settings import Settings
from tapeline.campaign.tables import Calibrator, Cavity, Fitting, LeftOut, Override, Position, Run, Sensor


@dataclass(frozen=True)
class Campaign:
    """All that the user wrote. Dictionaries keep the order of the tables; `charts` is by sensor."""

    root: Path
    settings: Settings
    runs: dict[str, Run]
    positions: dict[str, Position]
    fittings: tuple[Fitting, ...]
    sensors: dict[str, Sensor]
    calibrators: dict[str, Calibrator]
    cavities: dict[str, Cavity]
    overrides: tuple[Override, ...]
    left_out: tuple[LeftOut, ...]
    charts: dict[str, Chart]
    warnings: tuple[Fault, ...]
    outlines: tuple[Outline, ...] = ()

    @cached_property
    def sessions(self) -> tuple[str, ...]:
        """The sessions of the runs, in order of first appearance."""
        return tuple(dict.fromkeys(run.session for run in self.runs.values()))

    @cached_property
    def _fittings_by_session(self) -> dict[str, tuple[Fitting, ...]]:
        gathered: dict[str, list[Fitting]] = {}
        for fitting in self.fittings:
            gathered.setdefault(fitting.session, []).append(fitting)
        return {name: tuple(sorted(group, key=lambda row: row.channel)) for name, group in gathered.items()}

    def fittings_of(self, session: str) -> tuple[Fitting, ...]:
        """The fittings of one session by channel; empty where there are none."""
        return self._fittings_by_session.get(session, ())

    def recording_paths(self, run: Run) -> tuple[Path, ...]:
        """The files of a run's recording, in order."""
        return recording_paths(self.root, self.settings, run)

    @property
    def file_warnings(self) -> tuple[Fault, ...]:
        """Warnings on the files that the report prints as they are; what backgrounds a run lacks its tables say."""
        return tuple(warning for warning in self.warnings if warning.column != "background")

    @property
    def results(self) -> Path:
        """The folder for all that is computed."""
        return self.root / self.settings.results

    @cached_property
    def _superseded(self) -> dict[str, str]:
        return superseded(self.runs)

    def superseded(self) -> dict[str, str]:
        """Each run that was taken again, and the run that replaces it."""
        return dict(self._superseded)

    def used_runs(self) -> tuple[Run, ...]:
        """The runs that count: `use` is yes and no later take replaces them."""
        return tuple(run for run in self.runs.values() if run.use and run.run not in self._superseded)

    @cached_property
    def operating_points(self) -> dict[str, tuple[float, float]]:
        """Nominal speed in m/s and yaw in degrees of every run that has a speed."""
        return operating_points(self.runs.values(), self.settings)


def recording_paths(root: Path, settings: Settings, run: Run) -> tuple[Path, ...]:
    """The files of a run's recording below the campaign folder `root`, in order."""
    folder = root / settings.recordings
    return tuple(folder / part for part in run.recordings)


def superseded(runs: dict[str, Run]) -> dict[str, str]:
    """Each run that a used run replaces, directly or through takes in between that are not used themselves.

    The value is the nearest used take; of two that replace the same run, the one further down in the table.
    """
    replaced: dict[str, str] = {}
    for run in runs.values():
        if run.use:
            for older in _unused_takes_below(run, runs):
                replaced[older] = run.run
    return replaced


def _unused_takes_below(run: Run, runs: dict[str, Run]) -> Iterator[str]:
    """Names of the takes that `run` replaces: the next one, and on as long as takes are not used."""
    seen = {run.run}
    older = run.replaces
    while older is not None and older in runs and older not in seen:
        seen.add(older)
        yield older
        if runs[older].use:
            return
        older = runs[older].replaces
