"""Verdicts on synthetic wall pressure, healthy and with planted faults, as a Markdown section.

    python benchmarks/validate_quality.py --healthy 2000 --faulty 40

Healthy channel-runs must not be doubted in more than 1 % of all cases; each kind of fault must be named where it is.
Exit status 1 where a figure misses its limit.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "quality"))

from judged_samples import judged
from wall_pressure import BITS, FAULTS, FULL_SCALE_PA, RATE_HZ, SECONDS, converted, healthy

from tapeline.quality.across_runs import AcrossLimits, findings_across
from tapeline.quality.level_table import RunLevel
from tapeline.quality.reasons import REASONS

CHANNELS = 10
FALSE_LIMIT_PCT = 1.0
SPEEDS_MPS = (28.0, 28.0, 28.0, 36.0, 36.0)


def doubts(pressure: np.ndarray) -> list[list[str]]:
    """Reasons for doubt of every channel of one run."""
    found = judged(converted(pressure), RATE_HZ, BITS, 1.0, FULL_SCALE_PA)
    return [[f.code for f in channel if REASONS[f.code].verdict != "good"] for channel in found]


def healthy_session(seed: int) -> list[str]:
    """Five runs of ten channels at two speeds: reasons given to healthy channels, by one run and across runs."""
    random = np.random.default_rng([seed, 1])
    own = random.uniform(-6.0, 6.0, CHANNELS)
    said, levels = [], []
    for order, speed in enumerate(SPEEDS_MPS):
        pressure = healthy(random, CHANNELS)
        pressure *= 10.0 ** ((own + 50.0 * np.log10(speed / 28.0) + random.normal(0.0, 0.7, CHANNELS)) / 20.0)[:, None]
        pressure *= 3.0 / np.median(pressure.std(axis=1)) * (speed / 28.0) ** 2.5
        said += [code for channel in doubts(pressure) for code in channel]
        levels += [
            RunLevel(f"r{order}", f"p{c}", "measurement", "open", speed, 0.0, order, float(level), True)
            for c, level in enumerate(own + 50.0 * np.log10(speed / 28.0) + random.normal(0.0, 0.7, CHANNELS))
        ]
    areas = {f"p{c}": "seam" for c in range(CHANNELS)}
    across = findings_across(levels, areas, AcrossLimits(6.0, 15.0, 3.0, 20.0))
    return said + [finding.code for findings in across.values() for finding in findings]


def faulty(job: tuple[str, int]) -> tuple[str, bool, int]:
    """Whether the fault alone was named on its channel, and how many other channels got a reason."""
    name, seed = job
    random = np.random.default_rng([seed, 2])
    plant, code = FAULTS[name]
    pressure = healthy(random, 4)
    pressure[1] = plant(pressure[1], random)
    found = doubts(pressure)
    return name, code in found[1], sum(bool(found[c]) for c in (0, 2, 3))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--healthy", type=int, default=2000, help="healthy channel-runs")
    parser.add_argument("--faulty", type=int, default=40, help="runs of each kind of fault")
    options = parser.parse_args()
    sessions = -(-options.healthy // (CHANNELS * len(SPEEDS_MPS)))
    jobs = [(name, seed) for name in FAULTS for seed in range(options.faulty)]
    with ProcessPoolExecutor(2) as pool:
        said = [code for codes in pool.map(healthy_session, range(sessions)) for code in codes]
        broken = list(pool.map(faulty, jobs, chunksize=5))
    total = sessions * CHANNELS * len(SPEEDS_MPS)
    share = 100.0 * len(said) / total
    missed = [] if share <= FALSE_LIMIT_PCT else ["healthy channels doubted"]
    print(f"## Verdicts on channels ({total} healthy channel-runs, synthetic wall pressure)\n")
    print(f"{SECONDS:g} s at {RATE_HZ:g} Hz, 16 bits, kurtosis about 5, gusts of up to 1 dB;", end=" ")
    print(f"{sessions} sessions of five runs.\n")
    print("| Healthy | found | limit | |\n|---|---|---|---|")
    kinds = ", ".join(f"{said.count(code)} x {code}" for code in sorted(set(said))) or "none"
    print(
        f"| reasons for doubt ({kinds}) | {share:.2f} % | {FALSE_LIMIT_PCT:g} % | {'MISSED' if missed else 'holds'} |"
    )
    print("\n| Planted fault | runs | named | other channels with a reason | |\n|---|---|---|---|---|")
    for name in FAULTS:
        own = [item for item in broken if item[0] == name]
        named, others = sum(item[1] for item in own), sum(item[2] for item in own)
        fits = named >= 0.95 * len(own) and others <= 0.01 * 3 * len(own) + 1
        missed += [] if fits else [name]
        print(f"| {name} | {len(own)} | {named} | {others} | {'holds' if fits else 'MISSED'} |")
    print("\n" + ("All limits hold." if not missed else "Missed: " + "; ".join(missed) + "."))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
