"""Levels of few effective averages over a background of as many: what is stated at each true margin, and how well.

Draws of the public functions: powers are scaled chi-squares, without the scatter of backgrounds between recordings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction, corrected_interval, subtract
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.overall import sum_bands
from tapeline.campaign.settings import Background

AVERAGES = (20, 40, 100, 200, 1000)
MARGINS_DB = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0)
CASES = 20_000
BANDS = 12
"""Bands of a sum, each of so few averages and of the same true margin."""

HOLDING, COVERAGE = (0.93, 1.0), (0.93, 0.98)
"""Where a choice leaves no low levels the upper end of an interval cannot fail: 97.5 % then, approximately."""

JUDGED = 0.03
"""Least share of cases that are chosen alike for their figures to be judged."""

SETTINGS = Background()
LIMITS = MarginLimits(
    SETTINGS.no_correction_above_db,
    SETTINGS.enough_margin_db,
    SETTINGS.least_margin_db,
    SETTINGS.bound_factor,
    SETTINGS.most_removed_db,
)


@dataclass(frozen=True)
class Found:
    """Shares and errors of one true margin; NaN where nothing was stated so."""

    averages: int
    margin_db: float
    cases: int
    stated: float
    holds: float
    covers: float
    error_db: float
    uncertainty_db: float

    @property
    def missed(self) -> bool:
        """Whether a share that counts is outside its limits by more than two standard errors."""
        parts = ((1.0 - self.stated, self.holds, HOLDING), (self.stated, self.covers, COVERAGE))
        return any(
            chosen >= JUDGED and not limits[0] - 2.0 * error <= share <= limits[1] + 2.0 * error
            for chosen, share, limits in parts
            for error in [np.sqrt(0.95 * 0.05 / max(chosen * self.cases, 1.0))]
        )

    @property
    def row(self) -> str:
        """One row of the table."""
        shown = [
            f"{self.holds:.3f}" if self.stated < 1.0 else "",
            *(
                [f"{self.covers:.3f}", f"{self.error_db:+.2f}", f"{self.uncertainty_db:.2f}"]
                if self.stated > 0.0
                else ["", "", ""]
            ),
        ]
        return f"| {self.averages} | {self.margin_db:g} | {self.stated:.3f} | {' | '.join(shown)} |"


def drawn(averages: int, margin_db: float, shape: tuple[int, ...], seed: int) -> Subtraction:
    """Subtractions of drawn backgrounds of 1 Pa^2 from drawn totals."""
    random, dof = np.random.default_rng([seed, averages, round(10 * margin_db), len(shape)]), 2 * averages
    total, below = (true * random.chisquare(dof, shape) / dof for true in (10.0 ** (margin_db / 10.0), 1.0))
    return subtract(total, below, 2.0 * total**2 / dof, 2.0 * below**2 / dof, LIMITS)


def judged(found: Subtraction, averages: int, margin_db: float, source: float) -> Found:
    """Shares of levels beside the true power of the source."""
    bound = found.state == background.BOUND
    low, high = corrected_interval(found, 0.95)
    with np.errstate(invalid="ignore"):
        right = (low <= source) & (source <= high)
    each = np.hypot(background.random_uncertainty_db(found), background.background_uncertainty_db(found))
    error = level_db(found.corrected[~bound] / source, 1.0)
    some, none = bool((~bound).any()), float("nan")
    return Found(
        averages,
        margin_db,
        cases=bound.size,
        stated=float((~bound).mean()),
        holds=float((found.upper_bound[bound] >= source).mean()) if bound.any() else none,
        covers=float(right[~bound].mean()) if some else none,
        error_db=float(error.mean()) if some else none,
        uncertainty_db=float(np.sqrt(np.mean(each[~bound] ** 2))) if some else none,
    )


def of_bands(averages: int, margin_db: float, seed: int) -> Found:
    """One band or line."""
    return judged(drawn(averages, margin_db, (CASES,), seed), averages, margin_db, 10.0 ** (margin_db / 10.0) - 1.0)


def of_sums(averages: int, margin_db: float, seed: int) -> Found:
    """The sum of several bands."""
    bands = drawn(averages, margin_db, (CASES // 4, BANDS), seed)
    variances = bands.variance.sum(axis=1), bands.below_variance.sum(axis=1)
    summed = sum_bands(bands, variances, LIMITS, SETTINGS.bound_share).result
    return judged(summed, averages, margin_db, BANDS * (10.0 ** (margin_db / 10.0) - 1.0))


HEAD = (
    "| effective averages | true margin, dB | levels stated, share | bounds that hold | 95 % intervals that cover "
    "| mean error, dB | standard uncertainty, rms, dB |",
    "|---|---|---|---|---|---|---|",
)


def section(seed: int) -> tuple[list[str], list[str]]:
    """Lines of the Markdown section, and what missed its limit."""
    lines = [
        "",
        f"### Few averages ({CASES} draws a row, of sums {CASES // 4}; seed {seed})",
        "",
        "A band or line and its background, each of so many effective averages (half of the degrees of freedom), at "
        "one true margin. What is stated at one margin is judged among what was chosen alike: bounds among bounds, "
        f"levels among levels. Judged are shares of {JUDGED:.0%} of cases and more: bounds hold in {HOLDING[0]:.0%} "
        f"at least, intervals cover in {COVERAGE[0]:.0%} to {COVERAGE[1]:.0%}, by two standard errors. Mean errors of "
        "levels are errors by choice: near the limit those that measured high are stated, and the standard "
        "uncertainty has that in it.",
    ]
    missed: list[str] = []
    for title, make in (("", of_bands), (f"Sums of {BANDS} such bands:", of_sums)):
        lines += ["", *([title, ""] if title else []), *HEAD]
        for averages in AVERAGES:
            for margin_db in MARGINS_DB:
                found = make(averages, margin_db, seed)
                lines.append(found.row)
                if found.missed:
                    missed.append(f"{title or 'bands,'} {averages} averages, {margin_db:g} dB")
    return lines, missed


if __name__ == "__main__":
    print("\n".join(section(1)[0]))
    print(section(1)[1])
