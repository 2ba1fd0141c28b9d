"""The one axis of band levels on the page, and what it leaves out."""

from __future__ import annotations

from collections.abc import Iterable

import pyarrow as pa
import pyarrow.compute as pc

from tapeline.campaign.model import Campaign
from tapeline.report.figures_bands import Limits, rounded_limits
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.wording import counted

DEEPEST_DB = 80.0


def level_axis(tables: FinishedTables, campaign: Campaign) -> Limits:
    """The set axis; else one that holds all levels and bounds of the used measurements, at most 80 dB deep."""
    fixed = campaign.settings.report.level_axis_db
    if fixed is not None:
        return fixed
    used = [row["run"] for row in tables.used_measurements]
    ends: list[float | None] = []
    for table in tables.bands.values():
        own = table.filter(pc.is_in(table["run"], value_set=pa.array(used, type=pa.string())))
        for name in ("corrected_level_db", "upper_bound_db"):
            found = pc.min_max(own[name].filter(pc.is_finite(own[name])))
            ends += [found["min"].as_py(), found["max"].as_py()]
    low, high = rounded_limits(ends, 10.0, 2.0, 30.0)
    return max(low, high - DEEPEST_DB), high


def beyond_words(values: Iterable[float | None], limits: Limits) -> str:
    """How many values an axis does not show, as a sentence after another; nothing where it shows all."""
    count = sum(value is not None and not limits[0] <= value <= limits[1] for value in values)
    return f" {counted(count, 'value')} beyond the axis, {limits[0]:g} to {limits[1]:g} dB." if count else ""
