"""Band levels of all runs of a session as arrays, so that a page a run costs no search of a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.report.finished_tables import FinishedTables


@dataclass(frozen=True)
class SessionBands:
    """Levels in dB of shape (runs, positions, bands), NaN where there is none; bands in hertz of shape (bands,).

    `level_db` is after background subtraction, `bound_db` the upper bound where there is no value. `is_usable` says
    whether the level may be pooled with others.
    """

    runs: Mapping[str, int]
    positions: Mapping[str, int]
    band_hz: Reals
    midband_hz: Reals
    lower_hz: Reals
    upper_hz: Reals
    level_db: Reals
    bound_db: Reals
    background_db: Reals
    is_usable: Flags


def bands_by_session(tables: FinishedTables) -> dict[str, SessionBands]:
    """The band levels of all sessions that have any."""
    return {session: _arrays(table) for session, table in tables.bands.items() if table.num_rows}


def _arrays(table: pa.Table) -> SessionBands:
    runs, run_at = _places(table["run"])
    positions, position_at = _places(table["position"])
    bands, band_at = _places(table["band_hz"])
    shape = (len(runs), len(positions), len(bands))

    def filled(name: str) -> Reals:
        values = np.full(shape, np.nan)
        values[run_at, position_at, band_at] = _numbers(table[name])
        return values

    edges = {name: np.full(len(bands), np.nan) for name in ("midband_hz", "lower_hz", "upper_hz")}
    for name, values in edges.items():
        values[band_at] = _numbers(table[name])
    usable = np.zeros(shape, dtype=np.bool_)
    usable[run_at, position_at, band_at] = pc.fill_null(table["usable"], False).to_numpy()
    return SessionBands(
        runs={name: place for place, name in enumerate(runs)},
        positions={name: place for place, name in enumerate(positions)},
        band_hz=np.asarray(bands, dtype=np.float64),
        level_db=filled("corrected_level_db"),
        bound_db=filled("upper_bound_db"),
        background_db=filled("background_level_db"),
        is_usable=usable,
        **edges,
    )


def _places(column: pa.ChunkedArray) -> tuple[list[str], NDArray[np.int64]]:
    """The values that occur, sorted, and the place of each row's among them."""
    values = pc.unique(column).sort()
    return values.to_pylist(), pc.index_in(column, value_set=values).to_numpy().astype(np.int64)


def _numbers(column: pa.ChunkedArray) -> Reals:
    return np.asarray(column.to_numpy(), dtype=np.float64)
