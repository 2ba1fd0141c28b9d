"""How long a run with nothing to do takes, and what one changed recording costs, against the number of recordings."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from measured_command import measured

RATE_HZ, SECONDS = 4_000, 0.5
COUNTS = (50, 500, 5000)
MOST_S = {50: 3.0, 5000: 20.0}
RUNS_A_SESSION = 100

SETTINGS = """campaign: many
conditions: {open: {applied: []}}
raw_formats:
  logger: {sample_type: float32, byte_order: little, layout: interleaved, channels: 1, sample_rate_hz: 4000}
bands: {range_hz: [250, 1000]}
overall: [{weighting: Z, range_hz: [250, 1000]}]
"""


def write_campaign(folder: Path, count: int) -> None:
    """So many recordings of one channel, 100 a session (synthetic noise)."""
    for name in ("config", "recordings"):
        (folder / name).mkdir(parents=True)
    noise = np.random.default_rng(3).normal(size=int(RATE_HZ * SECONDS) + count).astype("<f4")
    for number in range(count):
        noise[number : number + int(RATE_HZ * SECONDS)].tofile(folder / "recordings" / f"m{number:04d}.raw")
    sessions = [f"s{number:02d}" for number in range(-(-count // RUNS_A_SESSION))]
    files = {
        "campaign.yaml": SETTINGS,
        "runs.csv": "run,recording,kind,session,condition,speed_kmh,format\n"
        + "".join(
            f"m{n:04d},m{n:04d}.raw,measurement,{sessions[n // RUNS_A_SESSION]},open,{100 + 10 * (n % 3)},logger\n"
            for n in range(count)
        ),
        "positions.csv": "position\np1\n",
        "fittings.csv": "session,channel,position,unit\n" + "".join(f"{name},1,p1,Pa\n" for name in sessions),
        "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    }
    for name, text in files.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


def section(counts: tuple[int, ...] = COUNTS) -> list[str]:
    """Lines of Markdown."""
    run = [str(Path(sys.executable).parent / "tapeline"), "run", ".", "--cores", "2"]
    lines = [
        f"Planning: recordings of one channel and {SECONDS:g} s, {RUNS_A_SESSION} a session (synthetic).",
        "",
        "| recordings | first run s | nothing to do s | at most | | one recording changed s |",
        "|---|---|---|---|---|---|",
    ]
    for count in counts:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "campaign"
            write_campaign(folder, count)
            first = measured(run, folder, (0, 3))
            nothing = min(measured(run, folder, (0, 3)) for _ in range(2))
            changed = folder / "recordings" / f"m{count // 2:04d}.raw"
            changed.write_bytes(changed.read_bytes()[::-1])
            one = measured(run, folder, (0, 3))
        most = MOST_S.get(count)
        verdict = "" if most is None else "holds" if nothing.wall_s <= most else "MISSED"
        lines.append(
            f"| {count} | {first.wall_s:.1f} | {nothing.wall_s:.1f} | {most or ''} | {verdict} | {one.wall_s:.1f} |"
        )
    return lines


if __name__ == "__main__":
    sys.stdout.write("\n".join(section(tuple(map(int, sys.argv[1:])) or COUNTS)) + "\n")
