"""What the terminal asks of finished results: which table is missing, and which runs were left out."""

from __future__ import annotations

from pathlib import Path

from tapeline.quality.reasons import FILE_FAULTS
from tapeline.report.finished_tables import SMALL_TABLES
from tapeline.store import parquet
from tapeline.store.tables import QUALITY


def not_made(results: Path) -> Path | None:
    """The first table that the summary needs and that is not there; None where all are."""
    paths = (results / "tables" / f"{name}.parquet" for name in SMALL_TABLES)
    return next((path for path in paths if not path.is_file()), None)


def left_out(results: Path) -> list[str]:
    """Runs that a fault of their recording kept out of the results; none before the table of quality is made."""
    path = results / "tables" / "quality.parquet"
    rows = parquet.read_rows(QUALITY, path, ["run", "reasons"]) if path.is_file() else []
    return sorted({row["run"] for row in rows if FILE_FAULTS.intersection(row["reasons"])})
