"""Differences between two sets of repeated levels: means, scatter, intervals and words for them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.statistics import student_factor, student_p_value, variance_ratio_p_value
from tapeline.acoustics.uncertainty import welch_satterthwaite
from tapeline.acoustics.windows import Reals

OWN_SCATTER_P = 0.01
"""A position whose own repeats scatter more than the pooled ones at this level keeps its own scatter (own choice)."""

LEAST_OWN_FREEDOM = 2
"""Fewer degrees of freedom say too little of a position's own scatter (t would be 12.7)."""


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
class Cell:
    """One condition's repeats put together, every field of shape (positions, items).

    `count` counts usable runs with a value; `squares` is the sum of squared deviations, `random_variance` the mean of
    the runs' random variances, `background_db` the mean uncertainty by what the runs share of the background,
    `background_own` the mean variance by what each run has of its own; `bound` says that at least one usable
    run is a bound, and `upper_db` is then the level of the mean of upper bounds and values.
    """

    count: NDArray[np.int64]
    mean_db: Reals
    squares: Reals
    random_variance: Reals
    background_db: Reals
    background_own: Reals
    bound: NDArray[np.bool_]
    upper_db: Reals


def cell_of(runs: RunLevels) -> Cell:
    """Mean of levels in dB over the repeats (repeats of a ratio scale average as levels), and their scatter."""
    valid = np.isfinite(runs.level_db)
    bounded = np.isfinite(runs.upper_bound_db)
    count = valid.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(valid, runs.level_db, 0.0).sum(axis=0) / count
        squares = np.where(valid, (runs.level_db - mean) ** 2, 0.0).sum(axis=0)
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
    return Cell(count, mean, squares, random, shared, own_variance, bound, upper)


@dataclass(frozen=True)
class Scatter:
    """Variance (dB^2) of a run's level beyond its random error, per item, and its degrees of freedom (0: unknown).

    `correlation` says how much the positions of a run scatter together, 1 where nothing tells. Where it is a cell's
    own, `usual` is what the rest of the session has: a position that stands out is held against that.
    """

    excess: Reals
    degrees_of_freedom: Reals
    correlation: float = 1.0
    usual: Scatter | None = None


@dataclass(frozen=True)
class Difference:
    """Treatment minus reference, every field of shape (positions, items); open ends and unknowns are NaN.

    Where one side is a bound `p_value` tests how far apart both are at least.
    `basis`: 0 random error only, 1 pooled repeats, 2 own repeats. `reference_error_db` and `treatment_error_db` are the
    standard errors of the two means by themselves, without what both share. `terms` holds variance (dB^2) and degrees
    of freedom of each named term of the standard error.
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
    reference: Cell,
    treatment: Cell,
    scatters: tuple[Scatter, Scatter],
    lasting: Mapping[str, tuple[Reals, Reals]],
    confidence: float,
    *,
    same_background: bool,
) -> Difference:
    """Difference of two cells with its t interval.

    Variance of a cell's mean: (random variance + excess scatter) / n. The excess is the pooled one of the cell's
    session (`scatters`, for reference and treatment; the same object where both are of one session); where a position's
    own repeats scatter significantly more (F test), their own pooled variance stands in. `lasting` holds variance and
    degrees of freedom (positions, items) of what does not average out, by name: drift within a session, calibration and
    mounting between sessions. An error of the background does not average out either; where both cells have the same
    background runs it acts on both levels alike and only the difference of its effects is left. What a run's background
    has of its own is among the scatter of repeats; where it is larger, the rest is added.
    """
    inverse = inverse_count(reference.count) + inverse_count(treatment.count)
    random = reference.random_variance * inverse_count(reference.count) + treatment.random_variance * inverse_count(
        treatment.count
    )
    own_freedom = np.maximum(reference.count - 1, 0) + np.maximum(treatment.count - 1, 0)
    parts = [
        (scatter.excess * inverse_count(cell.count), np.maximum(scatter.degrees_of_freedom, 1.0))
        for scatter, cell in zip(scatters, (reference, treatment), strict=True)
    ]
    if scatters[0] is scatters[1]:
        parts = [(parts[0][0] + parts[1][0], parts[0][1])]
    pooled = np.asarray(sum(part for part, _ in parts))
    least_freedom = np.minimum(scatters[0].degrees_of_freedom, scatters[1].degrees_of_freedom)
    usual = [scatter.usual or scatter for scatter in scatters]
    usually = sum(
        one.excess * inverse_count(cell.count) for one, cell in zip(usual, (reference, treatment), strict=True)
    )
    usual_freedom = np.minimum(usual[0].degrees_of_freedom, usual[1].degrees_of_freedom)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.nan_to_num(reference.squares + treatment.squares) / own_freedom
        odd = own_stands_in(own, (random + usually) / inverse, own_freedom, usual_freedom)
        odd = odd & (own > (random + pooled) / inverse)
    effects = (reference.background_db, treatment.background_db)
    left = (effects[1] - effects[0]) ** 2 if same_background else effects[0] ** 2 + effects[1] ** 2
    for scatter, cell in zip(scatters, (reference, treatment), strict=True):
        left = left + background_beyond(cell, scatter)
    certain = np.full(random.shape, np.inf)
    repeats = [(np.where(odd, 0.0, part), _excess_freedom(part, random, freedom)) for part, freedom in parts]
    repeats.append((np.where(odd, own * inverse, 0.0), np.where(odd, own_freedom, 1)))
    single = {
        "random error": (np.where(odd, 0.0, random), certain),
        "background": (np.nan_to_num(left), certain),
        **lasting,
    }
    terms = [*single.values(), *repeats]
    variances, freedoms = (np.stack([np.broadcast_to(term[k], random.shape) for term in terms]) for k in (0, 1))
    degrees = np.maximum(welch_satterthwaite(variances, freedoms), 1.0)
    error = np.sqrt(variances.sum(axis=0))
    d = treatment.mean_db - reference.mean_db
    with np.errstate(divide="ignore", invalid="ignore"):
        half = student_factor(degrees, confidence) * error
        one_sided = _least_size(reference, treatment)
        p = student_p_value(np.where(np.isfinite(d), d, one_sided) / error, degrees)
        lower = np.where(reference.bound, treatment.mean_db - reference.upper_db - half, d - half)
        upper = np.where(treatment.bound, treatment.upper_db - reference.mean_db + half, d + half)
    known_scatter = least_freedom > 0
    errors = [
        _mean_error(cell, scatter, np.where(odd, own, 0.0))
        for cell, scatter in ((reference, scatters[0]), (treatment, scatters[1]))
    ]
    return Difference(
        difference_db=d,
        lower_db=np.where(reference.bound & treatment.bound, np.nan, lower),
        upper_db=np.where(reference.bound & treatment.bound, np.nan, upper),
        standard_error_db=error,
        degrees_of_freedom=degrees,
        p_value=p,
        basis=np.where(odd, 2, np.where(known_scatter, 1, 0)).astype(np.int8),
        reference_error_db=errors[0],
        treatment_error_db=errors[1],
        terms={**single, "repeats": _joined(repeats)},
    )


def _least_size(reference: Cell, treatment: Cell) -> Reals:
    """Where one side is a bound: how far apart both are at least, with its sign; zero where they may be alike.

    The upper bound itself stands for the bounded side, so that a test of it is on the safe side. NaN where neither or
    both are bounds.
    """
    above = np.maximum(treatment.mean_db - reference.upper_db, 0.0)
    below = np.minimum(treatment.upper_db - reference.mean_db, 0.0)
    return np.where(
        reference.bound & ~treatment.bound, above, np.where(treatment.bound & ~reference.bound, below, np.nan)
    )


def _excess_freedom(part: Reals, random: Reals, freedom: Reals) -> Reals:
    """Degrees of freedom of an excess that is what is left of a pooled variance after its random part.

    The pooled variance of random and excess together has `freedom`; the excess alone is as uncertain in absolute terms,
    so that Welch-Satterthwaite gives `freedom` for the sum: freedom x (excess / (excess + random))^2.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(part > 0.0, part / (part + random), 1.0)
    return np.asarray(np.broadcast_to(freedom, random.shape) * share**2)


def run_to_run(cell: Cell, scatter: Scatter) -> tuple[Reals, Reals, Reals]:
    """Variances (dB^2) of a cell's mean by random error and by the scatter of repeats, and the latter's freedom.

    The pooled scatter, or a position's own where it is significantly larger (F test) or where nothing was pooled; its
    own takes the random error's place.
    """
    freedom = np.maximum(cell.count - 1, 0)
    inverse = inverse_count(cell.count)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.nan_to_num(cell.squares) / freedom
        usual = scatter.usual or scatter
        takes_place = own_stands_in(own, cell.random_variance + usual.excess, freedom, usual.degrees_of_freedom)
        takes_place = takes_place & (own > cell.random_variance + scatter.excess)
    return (
        np.where(takes_place, 0.0, cell.random_variance * inverse),
        np.where(takes_place, np.nan_to_num(own) * inverse, scatter.excess * inverse),
        np.where(takes_place, freedom, np.maximum(scatter.degrees_of_freedom, 1.0)).astype(np.float64),
    )


def own_stands_in(
    own: Reals, expected: Reals, own_freedom: NDArray[np.int64] | Reals, pooled_freedom: Reals
) -> NDArray[np.bool_]:
    """Where a position's own variance takes the place of the expected one: it is significantly larger (F test).

    Where nothing is pooled its own repeats are all that is known of its scatter, and larger is enough.
    """
    chance = variance_ratio_p_value(own, expected, own_freedom, np.maximum(pooled_freedom, 1.0))
    clear = (chance < OWN_SCATTER_P) | (pooled_freedom <= 0)
    with np.errstate(invalid="ignore"):
        return np.asarray((own > expected) & clear & (own_freedom >= LEAST_OWN_FREEDOM))


def _joined(parts: list[tuple[Reals, Reals]]) -> tuple[Reals, Reals]:
    """Variance and degrees of freedom of some terms together."""
    variances, freedoms = (np.stack([part[k] for part in parts]) for k in (0, 1))
    return variances.sum(axis=0), welch_satterthwaite(variances, freedoms)


def _mean_error(cell: Cell, scatter: Scatter, own: Reals) -> Reals:
    """Standard error (dB) of a cell's mean: random, scatter of repeats (`own` where it stands in), background."""
    repeats = np.where(own > 0.0, own, cell.random_variance + scatter.excess) * inverse_count(cell.count)
    return np.asarray(np.sqrt(repeats + cell.background_db**2 + background_beyond(cell, scatter)))


def background_beyond(cell: Cell, scatter: Scatter) -> Reals:
    """Variance of a cell's mean by its backgrounds' own scatter, as far as the scatter of repeats does not hold it."""
    return np.asarray(np.maximum(cell.background_own - scatter.excess, 0.0) * inverse_count(cell.count))


def inverse_count(count: NDArray[np.int64]) -> Reals:
    """One over the number of runs; 1 where there is none."""
    with np.errstate(divide="ignore"):
        return np.where(count > 0, 1.0 / count, 1.0)


def findings(result: Difference, adjusted_p: Reals, confidence: float, threshold_db: float) -> NDArray[np.object_]:
    """The word for each difference: equivalent, lower, higher, not shown, bound; None where nothing was compared."""
    ends = (result.lower_db, result.upper_db)
    return finding_words(result.difference_db, ends, adjusted_p, confidence, threshold_db)


def finding_words(
    difference_db: Reals, ends: tuple[Reals, Reals], adjusted_p: Reals, confidence: float, threshold_db: float
) -> NDArray[np.object_]:
    """The word for differences of any shape with both ends of their intervals and adjusted p-values.

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
