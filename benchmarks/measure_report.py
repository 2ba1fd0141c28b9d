"""Time and memory of the report of a campaign of 204 runs with 64 positions; prints a section of docs/benchmarks.md.

    python benchmarks/measure_report.py [FOLDER]

FOLDER holds the campaign of benchmarks/large_campaign.py, run to its end; without it the campaign is written and run.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import large_campaign
from measured_command import measured

MOST_WALL_S, MOST_MIB, MOST_MB = 90.0, 2048.0, 15.0


def section(folder: Path | None = None) -> list[str]:
    """Lines of Markdown. Ends the run where the command fails; a figure above its limit is said to be missed."""
    if folder is None:
        with tempfile.TemporaryDirectory() as name:
            large_campaign.write_campaign(Path(name))
            measured([_tapeline(), "run", ".", "--cores", "2"], Path(name), (0, 3))
            return section(Path(name))
    found = measured([_tapeline(), "report"], folder)
    page_mb = (folder / "results" / "report.html").stat().st_size / 1e6
    figures = list((folder / "results" / "figures").iterdir())
    csv_mb = sum(path.stat().st_size for path in figures if path.suffix == ".csv") / 1e6
    count = sum(path.suffix != ".csv" for path in figures)
    judged = (
        ("wall time", found.wall_s, MOST_WALL_S, "s"),
        ("peak memory", found.peak_mib, MOST_MIB, "MiB"),
        ("size of the page", page_mb, MOST_MB, "MB"),
    )
    lines = [
        f"Report: {len(list(large_campaign.runs()))} runs x {large_campaign.CHANNELS} positions, two sessions, four "
        "conditions, three speeds (synthetic).",
        "",
        "| `tapeline report` | found | at most | |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {name} | {value:.1f} {unit} | {most:g} {unit} | {'holds' if value <= most else 'MISSED'} |"
        for name, value, most, unit in judged
    ]
    return [
        *lines,
        "",
        f"{count} figures, {csv_mb:.0f} MB of numbers beside them; {found.cpu_s:.1f} s of processor time.",
    ]


def _tapeline() -> str:
    return str(Path(sys.executable).parent / "tapeline")


if __name__ == "__main__":
    sys.stdout.write("\n".join(section(Path(sys.argv[1]) if len(sys.argv) > 1 else None)) + "\n")
