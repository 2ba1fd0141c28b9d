"""Copies of the sample campaign, run through the real workflow."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
COMMAND = Path(sys.executable).parent / "tapeline"


@dataclass(frozen=True)
class CampaignRun:
    """A campaign folder and what the command said of it."""

    folder: Path
    status: int
    output: str

    @property
    def results(self) -> Path:
        """The results folder."""
        return self.folder / "results"

    def planned(self) -> dict[str, int]:
        """Jobs that a dry run says that a run would do, by name: those that are due and those that follow."""
        done = tapeline("run", self.folder, "--cores", "2", "--dry-run")
        assert done.returncode == 0, done.stdout + done.stderr
        said = next(
            line for line in done.stdout.splitlines() if line.startswith(("nothing to do", "would be computed"))
        )
        return {name: int(count) for name, count in re.findall(r"([a-z]+) (\d+)", said)}

    @contextmanager
    def edited(self, changes: Mapping[str, tuple[str, str]]) -> Iterator[None]:
        """Replace text in files of the campaign for a while: path to (old, new)."""
        kept = {name: (self.folder / name).read_bytes() for name in changes}
        try:
            for name, (old, new) in changes.items():
                text = kept[name].decode()
                assert old in text, f"{name} does not hold {old!r}"
                (self.folder / name).write_bytes(text.replace(old, new, 1).encode())
            yield
        finally:
            for name, content in kept.items():
                (self.folder / name).write_bytes(content)


def tapeline(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would."""
    return subprocess.run(
        [str(COMMAND), *map(str, arguments)], check=False, capture_output=True, text=True, cwd=REPOSITORY.parent
    )


def copy_sample(folder: Path) -> Path:
    """The sample's tables and recordings in a folder of their own."""
    shutil.copytree(REPOSITORY / "config", folder / "config")
    shutil.copytree(REPOSITORY / "data-sample", folder / "data-sample", ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def run_campaign(folder: Path, cores: int) -> CampaignRun:
    """Run a campaign folder through the workflow."""
    done = tapeline("run", folder, "--cores", cores)
    return CampaignRun(folder, done.returncode, done.stdout + done.stderr)


UNSTEADY = {"logs", "benchmarks", ".written"}


def outputs(run: CampaignRun, results: str = "results") -> dict[str, bytes]:
    """Every result file but logs, timings and the records, which hold times."""
    folder = run.folder / results
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    found = {path.relative_to(folder): path for path in files}
    return {name.as_posix(): path.read_bytes() for name, path in found.items() if not UNSTEADY & {*name.parts}}
