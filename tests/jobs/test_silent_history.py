"""Silence has no level: the table says so, and percentiles still count it as lower than all else."""

from __future__ import annotations

import warnings

import numpy as np
from test_passes_on_request import NEEDS

from tapeline.acoustics.history import HistoryPart
from tapeline.acoustics.parts import Parts
from tapeline.jobs.spectra.level_history import history_columns
from tapeline.jobs.tables.overall_columns import history_statistics
from tapeline.store.parquet import to_arrow
from tapeline.store.tables import HISTORY

RATE = 8000.0


def test_silent_intervals_are_null_and_marked_and_count_below_all_levels() -> None:
    shape = (len(NEEDS.history.weighting), 1, 40)
    powers = np.full(shape, 4e-4)
    powers[..., 10:16] = 0.0
    settling = np.full(shape, np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        columns = history_columns(
            NEEDS,
            ["p1"],
            RATE,
            HistoryPart(0, powers, settling, settling, settling, settling),
            Parts([(0, int(40 * NEEDS.history.interval_s * RATE))]),
        )
        table = to_arrow(HISTORY, columns | {"run": ["r"] * table_rows(shape)})
        found = history_statistics(table, ["p0", "p1"], "A")
    own = table.to_pandas().query("weighting == 'A'").sort_values("time_s")
    assert own.silent.tolist() == [10 <= n < 16 for n in range(40)]
    assert own.level_db.isna().tolist() == own.silent.tolist()
    assert np.isnan(found["l95_db"][1])
    assert found["maximum_db"][1] == found["l50_db"][1] == own.level_db.max()
    assert np.isnan(found["fast_maximum_db"][1])
    assert all(np.isnan(values[0]) for values in found.values()), "a position without a history has no statistics"


def table_rows(shape: tuple[int, ...]) -> int:
    return int(np.prod(shape))
