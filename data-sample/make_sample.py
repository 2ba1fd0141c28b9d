"""Make the sample campaign's recordings, charts and truth tables: synthetic data, the same bytes every time.

python data-sample/make_sample.py            write them beside this script
python data-sample/make_sample.py --check    make them in a temporary folder and compare with those beside it
"""

from __future__ import annotations

import argparse
import filecmp
import sys
import tempfile
from pathlib import Path

import numpy as np

from entry_tables import Entry, read_entry
from planted import true_response_db
from recorder import recording_bytes
from truth_tables import TABLES
from van_noise import SURROUNDINGS

HERE = Path(__file__).resolve().parent
FOLDERS = ("recordings", "charts", "truth")
CHART_LIMITS_HZ = (20.0, 8000.0)


def chart_text(sensor: str) -> str:
    """A sensor's chart: 40 points a decade, 250 Hz among them, rounded to 0.01 dB."""
    first, last = (round(40.0 * np.log10(limit / 1000.0)) for limit in CHART_LIMITS_HZ)
    hertz = np.round(1000.0 * 10.0 ** (np.arange(first, last + 1) / 40.0), 2)
    hertz[np.argmin(np.abs(hertz - 250.0))] = 250.0
    charted_db = np.round(true_response_db(sensor, hertz), 2) + 0.0
    lines = [f"{f:.2f},{level:.2f}" for f, level in zip(hertz, charted_db, strict=True)]
    return "\n".join([f"# synthetic: chart of the invented sensor {sensor}", "frequency_hz,response_db", *lines, ""])


def write_sample(entry: Entry, folder: Path) -> None:
    """Write everything below `folder`."""
    for name in FOLDERS:
        (folder / name).mkdir(parents=True, exist_ok=True)
    for sensor in entry.charted_v_per_pa:
        (folder / "charts" / f"{sensor}.csv").write_bytes(chart_text(sensor).encode("ascii"))
    for name, table in TABLES.items():
        (folder / "truth" / name).write_bytes(table(entry).encode("ascii"))
    for run in entry.runs.values():
        (folder / "recordings" / run.recording).write_bytes(recording_bytes(entry, run))


def differing(made: Path, kept: Path) -> list[str]:
    """Files that are not in both folders or whose bytes differ."""
    names = {
        str(path.relative_to(root))
        for root in (made, kept)
        for folder in FOLDERS
        for path in (root / folder).rglob("*")
        if path.is_file()
    }
    return [
        name
        for name in sorted(names)
        if not ((made / name).is_file() and (kept / name).is_file())
        or not filecmp.cmp(made / name, kept / name, shallow=False)
    ]


def main(arguments: list[str] | None = None) -> int:
    """Exit status 1 where `--check` finds a difference."""
    parser = argparse.ArgumentParser(description="Make the synthetic sample campaign, the same bytes every time.")
    parser.add_argument("--check", action="store_true", help="compare with what is here, write nothing")
    parser.add_argument("--folder", type=Path, default=HERE, help="where to write, or what to check (default: here)")
    chosen = parser.parse_args(arguments)
    entry = read_entry(HERE.parent)
    strange = sorted(set(entry.positions) - set(SURROUNDINGS))
    if strange:
        parser.error(f"config/positions.csv names {', '.join(strange)}: say in van_noise.py what sounds there")
    if not chosen.check:
        write_sample(entry, chosen.folder)
        print(
            f"written: {len(entry.runs)} recordings, {len(entry.charted_v_per_pa)} charts, {len(TABLES)} truth tables"
        )
        return 0
    with tempfile.TemporaryDirectory() as temporary:
        write_sample(entry, Path(temporary))
        different = differing(Path(temporary), chosen.folder)
    for name in different:
        print(f"differs: {name}")
    print(f"{len(different)} files differ" if different else "all files are the same, byte for byte")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
