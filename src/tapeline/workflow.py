"""Calling the workflow manager on a campaign folder."""

from __future__ import annotations

import fcntl
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path


def snakefile() -> Path:
    """The Snakefile: of the source tree this package lies in, else the copy that the installed package carries."""
    here = Path(__file__).resolve()
    for candidate in (here.parents[2] / "Snakefile", here.parent / "_workflow" / "Snakefile"):
        if candidate.is_file():
            return candidate
    raise FileNotFoundError("no Snakefile beside the package")


def run(root: Path, *, cores: str, dry_run: bool, again: Sequence[str] = (), more: Sequence[str] = ()) -> int:
    """Run the workflow on the campaign folder `root`; returns the workflow manager's exit status.

    `again` are results, relative to `root`, that are made anew whatever the manager thinks of them.

    Raises BusyError while another `tapeline run` works on the folder. A run that was killed leaves the workflow
    manager's lock behind; holding the folder ourselves we know that nobody works on it, and take that lock away.
    """
    entry = snakefile()
    manager = [sys.executable, "-m", "snakemake", "--snakefile", str(entry), "--directory", str(root)]
    command = [
        *manager,
        "--profile",
        str(entry.parent / "workflow" / "profiles" / "default"),
        *(["--forcerun", *again] if again else []),
        "--cores",
        cores,
        *(["--dry-run"] if dry_run else []),
        *more,
    ]
    if dry_run:
        return subprocess.run(command, check=False).returncode
    with held(root / ".snakemake" / "tapeline.lock"):
        if any((root / ".snakemake" / "locks").glob("*.lock")):
            subprocess.run([*manager, "--cores", "1", "--unlock"], check=False, capture_output=True)
        return subprocess.run(command, check=False).returncode


class BusyError(Exception):
    """Another run works on the campaign."""


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a file against other runs for as long as this process lives; the system lets go of it when it dies."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w") as stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise BusyError(f"another `tapeline run` works on {path.parents[1]}") from error
        yield
