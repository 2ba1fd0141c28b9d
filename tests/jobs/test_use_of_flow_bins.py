"""What levels in bins of measured speed may be used for: as bands, repeats of a condition bin by bin."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from tapeline.jobs.levels.level_use_columns import undecided, with_use
from tapeline.store import parquet
from tapeline.store.tables import FLOW_BINS

SPEEDS_MPS = (20.0, 22.0)
ITEM = ("speed_mps", "yaw_deg", "band_hz")
REPEATS = {"r1": 0, "r2": 0}


def bins(run: str, levels_db: tuple[float, float], doubt: list[str], quality: str = "good") -> pa.Table:
    """One band of one position at the two speeds, NaN for no level."""
    cells = {name: [None, None] for name in FLOW_BINS.column_names()} | {
        "run": [run, run],
        "position": ["p", "p"],
        "speed_mps": SPEEDS_MPS,
        "yaw_deg": [0.0, 0.0],
        "band_hz": [100.0, 100.0],
        "level_db": np.array(levels_db),
        "quality": [quality, quality],
        "calibration": ["good", "good"],
        "doubt": [doubt, doubt],
        **undecided(2),
    }
    return parquet.to_arrow(FLOW_BINS, cells)


def use(*parts: pa.Table) -> list[tuple[bool, bool, bool]]:
    whole = pa.concat_tables(with_use(parts, ITEM, REPEATS))
    names = ("usable", "comparable", "pooled")
    return list(zip(*(whole[name].to_pylist() for name in names), strict=True))


def test_a_doubted_bin_counts_only_where_no_repeat_of_its_bin_is_sound() -> None:
    """The repeat has no level at 22 m/s: there the doubted level is all there is, and is compared but not pooled."""
    found = use(bins("r1", (70.0, 71.0), ["outlier-level"]), bins("r2", (70.0, np.nan), []))
    assert found == [(True, False, False), (True, True, False), (True, True, True), (False, False, False)]


def test_a_bin_of_an_unusable_channel_is_not_used() -> None:
    found = use(bins("r1", (70.0, 71.0), [], "unusable"), bins("r2", (70.0, 71.0), []))
    assert found == [(False, False, False)] * 2 + [(True, True, True)] * 2
