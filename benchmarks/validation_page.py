"""Runs all validations and writes docs/validation.md, misses included; exit status 1 where something misses its limit.

python benchmarks/validation_page.py --seeds 8
"""

import argparse
import os
import platform
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
PAGE = HERE.parent / "docs" / "validation.md"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=8, help="how many campaigns of the invented rig to run")
    parser.add_argument("--healthy", type=int, default=500, help="healthy calibrator sessions")
    parser.add_argument("--campaigns", type=int, default=600, help="generated campaigns of each kind of comparison")
    options = parser.parse_args()
    parts = {
        "validate_calibration.py": ["--healthy", str(options.healthy)],
        "validate_quality.py": [],
        "validate_spectra.py": [],
        "validate_tones.py": [],
        "validate_background.py": [],
        "validate_repeatability.py": [],
        "validate_comparisons.py": ["--campaigns", str(options.campaigns)],
        "validate_positions.py": ["--campaigns", str(max(options.campaigns // 6, 10))],
        "validate_picked_out.py": [],
        "validate_rig.py": ["--seeds", str(options.seeds)],
        "validate_influence.py": ["--seeds", str(options.seeds)],
    }
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    text = f"# Validation\n\n`make validate SEEDS={options.seeds}`; {machine}. All data are synthetic.\n"
    missed = 0
    for script, arguments in parts.items():
        done = subprocess.run(
            [sys.executable, HERE / script, *arguments], check=False, stdout=subprocess.PIPE, text=True
        )
        missed += done.returncode != 0
        text += f"\n{done.stdout.strip()}\n"
    PAGE.write_text(text, encoding="utf-8")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
