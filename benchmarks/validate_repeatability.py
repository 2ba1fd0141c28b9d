"""Simulated repeats in sessions: how often the intervals of s_r and s_R hold the truth.

    python benchmarks/validate_repeatability.py --draws 20000 --seed 1

Prints a Markdown section; exit status 1 where a figure misses its limit.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from numpy.typing import NDArray

from tapeline.statistics.repeatability import one_way, reproducibility_interval, within_interval

DESIGNS: tuple[tuple[int, ...], ...] = (
    *((runs,) * sessions for sessions in (2, 3, 4, 6) for runs in (2, 3, 5)),
    (2, 5),
    (1, 3, 2),
    (2, 5, 3, 2),
    (5, 1, 4, 2, 3, 2),
)
"""Runs in each session, balanced and unbalanced."""

RATIOS = (0.0, 0.5, 1.0, 3.0)
"""s_L in s_r."""

WITHIN_DB, CONFIDENCE = 0.3, 0.95
EXACT, HOLDS = (0.94, 0.96), (0.94, 0.985)
"""The interval of s_r is exact; that of s_R approximate (Graybill and Wang find theirs rather wider than stated)."""

HEAVY_TAIL_DOF = 4.0
"""Degrees of freedom of Student's t for the heavy tails, scaled to the same standard deviation."""

Reals = NDArray[np.float64]


def drawn(random: np.random.Generator, shape: tuple[int, ...], *, heavy: bool) -> Reals:
    """Variables of standard deviation 1: normal, or Student's t."""
    if not heavy:
        return random.standard_normal(shape)
    return random.standard_t(HEAVY_TAIL_DOF, shape) * np.sqrt((HEAVY_TAIL_DOF - 2.0) / HEAVY_TAIL_DOF)


def coverage(counts: tuple[int, ...], ratio: float, draws: int, seed: int, *, heavy: bool) -> tuple[float, float]:
    """Shares of draws in which the intervals of s_r and of s_R hold the truth."""
    random = np.random.default_rng([seed, *counts, round(10 * ratio), int(heavy)])
    session = np.repeat(np.arange(len(counts)), counts)
    between = ratio * WITHIN_DB * drawn(random, (len(counts), draws), heavy=heavy)[session]
    found = one_way(between + WITHIN_DB * drawn(random, between.shape, heavy=heavy), session)
    ends = within_interval(found, CONFIDENCE), reproducibility_interval(found, CONFIDENCE)
    true = WITHIN_DB, WITHIN_DB * np.hypot(1.0, ratio)
    first, second = (float(np.mean((low <= t) & (t <= high))) for (low, high), t in zip(ends, true, strict=True))
    return first, second


def section(draws: int, seed: int) -> tuple[list[str], list[str]]:
    """Lines of the Markdown section, and what missed its limit."""
    lines = [
        f"## Repeatability and reproducibility of one position ({draws} draws a cell, seed {seed}; synthetic data)",
        "",
        f"Levels of sessions with a standard deviation s_r of {WITHIN_DB:g} dB between runs and s_L between sessions. "
        f"Share of {CONFIDENCE:.0%} intervals that hold the true s_r (`within_session_lower_db` to `_upper_db`, "
        "chi-square) and the true s_R (`reproducibility_lower_db` to `_upper_db`, Graybill and Wang). Limits for "
        f"normal scatter: {EXACT[0]:g} to {EXACT[1]:g} and {HOLDS[0]:g} to {HOLDS[1]:g}. With heavy tails (Student's t "
        f"of {HEAVY_TAIL_DOF:g} degrees of freedom, the same standard deviations) no limit is set: these intervals are "
        "those of normal scatter, and a run that now and then is far off makes them too narrow.",
    ]
    missed: list[str] = []
    for heavy in (False, True):
        title = "heavy tails" if heavy else "normal scatter"
        head = " | ".join(f"s_r, s_R at s_L = {ratio:g} s_r" for ratio in RATIOS)
        lines += ["", f"| runs in the sessions, {title} | {head} |", "|---|" + "---|" * len(RATIOS)]
        for counts in DESIGNS:
            cells = []
            for ratio in RATIOS:
                shares = coverage(counts, ratio, draws, seed, heavy=heavy)
                cells.append(f"{shares[0]:.3f}, {shares[1]:.3f}")
                for name, share, limits in zip(("s_r", "s_R"), shares, (EXACT, HOLDS), strict=True):
                    if not heavy and not limits[0] <= share <= limits[1]:
                        missed.append(f"{name} of {counts} at s_L = {ratio:g} s_r: {share:.3f}")
            lines.append(f"| {', '.join(map(str, counts))} | {' | '.join(cells)} |")
    return lines, missed


def main() -> int:
    """Draw, judge and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=20_000, help="draws of each design")
    parser.add_argument("--seed", type=int, default=1, help="seed of all random numbers")
    options = parser.parse_args()
    lines, missed = section(options.draws, options.seed)
    print("\n".join(lines))
    print("\n" + ("All limits hold." if not missed else "Missed: " + "; ".join(missed) + "."))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
