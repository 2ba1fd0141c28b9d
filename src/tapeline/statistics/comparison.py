"""Differences between two sets of repeated levels: means, scatter, intervals and words for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.statistics.combined_uncertainty import together, welch_satterthwaite
from tapeline.statistics.repeat_scatter import Scatter
from tapeline.statistics.significance import student_factor, student_p_value
from tapeline.statistics.term_variances import variance_in_step
from tapeline.statistics.uncertainty_terms import BACKGROUND, HELD_CHANGE, RANDOM_ERROR, REPEATS, TERM_BY_NAME


@dataclass(frozen=True)
class RunLevels:
    """Levels of the runs of one condition at one operating point, every field of shape (runs, positions, items).

    `level_db` is NaN where a run is not usable or is a bound; `upper_bound_db` is given for bounds only.
    `background_db` is the uncertainty from the background, of which `background_own_db`, where given, is what each run
    has of its own; the rest is shared by the repeats.
    """

    level_db: Reals
    random_db: Reals
    background_db: Reals
    upper_bound_db: Reals
    state: NDArray[np.int8]
    background_own_db: Reals | None = None


@dataclass(frozen=True)
class ConditionMean:
    """One condition's repeats put together, every field of shape (positions, items).

    `count` counts usable runs with a value; `random_variance` is the mean of the runs' random variances,
    `background_db` the mean uncertainty by what the runs share of the background, `background_own` the mean variance by
    what each run has of its own; `bound` says that at least one usable run is a bound, and `upper_db` is then the level
    of the mean of upper bounds and values.
    """

    count: NDArray[np.int64]
    mean_db: Reals
    random_variance: Reals
    background_db: Reals
    background_own: Reals
    bound: NDArray[np.bool_]
    upper_db: Reals


def condition_mean(runs: RunLevels) -> ConditionMean:
    """Mean levels of a condition over its repeats, in dB (repeats of a ratio scale average as levels)."""
    valid = np.isfinite(runs.level_db)
    bounded = np.isfinite(runs.upper_bound_db)
    count = valid.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(valid, runs.level_db, 0.0).sum(axis=0) / count
        random = np.where(valid, runs.random_db**2, 0.0).sum(axis=0) / count
        own = np.where(valid, 0.0 if runs.background_own_db is None else runs.background_own_db, 0.0)
        shared_db = np.sqrt(np.maximum(np.where(valid, runs.background_db, 0.0) ** 2 - own**2, 0.0))
        shared, own_variance = shared_db.sum(axis=0) / count, (own**2).sum(axis=0) / count
        either = np.where(valid, runs.level_db, runs.upper_bound_db)
        known = valid | bounded
        power = np.where(known, 10.0 ** (either / 10.0), 0.0).sum(axis=0) / known.sum(axis=0)
        upper = 10.0 * np.log10(power)
    bound = np.asarray(bounded.any(axis=0))
    mean, upper = np.where(bound, np.nan, mean), np.where(bound, upper, np.nan)
    # Where every run is a bound no value scatters: the bounds hold their own uncertainty.
    random, shared, own_variance = (np.nan_to_num(part) for part in (random, shared, own_variance))
    return ConditionMean(count, mean, random, shared, own_variance, bound, upper)


@dataclass(frozen=True)
class Difference:
    """Treatment minus reference, every field of shape (positions, items); open ends and unknowns are NaN.

    Where one side is a bound `p_value` tests how far apart both are at least.
    `basis`: 0 random error only, 1 repeats of the position, 2 repeats of both cells alone. `reference_error_db` and
    `treatment_error_db` are the standard errors of the two means by themselves, without what both share. `terms` holds
    variance (dB^2) and degrees of freedom of each named term of the standard error.
    """

    difference_db: Reals
    lower_db: Reals
    upper_db: Reals
    standard_error_db: Reals
    degrees_of_freedom: Reals
    p_value: Reals
    basis: NDArray[np.int8]
    reference_error_db: Reals
    treatment_error_db: Reals
    terms: dict[str, tuple[Reals, Reals]]


def difference(
    reference: ConditionMean,
    treatment: ConditionMean,
    scatters: tuple[Scatter, Scatter],
    lasting: Mapping[str, tuple[Reals, Reals]],
    confidence: float,
    *,
    same_background: bool,
    one_pool: bool,
    held_db: Reals | None = None,
) -> Difference:
    """Difference of two cells with its t interval.

    Variance of a cell's mean: (random variance + excess scatter) / n, the scatter being that of the position
    (`scatters`, for reference and treatment). What two cells have from the same repeats is no better known for being
    there twice (`one_pool`, and where scatter is lent). `held_db`, where given, is what was measured to change between
    the two sessions: the interval is made to hold it, as a term of its own, since it may be all that there is of the
    difference. `lasting` holds variance and degrees of freedom (positions, items) of what does
    not average out, by name: drift within a session, calibration and mounting between sessions. An error of the
    background does not average out either; where both cells have the same background runs it acts on both levels alike
    and only the difference of its effects is left. What a run's background has of its own is among the scatter of
    repeats; where it is larger, the rest is added.
    """
    sides = list(zip((reference, treatment), scatters, strict=True))
    of_sides = [run_to_run(cell, scatter) for cell, scatter in sides]
    effects = (reference.background_db, treatment.background_db)
    left = (effects[1] - effects[0]) ** 2 if same_background else effects[0] ** 2 + effects[1] ** 2
    left = left + sum(background_beyond(cell, scatter) for cell, scatter in sides)
    terms = {
        **repeat_terms(of_sides, one_pool=one_pool | scatters[0].is_lent | scatters[1].is_lent),
        BACKGROUND.name: (np.nan_to_num(left), np.full(left.shape, np.inf)),
        **lasting,
    }
    shape = reference.mean_db.shape
    variances, dofs = (np.stack([np.broadcast_to(term[k], shape) for term in terms.values()]) for k in (0, 1))
    degrees = np.maximum(welch_satterthwaite(variances, dofs), 1.0)
    variance = variances.sum(axis=0)
    if held_db is not None:
        least = np.nan_to_num(held_db / student_factor(degrees, confidence)) ** 2
        terms[HELD_CHANGE.name] = (np.maximum(least - variance, 0.0), degrees)
        variance = np.maximum(variance, least)
    error = np.sqrt(variance)
    d = treatment.mean_db - reference.mean_db
    with np.errstate(divide="ignore", invalid="ignore"):
        half = student_factor(degrees, confidence) * error
        one_sided = _least_size(reference, treatment)
        p = student_p_value(np.where(np.isfinite(d), d, one_sided) / error, degrees)
        lower = np.where(reference.bound, treatment.mean_db - reference.upper_db - half, d - half)
        upper = np.where(treatment.bound, treatment.upper_db - reference.mean_db + half, d + half)
    errors = [_mean_error(cell, scatter) for cell, scatter in sides]
    known = np.minimum(scatters[0].degrees_of_freedom, scatters[1].degrees_of_freedom) > 0.0
    return Difference(
        difference_db=d,
        lower_db=np.where(reference.bound & treatment.bound, np.nan, lower),
        upper_db=np.where(reference.bound & treatment.bound, np.nan, upper),
        standard_error_db=error,
        degrees_of_freedom=degrees,
        p_value=p,
        basis=np.where(known, 1 if scatters[0].pooled else 2, 0).astype(np.int8),
        reference_error_db=errors[0],
        treatment_error_db=errors[1],
        terms=terms,
    )


def _least_size(reference: ConditionMean, treatment: ConditionMean) -> Reals:
    """Where one side is a bound: how far apart both are at least, with its sign; zero where they may be alike.

    The upper bound itself stands for the bounded side, so that a test of it is on the safe side. NaN where neither or
    both are bounds.
    """
    above = np.maximum(treatment.mean_db - reference.upper_db, 0.0)
    below = np.minimum(treatment.upper_db - reference.mean_db, 0.0)
    return np.where(
        reference.bound & ~treatment.bound, above, np.where(treatment.bound & ~reference.bound, below, np.nan)
    )


@dataclass(frozen=True)
class RunToRun:
    """Variances (dB^2) of a cell's mean by random error and by scatter beyond it, and the sum's degrees of freedom.

    All (positions, items); where nothing was repeated the degrees of freedom are infinite: random error alone is known.
    """

    random: Reals
    excess: Reals
    degrees_of_freedom: Reals

    @property
    def variance(self) -> Reals:
        """Sum of both variances, in dB^2."""
        return self.random + self.excess

    def at(self, place: int) -> RunToRun:
        """The same at one position, (items,)."""
        return RunToRun(self.random[place], self.excess[place], self.degrees_of_freedom[place])


def run_to_run(cell: ConditionMean, scatter: Scatter) -> RunToRun:
    """Variance that random error and scatter of single runs leave in the mean of a cell."""
    inverse = inverse_count(cell.count)
    dof = np.where(scatter.degrees_of_freedom > 0.0, scatter.degrees_of_freedom, np.inf)
    return RunToRun(cell.random_variance * inverse, scatter.excess * inverse, dof)


def repeat_terms(parts: Sequence[RunToRun], *, one_pool: bool | NDArray[np.bool_]) -> dict[str, tuple[Reals, Reals]]:
    """Random error and repeats of one mean or of several together, as terms of a standard error.

    Welch-Satterthwaite of both terms gives the degrees of freedom of the variance that was estimated, their sum, even
    where nothing is left beyond random error. `one_pool`: the parts rest on the same repeats.
    """
    random, excess = (np.asarray(sum(getattr(part, name) for part in parts)) for name in ("random", "excess"))
    each = np.stack([part.variance for part in parts])
    dofs = np.stack([part.degrees_of_freedom for part in parts])
    dof = np.where(one_pool, together(each, dofs), welch_satterthwaite(each, dofs))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(excess > 0.0, excess / (excess + random), 1.0)
    return {
        RANDOM_ERROR.name: (random, np.where(excess > 0.0, np.inf, dof)),
        REPEATS.name: (excess, np.where(np.isfinite(dof), dof, 1.0) * share**2),
    }


@dataclass(frozen=True)
class MeanTerms:
    """The terms of one mean: what single runs do to it, and variance (dB^2) and degrees of freedom of every term."""

    of_runs: RunToRun
    terms: Mapping[str, tuple[Reals, Reals]]


def terms_between_positions(sides: Sequence[MeanTerms]) -> tuple[Reals, Reals]:
    """Variances and degrees of freedom of the terms of a difference of two sensors in one session, (terms, items).

    The scatter of repeats and what is assumed of it are known from one source for both sides, so that two of them are
    no better known than one. What acts on all positions alike cancels, and errors of one sign as far as they are alike.
    """
    of_runs = repeat_terms([side.of_runs for side in sides], one_pool=True)
    variances = {name: variance for name, (variance, _) in of_runs.items()}
    degrees = {name: each for name, (_, each) in of_runs.items()}
    for side in sides:
        for name, (variance, each) in side.terms.items():
            if not TERM_BY_NAME[name].cancels_between_positions and name not in of_runs:
                known = variances.get(name, np.zeros_like(variance))
                in_step = TERM_BY_NAME[name].in_step
                variances[name] = variance_in_step(known, variance) if in_step else known + variance
                degrees[name] = np.minimum(degrees.get(name, np.inf), each)
    return np.stack(list(variances.values())), np.stack(list(degrees.values()))


def _mean_error(cell: ConditionMean, scatter: Scatter) -> Reals:
    """Standard error (dB) of a cell's mean: random, scatter of repeats, background."""
    variance = run_to_run(cell, scatter).variance + cell.background_db**2 + background_beyond(cell, scatter)
    return np.asarray(np.sqrt(variance))


def background_beyond(cell: ConditionMean, scatter: Scatter) -> Reals:
    """Variance of a cell's mean by the scatter of its backgrounds beyond what the scatter of repeats holds."""
    return np.asarray(np.maximum(cell.background_own - scatter.excess, 0.0) * inverse_count(cell.count))


def inverse_count(count: NDArray[np.int64]) -> Reals:
    """One over the number of runs; 1 where there is none."""
    with np.errstate(divide="ignore"):
        return np.where(count > 0, 1.0 / count, 1.0)


def findings(result: Difference, adjusted_p: Reals, confidence: float, threshold_db: float) -> NDArray[np.object_]:
    """Finding for each difference: equivalent, lower, higher, not shown, bound; None where nothing was compared."""
    ends = (result.lower_db, result.upper_db)
    return finding_words(result.difference_db, ends, adjusted_p, confidence, threshold_db)


def finding_words(
    difference_db: Reals, ends: tuple[Reals, Reals], adjusted_p: Reals, confidence: float, threshold_db: float
) -> NDArray[np.object_]:
    """Finding for differences of any shape, from both ends of their intervals and their adjusted p-values.

    `equivalent` where the interval lies within the threshold (two one-sided tests, Schuirmann 1987), else `lower` or
    `higher` where the adjusted p-value shows it, else `not shown`; `bound` where one end alone is known.
    """
    word = np.full(difference_db.shape, None, dtype=object)
    valid = np.isfinite(difference_db)
    word[~valid & (np.isfinite(ends[0]) | np.isfinite(ends[1]))] = "bound"
    word[valid] = "not shown"
    shown = valid & (adjusted_p <= 1.0 - confidence)
    word[shown & (difference_db < 0)] = "lower"
    word[shown & (difference_db > 0)] = "higher"
    word[valid & (ends[0] > -threshold_db) & (ends[1] < threshold_db)] = "equivalent"
    return word
