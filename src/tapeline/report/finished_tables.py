"""The finished tables as the report reads them: small ones whole, large ones a slice at a time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tapeline.arrays import Reals
from tapeline.store import parquet
from tapeline.store.tables import BY_NAME

Row: TypeAlias = Mapping[str, Any]

BAND_COLUMNS = (
    "run",
    "position",
    "band_hz",
    "midband_hz",
    "lower_hz",
    "upper_hz",
    "background_level_db",
    "corrected_level_db",
    "upper_bound_db",
    "state",
    "background_source",
    "marks",
    "quality",
    "calibration",
    "doubt",
    "usable",
    "comparable",
)
SMALL_TABLES = ("runs", "positions", "checks", "calibration", "quality", "comparisons", "ranking")


@dataclass(frozen=True)
class Spectrum:
    """One averaged spectrum: `frequency_hz`, `psd` and `background` (Pa^2/Hz) of one shape, (lines,)."""

    run: str
    position: str
    frequency_hz: Reals
    psd: Reals
    background: Reals | None


@dataclass(frozen=True)
class FinishedTables:
    """The tables of one results folder. The small ones are rows; bands, spectra and histories are read on demand."""

    folder: Path
    runs: tuple[Row, ...]
    positions: tuple[Row, ...]
    checks: tuple[Row, ...]
    calibration: tuple[Row, ...]
    quality: tuple[Row, ...]
    comparisons: tuple[Row, ...]
    ranking: tuple[Row, ...]

    @cached_property
    def run_by_name(self) -> dict[str, Row]:
        """The run table's rows by run."""
        return {row["run"]: row for row in self.runs}

    @cached_property
    def bands(self) -> dict[str, pa.Table]:
        """The band levels by session, with the columns that the report needs."""
        return parquet.read_partitions(self.folder / "bands", BAND_COLUMNS)

    @cached_property
    def overall(self) -> tuple[Row, ...]:
        """The overall levels of all sessions, each row with its `session`."""
        return tuple(
            {"session": session, **row}
            for session, table in parquet.read_partitions(self.folder / "overall").items()
            for row in table.to_pylist()
        )

    @cached_property
    def sensor_by_place(self) -> dict[tuple[str, str], str]:
        """The sensor by session and position, where one is stated."""
        return {(row["session"], row["position"]): row["sensor"] for row in self.calibration if row["sensor"]}

    @cached_property
    def overall_by_place(self) -> dict[tuple[str, str, str, float, float], Row]:
        """The overall levels by run, position, weighting and range asked for."""
        names = ("run", "position", "weighting", "lowest_band_hz", "highest_band_hz")
        return {tuple(row[name] for name in names): row for row in self.overall}

    def band_rows(self, session: str, runs: Sequence[str], positions: Sequence[str] | None = None) -> list[Row]:
        """The band levels of some runs and positions of one session; of all positions where none are named."""
        table = self.bands.get(session)
        if table is None or table.num_rows == 0:
            return []
        wanted = _among(table["run"], runs)
        if positions is not None:
            wanted = pc.and_(wanted, _among(table["position"], positions))
        rows: list[Row] = table.filter(wanted).to_pylist()
        return rows

    @cached_property
    def used_measurements(self) -> tuple[Row, ...]:
        """The run table's rows of measurements that are used."""
        return tuple(row for row in self.runs if row["kind"] == "measurement" and row["status"] == "used")

    @cached_property
    def band_states(self) -> list[Row]:
        """How many bands of each session, run and position are in which state, unusable channels apart: `bands`."""
        counts: list[Row] = []
        for session, table in self.bands.items():
            usable = table.filter(pc.and_(pc.is_valid(table["state"]), pc.not_equal(table["quality"], "unusable")))
            keys = ["run", "position", "state", "background_source"]
            grouped = usable.group_by(keys, use_threads=False).aggregate([("band_hz", "count")])
            counts += [{"session": session, "bands": row.pop("band_hz_count"), **row} for row in grouped.to_pylist()]
        return sorted(counts, key=lambda row: tuple(row[name] or "" for name in ("session", *keys)))

    def spectra(self, session: str, runs: Sequence[str], positions: Sequence[str]) -> list[Spectrum]:
        """The narrowband spectra of some runs and positions of one session."""
        columns = ["run", "position", "first_hz", "step_hz", "psd_pa2_per_hz", "background_psd_pa2_per_hz"]
        table = self._part("narrowband", session, runs, positions, columns)
        return [] if table is None else [_spectrum(table, index) for index in range(table.num_rows)]

    def history(self, session: str, runs: Sequence[str], positions: Sequence[str], weighting: str) -> list[Row]:
        """The levels against time of some runs and positions of one session in one weighting."""
        columns = ["run", "position", "weighting", "time_s", "level_db"]
        table = self._part("history", session, runs, positions, columns)
        if table is None:
            return []
        rows: list[Row] = table.filter(pc.equal(table["weighting"], weighting)).to_pylist()
        return rows

    def spectrogram(self, session: str, runs: Sequence[str], positions: Sequence[str]) -> list[Row]:
        """The spectra against time of some runs and positions of one session; none where they were not asked for."""
        columns = ["run", "position", "time_s", "averaged_s", "first_hz", "step_hz", "psd_pa2_per_hz"]
        table = self._part("spectrogram", session, runs, positions, columns)
        rows: list[Row] = [] if table is None else table.to_pylist()
        return rows

    def budgets(self, position: str, sessions: str, speed_mps: float, yaw_deg: float) -> list[Row]:
        """The uncertainty budgets of the bands of one position at one operating point."""
        at = [("position", "==", position), ("session_label", "==", sessions), ("quantity", "==", "band")]
        return self._campaign_rows("budgets", [*at, ("speed_mps", "==", speed_mps), ("yaw_deg", "==", yaw_deg)])

    def absolute_levels(self, session: str, speed_mps: float, yaw_deg: float, quantity: str) -> list[Row]:
        """Mean levels of all conditions and positions at one operating point, with their absolute intervals."""
        at = [("budget", "==", "absolute"), ("session_label", "==", session), ("quantity", "==", quantity)]
        return self._campaign_rows("budgets", [*at, ("speed_mps", "==", speed_mps), ("yaw_deg", "==", yaw_deg)])

    @cached_property
    def overall_scaling(self) -> tuple[Row, ...]:
        """The exponents of speed of all overall levels."""
        return tuple(self.overall_rows("scaling"))

    def band_scaling(self, series: Row) -> list[Row]:
        """The exponents of speed of all bands of the condition, session, position and yaw of the row `series`."""
        at = [(name, "==", series[name]) for name in ("condition", "session", "position", "yaw_deg")]
        return self._campaign_rows("scaling", [*at, ("quantity", "==", "band")])

    @cached_property
    def collapse(self) -> tuple[Row, ...]:
        """How spectra fall together over Strouhal number and over frequency."""
        return tuple(self._campaign_rows("collapse"))

    def repeatability(self, quantity: str, condition: str | None = None) -> list[Row]:
        """Scatter within and between sessions, of bands or of overall levels; of one condition or of all."""
        chosen = [("quantity", "==", quantity), *([("condition", "==", condition)] if condition is not None else [])]
        return self._campaign_rows("repeatability", chosen)

    @cached_property
    def tones(self) -> tuple[Row, ...]:
        """The tones of every run and position."""
        return tuple(self._campaign_rows("tones"))

    @cached_property
    def tone_tracks(self) -> tuple[Row, ...]:
        """Tones followed over speed."""
        return tuple(self._campaign_rows("tone_tracks"))

    @cached_property
    def tone_differences(self) -> tuple[Row, ...]:
        """What the comparisons change of tones."""
        return tuple(self._campaign_rows("tone_differences"))

    @cached_property
    def lines(self) -> tuple[Row, ...]:
        """What the lines of sensors tell, run by run and band by band; none where there is no line."""
        parts = parquet.read_partitions(self.folder / "lines")
        return tuple({"session": session, **row} for session, table in parts.items() for row in table.to_pylist())

    @cached_property
    def treatments(self) -> tuple[Row, ...]:
        """What each condition gains and leaves, of overall levels; none where no condition is the untreated one."""
        return tuple(self.overall_rows("treatments"))

    @cached_property
    def control_values(self) -> list[Row]:
        """The reference condition's overall levels session by session."""
        return self._campaign_rows("control_values")

    @cached_property
    def repeat_tests(self) -> list[Row]:
        """Pairs of repeats held against each other."""
        return self._campaign_rows("repeat_tests")

    def _campaign_rows(self, name: str, chosen: list[tuple[str, str, Any]] | None = None) -> list[Row]:
        path = self.folder / f"{name}.parquet"
        rows: list[Row] = parquet.read_where(path, chosen).to_pylist() if path.is_file() else []
        return rows

    def overall_rows(self, name: str) -> list[Row]:
        """The rows on overall levels of a table of the whole campaign that holds bands too; read once."""
        if name not in self._overall_of:
            self._overall_of[name] = self._campaign_rows(name, [("quantity", "==", "overall")])
        return list(self._overall_of[name])

    @cached_property
    def _overall_of(self) -> dict[str, list[Row]]:
        return {}

    def line_differences(self, view: tuple[str, str, str, float, float], positions: Sequence[str]) -> list[Row]:
        """The differences line by line of some positions: comparison, both sessions, speed and yaw make the view."""
        names = ("comparison", "reference_session", "treatment_session", "speed_mps", "yaw_deg")
        chosen: list[tuple[str, str, Any]] = [(name, "==", value) for name, value in zip(names, view, strict=True)]
        return self._campaign_rows("line_differences", [*chosen, ("position", "in", list(positions))])

    @cached_property
    def runs_with_flow_bins(self) -> frozenset[str]:
        """Runs with levels by measured speed and yaw."""
        parts = parquet.read_partitions(self.folder / "flow_bins", ("run",))
        return frozenset(run for table in parts.values() for run in table["run"].to_pylist())

    def _part(
        self, name: str, session: str, runs: Sequence[str], positions: Sequence[str], columns: list[str]
    ) -> pa.Table | None:
        path = self.folder / name / f"session={session}" / "part-0.parquet"
        if not runs or not positions or not path.is_file():
            return None
        chosen = [("run", "in", list(runs)), ("position", "in", list(positions))]
        return parquet.read_where(path, chosen, columns)


def reals(rows: Sequence[Row], name: str) -> list[float]:
    """A column of some rows for a figure: NaN where a cell is empty."""
    return [math.nan if row[name] is None else float(row[name]) for row in rows]


def _among(column: pa.ChunkedArray, names: Sequence[str]) -> pa.ChunkedArray:
    return pc.is_in(column, value_set=pa.array(list(names), type=pa.string()))


def _spectrum(table: pa.Table, index: int) -> Spectrum:
    cells = {name: table[name][index] for name in table.column_names}
    psd = np.asarray(cells["psd_pa2_per_hz"].values, dtype=np.float64)
    background = cells["background_psd_pa2_per_hz"]
    frequency = cells["first_hz"].as_py() + cells["step_hz"].as_py() * np.arange(psd.size)
    return Spectrum(
        run=cells["run"].as_py(),
        position=cells["position"].as_py(),
        frequency_hz=np.asarray(frequency, dtype=np.float64),
        psd=psd,
        background=np.asarray(background.values, dtype=np.float64) if background.is_valid else None,
    )


def read_finished(results: Path) -> FinishedTables:
    """Read the small tables of a results folder; the large ones are opened when they are asked for.

    Raises FileNotFoundError for a table that has not been made.
    """
    folder = results / "tables"
    rows = {name: tuple(parquet.read_rows(BY_NAME[name], folder / f"{name}.parquet")) for name in SMALL_TABLES}
    return FinishedTables(folder=folder, **rows)
