"""Calling the workflow manager on a campaign folder."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path


def snakefile() -> Path:
    """The Snakefile: of the source tree this package lies in, else the copy that the installed package carries."""
    here = Path(__file__).resolve()
    for candidate in (here.parents[2] / "Snakefile", here.parent / "_workflow" / "Snakefile"):
        if candidate.is_file():
            return candidate
    raise FileNotFoundError("no Snakefile beside the package")


def run(root: Path, *, cores: str, dry_run: bool, more: Sequence[str] = ()) -> int:
    """Run the workflow on the campaign folder `root`; returns the workflow manager's exit status."""
    entry = snakefile()
    command = [
        sys.executable,
        "-m",
        "snakemake",
        "--snakefile",
        str(entry),
        "--directory",
        str(root),
        "--profile",
        str(entry.parent / "workflow" / "profiles" / "default"),
        "--cores",
        cores,
        *(["--dry-run"] if dry_run else []),
        *more,
    ]
    return subprocess.run(command, check=False).returncode
