"""Finished results as the coverage of a campaign takes them into account."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tapeline.campaign.coverage_results import Measured, measured
from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables
from tapeline.store import parquet
from tapeline.store.tables import BY_NAME

RUNS = ["run", "session", "kind", "status", "condition", "speed_mps", "yaw_deg"]
QUALITY = ["run", "session", "position", "verdict", "found_verdict"]
CALIBRATION = ["session", "position", "verdict"]
COMPARISONS = [
    "comparison",
    "reference_session",
    "treatment_session",
    "position",
    "speed_mps",
    "yaw_deg",
    "quantity",
    "reference_runs",
    "treatment_runs",
]


def read_measured(campaign: Campaign) -> Measured | None:
    """What the campaign's results say of its runs; None for results that are not there, or not yet.

    Comparisons that are not there yet leave out what they alone know.
    """
    folder = campaign.results / "tables"
    names = {"runs": RUNS, "quality": QUALITY, "calibration": CALIBRATION}
    if not all((folder / f"{name}.parquet").is_file() for name in names) or not (folder / "bands").is_dir():
        return None
    runs, quality, calibration = (
        parquet.read_rows(BY_NAME[name], folder / f"{name}.parquet", columns) for name, columns in names.items()
    )
    return measured(campaign, runs, quality, calibration, _compared_bands(folder / "comparisons.parquet"))


def _compared_bands(path: Path) -> Iterator[dict[str, Any]]:
    """Rows of the comparisons that are bands, some at a time."""
    if path.is_file():
        for batch in parquet.opened(path).iter_batches(columns=COMPARISONS, use_threads=False):
            yield from (row for row in batch.to_pylist() if row["quantity"] == "band")


def measured_by(tables: FinishedTables, campaign: Campaign) -> Measured:
    """The same from the report's tables."""
    bands = (row for row in tables.comparisons if row["quantity"] == "band")
    return measured(campaign, tables.runs, tables.quality, tables.calibration, bands)
