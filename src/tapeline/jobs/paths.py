"""Where every file of the results lies, relative to the results folder; the workflow and the steps share this."""

from __future__ import annotations

from pathlib import Path


def checks(results: Path, session: str) -> Path:
    """What was found in a session's calibrator recordings."""
    return results / "calibration" / "checks" / f"{session}.parquet"


def judged_checks(results: Path, session: str) -> Path:
    """The same with what was decided on each check."""
    return results / "calibration" / "judged" / f"{session}.parquet"


def calibration(results: Path, session: str) -> Path:
    """The sensitivities of a session and the evidence."""
    return results / "calibration" / f"{session}.parquet"


def pressure(results: Path, run: str) -> Path:
    """Calibrated time signals of a run."""
    return results / "pressure" / f"{run}.arrow"


def quality(results: Path, run: str) -> Path:
    """What was counted on the channels of a run, and what it says by itself."""
    return results / "quality" / f"{run}.parquet"


def verdicts(results: Path, session: str) -> Path:
    """Final verdicts on the channels of a session's runs."""
    return results / "verdicts" / f"{session}.parquet"


def spectra(results: Path, run: str) -> Path:
    """Averaged spectra of a run."""
    return results / "spectra" / run / "spectra.parquet"


def history(results: Path, run: str) -> Path:
    """Level history of a run."""
    return results / "spectra" / run / "history.parquet"


def asked(results: Path, run: str, name: str) -> Path:
    """What was made of a run for a table on request."""
    return results / "spectra" / run / f"{name}.parquet"


def session_table(results: Path, table: str, session: str) -> Path:
    """One session's part of a table."""
    return results / "tables" / table / f"session={session}" / "part-0.parquet"


def campaign_table(results: Path, table: str) -> Path:
    """A table of the whole campaign."""
    return results / "tables" / f"{table}.parquet"


def manifest(results: Path) -> Path:
    """What made each table."""
    return results / "manifest.json"


def report(results: Path) -> Path:
    """The page that circulates."""
    return results / "report.html"


def figures(results: Path) -> Path:
    """The figures of the page, and their numbers."""
    return results / "figures"
