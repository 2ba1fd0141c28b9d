"""Families of differences with known truth: does what is picked out hold as often as it says?

    python benchmarks/validate_picked_out.py --families 1000

Values are drawn (synthetic): 30 or 300 differences with a standard error of 0.3 dB that is known, or estimated with
2, 5 or 20 degrees of freedom, each by itself or one for all; errors independent or correlated by 0.5; true
differences all alike (0 dB or -2 dB) or spread by 0.3 or 1 dB. Everything after is what the job `compare` does.
Prints Markdown; exit status 1 where a figure misses its limit.
"""

import argparse
import os
import platform
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import NDArray

from tapeline.statistics.selection_intervals import picked_miss_rate, selected_ends, size_places, student_tail_factor
from tapeline.statistics.shrinkage import shrinkage_estimates
from tapeline.statistics.significance import benjamini_hochberg, student_p_value

Reals = NDArray[np.float64]
ERROR_DB, CONFIDENCE, LEAST = 0.3, 0.95, 0.93
DOFS = (2.0, 5.0, 20.0, np.inf)
TRUTHS = {"all 0 dB": (0.0, 0.0), "all -2 dB": (-2.0, 0.0), "spread 0.3 dB": (0.0, 0.3), "spread 1 dB": (0.0, 1.0)}
SHRUNKEN = 80
"""So many families of a kind have their shrunken values computed, and so many of those with a finding."""


@dataclass(frozen=True)
class Kind:
    tests: int
    truth: str
    dof: float
    shared: bool
    correlation: float

    @property
    def errors(self) -> str:
        return "errors alike by half" if self.correlation else "errors independent"

    @property
    def variance(self) -> str:
        return "one variance for all" if self.shared else "each its own variance"


@dataclass
class Tally:
    """Hits of what was picked, and errors of it, by name and kind of family."""

    values: dict[tuple[str, Kind], list[float]] = field(default_factory=lambda: defaultdict(list))

    def add(self, name: str, kind: Kind, values: Reals | list[float]) -> None:
        self.values[name, kind] += list(values)

    def kinds(self, name: str, truth: str) -> dict[Kind, tuple[float, float]]:
        """Mean and its standard error for every kind with that truth."""
        found = {kind: np.array(part) for (each, kind), part in self.values.items() if each == name and part}
        return {
            kind: (float(part.mean()), float(max(part.std(), 0.1) / np.sqrt(part.size)))
            for kind, part in found.items()
            if kind.truth == truth
        }


def kinds() -> Iterator[Kind]:
    for tests, truth, dof, shared, correlation in product((30, 300), TRUTHS, DOFS, (False, True), (0.0, 0.5)):
        if not (shared and np.isinf(dof)):
            yield Kind(tests, truth, dof, shared, correlation)


def drawn(kind: Kind, families: int, random: np.random.Generator) -> tuple[Reals, Reals, Reals]:
    """Truth, value and stated standard error, each (families, tests)."""
    shape = families, kind.tests
    mean, spread = TRUTHS[kind.truth]
    true = mean + spread * random.normal(size=shape)
    common = np.sqrt(kind.correlation) * random.normal(size=(families, 1))
    value = true + ERROR_DB * (common + np.sqrt(1.0 - kind.correlation) * random.normal(size=shape))
    if np.isinf(kind.dof):
        return true, value, np.full(shape, ERROR_DB)
    size = (families, 1) if kind.shared else shape
    return true, value, ERROR_DB * np.sqrt(random.chisquare(kind.dof, size) / kind.dof) * np.ones(shape)


def examine(kind: Kind, families: int, random: np.random.Generator, tally: Tally) -> None:
    true, value, error = drawn(kind, families, random)
    dof = np.full(value.shape, kind.dof)
    p = student_p_value(value / error, dof)
    shown = np.apply_along_axis(benjamini_hochberg, 1, p) <= 1.0 - CONFIDENCE
    places = size_places(np.abs(value))
    half = student_tail_factor(dof, 1.0 - CONFIDENCE) * error
    missed = picked_miss_rate(places, shown, CONFIDENCE)
    lower, upper = selected_ends((value - half, value + half), error, dof, CONFIDENCE, missed)
    held = (lower <= true) & (true <= upper)
    largest = places == 1
    tally.add("plain", kind, (np.abs(value - true) <= half)[largest].astype(float))
    for first in (1, 3, 10):
        tally.add(f"first {first}", kind, np.where(places <= first, held, False).sum(axis=1) / first)
    tally.add("shown", kind, 1.0 - (shown & ~held).sum(axis=1) / np.maximum(shown.sum(axis=1), 1))
    told = np.where(shown, places, kind.tests + 1).argmin(axis=1)
    with_finding = shown.any(axis=1)
    tally.add("told", kind, 1.0 - (with_finding & ~held[np.arange(families), told]))
    every = np.ones(kind.tests, dtype=bool)
    chosen = np.flatnonzero(with_finding)[:SHRUNKEN]
    for k in sorted({*range(min(SHRUNKEN, families)), *chosen.tolist()}):
        asked = np.arange(kind.tests) == told[k]
        found = shrinkage_estimates(value[k], error[k], dof[k], CONFIDENCE, fitted=every, asked=asked)
        first = int(largest[k].argmax())
        sign = np.sign(value[k, first])
        if k < SHRUNKEN:
            tally.add("raw bias", kind, [sign * (value[k, first] - true[k, first])])
            tally.add("bias", kind, [sign * (found.expected[first] - true[k, first])])
        if with_finding[k]:
            at = told[k]
            tally.add("given alone", kind, [float(held[k, at])])
            tally.add("given expected", kind, [float(found.lower[at] <= true[k, at] <= found.upper[at])])
            ends = min(lower[k, at], found.lower[at]), max(upper[k, at], found.upper[at])
            tally.add("given", kind, [float(ends[0] <= true[k, at] <= ends[1])])


def coverage(tally: Tally, missed: list[str]) -> list[str]:
    lines = [
        f"| What is picked: share of 95 % intervals that hold, worst kind of family (limit {LEAST:g}) | "
        + " | ".join(TRUTHS)
        + " | |",
        "|---" * (len(TRUTHS) + 2) + "|",
    ]
    names = {
        "first 1": "the largest",
        "first 3": "the largest 3, mean",
        "first 10": "the largest 10, mean",
        "shown": "all that is shown, mean; families with nothing shown count as held",
        "told": "the largest that is shown; families with nothing shown count as held",
        "plain": "for comparison: the largest, with its plain interval",
    }
    for name, words in names.items():
        worst = [min(tally.kinds(name, truth).values()) for truth in TRUTHS]
        verdict = "none"
        if name != "plain":
            holds = all(mean + 2.0 * error >= LEAST for mean, error in worst)
            verdict = "holds" if holds else "MISSED"
            missed += [] if holds else [words]
        lines.append(f"| {words} | " + " | ".join(f"{mean:.3f}" for mean, _ in worst) + f" | {verdict} |")
    return lines


def given_shown(tally: Tally) -> list[str]:
    """Only families in which something is shown: no limit, since a false finding is one by chance."""
    lines = [
        "| The largest that is shown, among families with something shown (no limit) | " + " | ".join(TRUTHS) + " |",
        "|---" * (len(TRUTHS) + 1) + "|",
    ]
    groups = {
        "errors independent, each its own variance": (0.0, False),
        "errors alike by half, each its own variance": (0.5, False),
        "errors independent, one variance for all": (0.0, True),
        "errors alike by half, one variance for all": (0.5, True),
    }
    names = {"given alone": "selection alone", "given expected": "expectation alone", "given": "as given: both"}
    for (words, (correlation, shared)), (name, what) in product(groups.items(), names.items()):
        cells = []
        for truth in TRUTHS:
            found = tally.kinds(name, truth)
            means = [found[kind][0] for kind in found if (kind.correlation, kind.shared) == (correlation, shared)]
            cells.append(f"{min(means):.2f} to {max(means):.2f}")
        lines.append(f"| {words}: {what} | " + " | ".join(cells) + " |")
    return lines


def bias(tally: Tally, missed: list[str]) -> list[str]:
    lines = [
        "| Measured less true of the largest, dB, mean over kinds (extremes) | " + " | ".join(TRUTHS) + " | |",
        "|---" * (len(TRUTHS) + 2) + "|",
    ]
    for correlation, words in ((0.0, "errors independent"), (0.5, "errors alike by half")):
        for name, what in (("raw bias", "as measured"), ("bias", "shrunken")):
            means = [
                [mean for kind, (mean, _) in tally.kinds(name, truth).items() if kind.correlation == correlation]
                for truth in TRUTHS
            ]
            cells = [f"{np.mean(part):+.2f} ({min(part):+.2f} to {max(part):+.2f})" for part in means]
            verdict = "none"
            if name == "bias" and not correlation:
                holds = all(abs(float(np.mean(part))) <= 0.15 for part in means)
                verdict = f"mean within 0.15: {'holds' if holds else 'MISSED'}"
                missed += [] if holds else [f"bias, {words}"]
            lines.append(f"| {words}, {what} | " + " | ".join(cells) + f" | {verdict} |")
    return lines


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--families", type=int, default=1000, help="families of each kind")
    options = parser.parse_args()
    tally, missed = Tally(), list[str]()
    for seed, kind in enumerate(kinds()):
        examine(kind, options.families, np.random.default_rng(900_000 + seed), tally)
    print("## What is picked out: families of differences with known truth (synthetic data)\n")
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    print(f"`python benchmarks/validate_picked_out.py --families {options.families}`; {machine}\n")
    print(
        f"{len(list(kinds()))} kinds of families: 30 or 300 differences; standard error 0.3 dB, known or estimated with"
    )
    print("2, 5 or 20 degrees of freedom, each by itself or one for all; errors independent or alike by half.\n")
    for section in (coverage(tally, missed), given_shown(tally), bias(tally, missed)):
        print("\n".join(section), end="\n\n")
    print("All limits hold." if not missed else "Missed: " + "; ".join(missed) + ".")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
