"""Finished results as tables of pandas and arrays, for notebooks: what `tapeline.open` returns."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.analysis import joined_tables
from tapeline.analysis.joined_tables import BOUND, ITEM, JOINED, NOTHING, VALUE
from tapeline.analysis.results_folders import ResultsError, ResultsFolders, open_folders
from tapeline.arrays import Reals
from tapeline.campaign.faults import did_you_mean, listed, quoted
from tapeline.store.schema import Column
from tapeline.store.tables import BY_NAME, STATES

_WITH_EMPTY_CELLS = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
"""Types of pandas that have empty cells: else whole numbers become real ones, and yes or no any object."""


@dataclass(frozen=True)
class Spectrum:
    """One averaged spectrum of a run at a position: arrays of one shape, (lines,).

    Densities are one-sided, in Pa^2/Hz; levels are those of 1 Hz in dB re 20 uPa. NaN stands where a line has no
    value: `corrected_psd` where the line is only bounded by its background, the background where there is none.
    """

    campaign: str
    session: str
    run: str
    position: str
    frequency_hz: Reals
    psd: Reals
    background: Reals
    corrected_psd: Reals
    margin_db: Reals
    state: NDArray[np.str_]
    unusable: tuple[str, ...]

    @property
    def level_db(self) -> Reals:
        """Levels of the total density, background included."""
        return level_db(self.psd)

    @property
    def background_level_db(self) -> Reals:
        """Levels of the background's density."""
        return level_db(self.background)

    @property
    def corrected_level_db(self) -> Reals:
        """Levels after subtraction of the background; NaN where a line is a bound."""
        return level_db(self.corrected_psd)

    def frame(self) -> pd.DataFrame:
        """The lines as a table, one row a line.

        >>> import tapeline
        >>> lines = tapeline.open("results").spectrum("a05", "seam-right").frame()
        >>> lines[["frequency_hz", "level_db", "background_level_db", "state"]].head(2).round(1)
           frequency_hz  level_db  background_level_db  state
        0          20.0      79.7                 80.9  bound
        1          24.0      80.1                 79.7  bound
        """
        return pd.DataFrame(
            {
                "frequency_hz": self.frequency_hz,
                "psd_pa2_per_hz": self.psd,
                "background_psd_pa2_per_hz": self.background,
                "corrected_psd_pa2_per_hz": self.corrected_psd,
                "level_db": self.level_db,
                "background_level_db": self.background_level_db,
                "corrected_level_db": self.corrected_level_db,
                "margin_db": self.margin_db,
                "state": self.state,
            }
        )


class Results:
    """Finished results of one campaign or several, as tables of pandas.

    Every table begins with the column `campaign`. A joined table is made at its first use and is the same one at each:
    take a copy before you write into it.
    """

    def __init__(self, folders: ResultsFolders) -> None:
        self._folders = folders
        self._frames: dict[str, pd.DataFrame] = {}

    def _kept(self, name: str, made: Callable[[], pa.Table]) -> pd.DataFrame:
        if name not in self._frames:
            self._frames[name] = _frame(made())
        return self._frames[name]

    def __repr__(self) -> str:
        return f"Results of {', '.join(self.campaigns)}: {len(self.names)} tables"

    @property
    def campaigns(self) -> list[str]:
        """The names of the campaigns, in the order in which their folders were given.

        >>> import tapeline
        >>> tapeline.open("results").campaigns
        ['van-roof-seam']
        """
        return list(self._folders.by_campaign)

    @property
    def names(self) -> list[str]:
        """The names of the plain tables that these results have, see `table`.

        >>> import tapeline
        >>> tapeline.open("results").names[:3]
        ['runs', 'positions', 'checks']
        """
        return self._folders.names

    def table(self, name: str) -> pd.DataFrame:
        """A plain table as docs/tables.md describes it, bounds and unusable rows included.

        Raises ResultsError for a name that is no table, or one that these results do not have.

        >>> import tapeline
        >>> runs = tapeline.open("results").table("runs")
        >>> runs["kind"].value_counts().to_dict()
        {'measurement': 23, 'background': 5, 'calibration': 4}
        """
        return _frame(self._folders.table(name))

    def columns(self, name: str) -> pd.DataFrame:
        """What the columns of a table mean, of a joined or a plain one: type, unit, meaning, what an empty cell means.

        A joined table is meant where a plain one has the same name, as `treatments`: it has all of its columns.

        >>> import tapeline
        >>> tapeline.open("results").columns("levels").loc["level_db", "unit"]
        'dB re 20 uPa'
        """
        known: dict[str, tuple[Column, ...]] = {n: t.stored_columns for n, t in BY_NAME.items()} | JOINED
        if name not in known:
            raise ResultsError(f"found no table {quoted(name)}; {_nearest(name, known)}")
        rows = [(c.name, c.type, c.unit, c.description, c.null) for c in known[name]]
        return pd.DataFrame(rows, columns=["column", "type", "unit", "meaning", "empty means"]).set_index("column")

    @cached_property
    def _levels(self) -> pa.Table:
        return joined_tables.levels(self._folders)

    @property
    def levels(self) -> pd.DataFrame:
        """Overall and band levels of the used measurements, with condition, operating point, interval, state and use.

        >>> import tapeline
        >>> levels = tapeline.open("results").levels
        >>> one = levels.query("run == 'a05' and position == 'seam-right' and weighting == 'A'")
        >>> one[["condition", "given", "level_db", "lower_db", "upper_db"]].round(1)
           condition  given  level_db  lower_db  upper_db
        14      open  value     111.6     108.8     114.5
        """
        return self._kept("levels", lambda: self._levels)

    @property
    def condition_means(self) -> pd.DataFrame:
        """Mean levels of each condition at a position and operating point, with their intervals.

        >>> import tapeline
        >>> means = tapeline.open("results").condition_means
        >>> means.query("quantity == 'overall'")["given"].value_counts().to_dict()
        {'value': 146, 'bound': 14}
        """
        return self._kept("condition_means", lambda: joined_tables.condition_means(self._folders, self._levels))

    @property
    def differences(self) -> pd.DataFrame:
        """The comparisons of campaign.yaml: treatment minus reference, interval, finding, or why there is none.

        >>> import tapeline
        >>> found = tapeline.open("results").differences
        >>> found["given"].value_counts().to_dict()
        {'value': 750, 'nothing': 145, 'bound': 17}
        """
        return self._kept("differences", lambda: joined_tables.differences(self._folders))

    @property
    def treatments(self) -> pd.DataFrame:
        """What each condition gains against the untreated one, and what it leaves to be gained.

        >>> import tapeline
        >>> gains = tapeline.open("results").treatments
        >>> sorted(gains["condition"].unique())
        ['front', 'sealed']
        """
        return self._kept("treatments", lambda: joined_tables.treatments(self._folders))

    @property
    def tones(self) -> pd.DataFrame:
        """The tones of every run and position; without those of channels that cannot be used.

        >>> import tapeline
        >>> tones = tapeline.open("results").tones
        >>> loudest = tones.sort_values("level_db").iloc[-1]
        >>> loudest["position"], round(loudest["frequency_hz"])
        ('rail-recess', 520)
        """
        return self._kept("tones", lambda: joined_tables.tones(self._folders))

    def mean_levels(self, *by: str, of: pd.DataFrame | None = None) -> pd.DataFrame:
        """Mean levels over runs by the columns `by` of `levels`, each band and overall level for itself; in dB.

        Only comparable rows are averaged; `left_out` counts the others. Where a bound is among them the mean is one
        too: `upper_bound_db`, and `level_db` is empty. `of` is a part of `levels`, by default all of it. Bands and
        campaigns are never averaged over.

        >>> import tapeline
        >>> results = tapeline.open("results")
        >>> means = results.mean_levels("condition", "speed_mps", of=results.levels.query("position == 'line-1'"))
        >>> means.query("weighting == 'A'")[["condition", "given", "level_db", "runs", "left_out"]].round(1)
            condition  given  level_db  runs  left_out
        17      front  value     107.1     2         0
        36      front  value     111.1     2         0
        55       open  value     108.0     4         0
        74       open  value     113.1     4         0
        93     sealed  value     106.6     4         0
        112    sealed  value     110.8     4         0
        """
        rows = self.levels if of is None else of
        items = [item.name for item in ITEM]
        needed = ["campaign", *by, *items, "given", "level_db", "upper_bound_db", "comparable"]
        if absent := [name for name in needed if name not in rows.columns]:
            raise ResultsError(f"levels have no column {quoted(absent[0])}; {_nearest(absent[0], rows.columns)}")
        keys = list(dict.fromkeys(["campaign", *by, *items]))
        counted = rows["comparable"].astype(bool) & (rows["given"] != NOTHING)
        made = rows[keys].assign(
            end=rows["level_db"].fillna(rows["upper_bound_db"]).where(counted),
            power=(10.0 ** (rows["level_db"].fillna(rows["upper_bound_db"]) / 10.0)).where(counted),
            bound=counted & (rows["given"] == BOUND),
            counted=counted,
        )
        groups = made.groupby(keys, dropna=False)
        found = groups.agg(
            level_db=("end", "mean"), power=("power", "mean"), bound=("bound", "any"), runs=("counted", "sum"),
            rows=("counted", "size"),
        ).reset_index()  # fmt: skip
        given = np.where(found["runs"] == 0, NOTHING, np.where(found["bound"], BOUND, VALUE))
        return found[keys].assign(
            given=given,
            level_db=found["level_db"].where(given == VALUE),
            upper_bound_db=(10.0 * np.log10(found["power"])).where(given == BOUND),
            runs=found["runs"],
            left_out=found["rows"] - found["runs"],
        )

    def spectrum(
        self, run: str, position: str, *, campaign: str | None = None, even_unusable: bool = False
    ) -> Spectrum:
        """The averaged spectrum of a run at a position, with its background.

        Raises ResultsError for an unknown run or position, and for a channel that cannot be used, unless
        `even_unusable`: then the spectrum says why in `unusable`, and has no corrected density.

        >>> import tapeline
        >>> spectrum = tapeline.open("results").spectrum("a05", "seam-right")
        >>> loudest = spectrum.psd.argmax()
        >>> print(f"{spectrum.frequency_hz[loudest]:.0f} Hz: {spectrum.level_db[loudest]:.1f} dB")
        856 Hz: 81.1 dB
        """
        found, unusable = self._found("narrowband", run, position, campaign, even_unusable)
        row = found.to_pylist()[0]
        psd = _reals(row["psd_pa2_per_hz"])
        empty = np.full(psd.shape, np.nan)
        corrected = empty if unusable else _reals(row["corrected_psd_pa2_per_hz"])
        state = np.array([STATES[index] for index in row["state"] or ()], dtype=np.str_)
        return Spectrum(
            campaign=row["campaign"],
            session=row["session"],
            run=run,
            position=position,
            frequency_hz=(row["first_hz"] or 0.0) + row["step_hz"] * np.arange(psd.size),
            psd=psd,
            background=_or_empty(row["background_psd_pa2_per_hz"], empty),
            corrected_psd=corrected if corrected.size == psd.size else empty,
            margin_db=_or_empty(row["margin_db"], empty),
            state=state if state.size == psd.size else np.full(psd.shape, "none"),
            unusable=unusable,
        )

    def history(
        self, run: str, position: str, *, campaign: str | None = None, even_unusable: bool = False
    ) -> pd.DataFrame:
        """The levels of a run at a position against time, one row a weighting and interval, background included.

        Errors as of `spectrum`.

        >>> import tapeline
        >>> history = tapeline.open("results").history("a05", "seam-right")
        >>> history.query("weighting == 'A'")[["time_s", "level_db"]].head(2).round(1)
           time_s  level_db
        0     0.0     111.9
        1     0.1     111.3
        """
        return _frame(self._found("history", run, position, campaign, even_unusable)[0])

    def _found(
        self, name: str, run: str, position: str, campaign: str | None, even_unusable: bool
    ) -> tuple[pa.Table, tuple[str, ...]]:
        """The rows of a run at a position, at least one, and the reasons why the channel cannot be used."""
        only, unusable = self._place(run, position, campaign, even_unusable)
        found = self._folders.table(name, [("run", "==", run), ("position", "==", position)], only=only)
        if found.num_rows == 0:
            raise ResultsError(
                f"run {run} has nothing at {position} in the table {name}; see its status in the table runs"
            )
        return found, unusable

    @cached_property
    def _unusable(self) -> dict[tuple[str, str, str], list[str]]:
        return joined_tables.unusable_channels(self._folders)

    @cached_property
    def _runs(self) -> set[tuple[str, str]]:
        runs = self._folders.table("runs").select(["campaign", "run"])
        return set(zip(*(column.to_pylist() for column in runs.columns), strict=True))

    @cached_property
    def _positions(self) -> set[str]:
        return set(self._folders.table("positions")["position"].to_pylist())

    def _place(self, run: str, position: str, campaign: str | None, even_unusable: bool) -> tuple[str, tuple[str, ...]]:
        """The campaign, and the reasons why the channel cannot be used; refuses what is not known."""
        if campaign is not None and campaign not in self.campaigns:
            raise ResultsError(f"found no campaign {quoted(campaign)}; {_nearest(campaign, self.campaigns)}")
        among = [name for name in self.campaigns if (name, run) in self._runs and campaign in (None, name)]
        if not among:
            raise ResultsError(f"found no run {quoted(run)}; {_nearest(run, [name for _, name in self._runs])}")
        if len(among) > 1:
            raise ResultsError(f"run {run} is in {' and in '.join(among)}; say which with campaign=")
        if position not in self._positions:
            raise ResultsError(f"found no position {quoted(position)}; {_nearest(position, self._positions)}")
        reasons = self._unusable.get((among[0], run, position))
        if reasons is not None and not even_unusable:
            why = ", ".join(reasons) or "see the table quality"
            raise ResultsError(
                f"run {run} cannot be used at {position} ({why}); even_unusable=True gives it all the same"
            )
        return among[0], tuple(reasons or ())


def open_results(results: str | os.PathLike[str] | Iterable[str | os.PathLike[str]]) -> Results:
    """What `tapeline.open` returns."""
    named = [results] if isinstance(results, str | os.PathLike) else list(results)
    return Results(open_folders([Path(each) for each in named]))


def _frame(table: pa.Table) -> pd.DataFrame:
    """The table with types of pandas; lists are arrays."""
    return table.to_pandas(types_mapper=_WITH_EMPTY_CELLS.get)


def _nearest(name: str, known: Iterable[str]) -> str:
    names = sorted(set(known))
    return did_you_mean(name, names) or f"expected {listed(names, 6)}"


def _reals(values: Iterable[float | None] | None) -> Reals:
    return np.array([np.nan if value is None else value for value in values or ()], dtype=np.float64)


def _or_empty(values: Iterable[float | None] | None, empty: Reals) -> Reals:
    found = _reals(values)
    return found if found.size == empty.size else empty
