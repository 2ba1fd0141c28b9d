"""What the start of a step costs: processor time until its modules are loaded, one library after the other."""

from __future__ import annotations

import sys
from pathlib import Path

from measured_command import measured

STAGES = (
    ("the interpreter", ""),
    ("arrays", "numpy"),
    ("Parquet", "pyarrow.parquet, pyarrow.compute"),
    ("settings and their YAML", "pydantic, yaml"),
    ("campaign, plan and jobs of tapeline", "tapeline.cli, tapeline.campaign.load, tapeline.jobs.due_tasks"),
    ("transforms, with the special functions that they load", "scipy.fft"),
    ("the job `spectra`", "tapeline.jobs.spectra.run"),
)
"""What comes in, in this order, and the modules by which it does."""


def section(takes: int = 7) -> list[str]:
    """Lines of Markdown."""
    lines = [
        f"Start of a step, processor time, the best of {takes} takes.",
        "",
        "| loaded | with it ms | up to there ms |",
        "|---|---|---|",
    ]
    before, words = 0.0, ""
    for what, modules in STAGES:
        words += f"import {modules}\n" if modules else ""
        best = min(measured([sys.executable, "-c", words], Path()).cpu_s for _ in range(takes)) * 1e3
        lines.append(f"| {what} | {max(best - before, 0.0):.0f} | {best:.0f} |")
        before = best
    return lines


if __name__ == "__main__":
    sys.stdout.write("\n".join(section()) + "\n")
