"""Convection speed and decay of coherence along a line of sensors, from the cross-spectra of its pairs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.acoustics.cross_spectra import coherence_threshold
from tapeline.acoustics.windows import power_variance
from tapeline.arrays import Flags, Reals
from tapeline.limits import (
    LINE_AGAINST_STANDARD_ERRORS,
    LINE_AT_NO_DISTANCE_MOST_RATIO,
    LINE_DISTANCES_APART_TIMES,
    LINE_MISFIT_MOST_RAD,
    LINE_MISFIT_STANDARD_ERRORS,
    LINE_PHASE_MOST_RAD,
    LINE_SEARCH_COHERENCE_MOST_SHARE,
    LINE_SEARCH_HIGHEST_SPEED_SHARE,
    LINE_SEARCH_LOWEST_SPEED_SHARE,
    LINE_SPEED_MOST_SHARE,
)

Complexes = NDArray[np.complex128]

SEARCH_STEP_RAD = 0.25
"""Step of the searched phases at the highest line, over neighbours farthest apart; what is found is refined."""

SEARCHED_LINES = 1500
"""Most lines that the search looks at, spread over all."""

ROUNDS = 3
"""Refinements of a band's speed: neighbours, then all pairs, then all pairs about the better speed."""


@dataclass(frozen=True)
class LineSpectraOfPairs:
    """Cross-spectra (pairs, lines) of a line of sensors, conj(X_i) X_j for i before j downstream, and their powers.

    Pairs are those of `pairs_of` the sensors, `auto` is (sensors, lines), `along_m` (sensors,) rises downstream.
    `averages` are the independent averages of each line, `covariance` the lines' relative covariance by distance, both
    of the averaged spectra; `shape` is the window and `rate_hz` the sampling rate.
    """

    csd: Complexes
    auto: Reals
    along_m: Reals
    hz: Reals
    averages: float
    covariance: Reals
    shape: Reals
    rate_hz: float

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """The pairs of sensors, in the order of the cross-spectra."""
        return pairs_of(self.along_m.size)

    @property
    def distance_m(self) -> Reals:
        """Distance of each pair, (pairs,)."""
        return np.array([self.along_m[j] - self.along_m[i] for i, j in self.pairs])

    @property
    def neighbours(self) -> Flags:
        """Which pairs are next to each other, (pairs,)."""
        return np.array([j == i + 1 for i, j in self.pairs], dtype=bool)


@dataclass(frozen=True)
class Direction:
    """Which way pressure is carried along a line: `against` (neighbours,) names those that it runs up, not down.

    `opposite` names those of which one has the other polarity. `slowness_s_per_m` is that of all neighbours
    together, negative upstream, NaN where nothing can be told.
    """

    slowness_s_per_m: float
    against: Flags
    opposite: Flags

    @property
    def contradicted(self) -> bool:
        """Whether some neighbours run up the line and others down it: the order or the places are wrong."""
        return bool(self.against.any() and not self.against.all())


@dataclass(frozen=True)
class LineBand:
    """One band: convection speed and decay with the ends of their intervals, NaN where coherence does not carry them.

    `decay` is a of coherence = c exp(-a omega distance / speed), `at_no_distance` is c: 1 is taken where all used
    pairs are equally far apart. `misfit_rad` is the rms of what one speed leaves of the phases beyond chance, 0
    where it leaves nothing beyond chance; the interval of the speed holds it, and no decay is given. `coherence`
    (squared, bias removed) is the mean over neighbours, `threshold` what unrelated signals stay below, `shortest_m`
    and `longest_m` the distances of the `pairs` used.
    """

    coherence: float
    threshold: float
    pairs: int = 0
    shortest_m: float = np.nan
    longest_m: float = np.nan
    speed_mps: float = np.nan
    speed_lower_mps: float = np.nan
    speed_upper_mps: float = np.nan
    decay: float = np.nan
    decay_lower: float = np.nan
    decay_upper: float = np.nan
    at_no_distance: float = np.nan
    misfit_rad: float = 0.0


def pairs_of(sensors: int) -> list[tuple[int, int]]:
    """Pairs of sensors by their places on the line, the one upstream first.

    >>> pairs_of(3)
    [(0, 1), (0, 2), (1, 2)]
    """
    return list(combinations(range(sensors), 2))


def direction(spectra: LineSpectraOfPairs, flow_speed_mps: float) -> Direction:
    """Which way and how fast pressure is carried, searched between shares of the flow's speed (m/s) both ways.

    All significant lines of neighbours together, turned back by each slowness that is tried, weighted by what their
    phases tell: coherence / (1 - coherence). Neighbours run against the order where their lines fit some speed upstream
    better than any downstream, and than anything faster such as sound or hum, by `LINE_AGAINST_STANDARD_ERRORS`
    standard errors. Their polarities differ where lines of the other sign fit better than any of these.
    """
    near = spectra.neighbours
    ends = [(i, j) for i, j in spectra.pairs if j == i + 1]
    kept = slice(None, None, -(-spectra.hz.size // SEARCHED_LINES))
    hz = spectra.hz[kept]
    power = np.array([np.sqrt(spectra.auto[i, kept] * spectra.auto[j, kept]) for i, j in ends])
    with np.errstate(divide="ignore", invalid="ignore"):
        gamma = np.nan_to_num(spectra.csd[near][:, kept] / power)
    # A tone has no more to say than noise of so much coherence.
    squared = np.minimum(_without_bias(np.abs(gamma) ** 2, spectra.averages), LINE_SEARCH_COHERENCE_MOST_SHARE)
    # Of many unrelated lines some pass; these have the phase of chance and the size of the threshold.
    chance = float(coherence_threshold(spectra.averages, 0.999))
    weight = np.where(squared > chance, squared / (1.0 - squared), 0.0)
    apart = spectra.distance_m[near]
    slowest, fastest = (
        1.0 / (share * flow_speed_mps) for share in (LINE_SEARCH_LOWEST_SPEED_SHARE, LINE_SEARCH_HIGHEST_SPEED_SHARE)
    )
    told = weight.any(axis=0)
    if not told.any():
        nothing = np.zeros(apart.size, dtype=bool)
        return Direction(np.nan, nothing, nothing)
    step = SEARCH_STEP_RAD / (2.0 * np.pi * hz[told][-1] * apart.max())
    half = np.arange(0.0, slowest + step, step)
    slowness = np.concatenate([-half[:0:-1], half])
    fit = np.empty((apart.size, slowness.size))
    for p, distance in enumerate(apart):
        seen = weight[p] > 0.0
        turn = np.exp(2j * np.pi * distance * np.outer(slowness, hz[seen]))
        fit[p] = (turn @ (weight[p] * gamma[p])[seen]).real
    up, down = slowness <= -fastest, slowness >= fastest
    alike = 1.0 + 2.0 * spectra.covariance[1:].sum() / spectra.covariance[0]
    each = np.maximum((1.0 - squared) * spectra.covariance[0], chance)
    margin = LINE_AGAINST_STANDARD_ERRORS * np.sqrt((weight**2 * each / 2.0).sum(axis=1) * alike)
    against = fit[:, up].max(axis=1) - fit[:, ~up].max(axis=1) > margin
    opposite = -fit.min(axis=1) - fit.max(axis=1) > margin
    return Direction(float(slowness[up | down][fit[:, up | down].sum(axis=0).argmax()]), against, opposite)


def line_band(
    spectra: LineSpectraOfPairs, share: Reals, start_s_per_m: float, confidence: float, mismatch_rad: float
) -> LineBand:
    """Convection speed and decay of one band, `share` (lines,) of each line in it, from a slowness near the right one.

    The cross-spectra are turned back by the delays of that slowness and summed over the band, each line over the
    line's own power, so that a band is one estimate of many averages. Speed: phases of the pairs over omega times
    distance; decay: logarithms of their coherences, bias and the window's loss by the delay removed; both weighted
    by what each pair is worth by itself. Variances are those of the weighted sums under the covariance of the
    estimated cross-spectra (complex Wishart; Brillinger, Time Series, 7.2), so that pairs that share a sensor count
    as they should. Phases that are not in proportion to the distance, or not to the frequency within the band (both
    halves are looked at by themselves), are those of several waves. `mismatch_rad` is the standard deviation of the
    phase between sensors, which no average lessens.
    """
    lines = np.flatnonzero(share > 0.0)
    h, hz = share[lines], spectra.hz[lines]
    auto = spectra.auto[:, lines]
    whitened = h / auto.mean(axis=0)
    omega = 2.0 * np.pi * float((hz * h).sum() / h.sum())
    count = float(h.sum() ** 2 / power_variance(h, spectra.covariance))
    power = (auto * whitened).sum(axis=1)
    apart, near = spectra.distance_m, spectra.neighbours
    slowness = start_s_per_m
    threshold = float(coherence_threshold(max(count, 1.0), 0.95))
    found = LineBand(np.nan, threshold)
    for round_ in range(ROUNDS):
        turn = np.exp(2j * np.pi * slowness * np.outer(apart, hz))
        matrix = _normalised(spectra, (spectra.csd[:, lines] * turn * whitened).sum(axis=1), power)
        squared = _without_bias(np.abs(_of_pairs(matrix, spectra)) ** 2, count)
        if round_ == 0:
            found = LineBand(float(squared[near].mean()), threshold)
        with np.errstate(divide="ignore"):
            phase_rad = np.sqrt((1.0 / np.maximum(squared, 0.0) - 1.0) / (2.0 * count))
        used = (squared > threshold) & (phase_rad < LINE_PHASE_MOST_RAD) & (near if round_ == 0 else True)
        if not used.any():
            return found
        scale = omega * apart[used]
        covariance = _phase_covariance(matrix, spectra, used, count) + mismatch_rad**2 * _shared(spectra, used)
        functional = scale / np.diag(covariance)
        functional /= (functional * scale).sum()
        slowness -= float(functional @ np.angle(_of_pairs(matrix, spectra)[used]))
        error = float(np.sqrt(functional @ covariance @ functional))
    turn = np.exp(2j * np.pi * slowness * np.outer(apart, hz))
    misfit = _misfit_rad(spectra, spectra.csd[:, lines] * turn * whitened, power, h, used, covariance)
    found = replace(found, misfit_rad=misfit)
    # What one wave does not explain is nothing that more pairs would average.
    error = float(np.hypot(error, misfit / np.sqrt(np.mean(scale**2))))
    factor = float(scipy.special.ndtri(0.5 + confidence / 2.0))
    if misfit > LINE_MISFIT_MOST_RAD:
        return found
    if not slowness * start_s_per_m > 0.0 or factor * error > LINE_SPEED_MOST_SHARE * abs(slowness):
        return found
    size = abs(slowness)
    decay = (np.nan, np.nan, np.nan) if misfit > 0.0 else _decay(spectra, squared, used, count, omega, size)
    if decay[2] > LINE_AT_NO_DISTANCE_MOST_RATIO:
        decay = (np.nan, np.nan, np.nan)
    relative = error / size
    return replace(
        found,
        pairs=int(used.sum()),
        shortest_m=float(apart[used].min()),
        longest_m=float(apart[used].max()),
        speed_mps=1.0 / size,
        speed_lower_mps=1.0 / (size + factor * error),
        speed_upper_mps=1.0 / (size - factor * error),
        decay=decay[0],
        decay_lower=decay[0] - factor * float(np.hypot(decay[1], decay[0] * relative)),
        decay_upper=decay[0] + factor * float(np.hypot(decay[1], decay[0] * relative)),
        at_no_distance=decay[2],
    )


def _misfit_rad(
    spectra: LineSpectraOfPairs, turned: Complexes, power: Reals, share: Reals, used: Flags, covariance: Reals
) -> float:
    """Rms of the phases that are left when the cross-spectra (pairs, lines) are turned back, beyond their errors.

    0 where chance makes as much, by `LINE_MISFIT_STANDARD_ERRORS` of the sum of squares over their variances.
    """
    half = int(np.searchsorted(np.cumsum(share), 0.5 * share.sum()))
    parts = [part for part in (turned[:, : half + 1], turned[:, half + 1 :]) if part.shape[1]]
    left = np.array(
        [np.angle(_of_pairs(_normalised(spectra, part.sum(axis=1), power), spectra)[used]) for part in parts]
    )
    variance = len(parts) * np.diag(covariance)
    alike = covariance / np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    expected, scatter = float(left.size), np.sqrt(2.0 * len(parts) * (alike**2).sum())
    if (left**2 / variance).sum() < expected + LINE_MISFIT_STANDARD_ERRORS * scatter:
        return 0.0
    weight = np.broadcast_to(1.0 / variance, left.shape)
    return float(np.sqrt(((left**2 - variance) * weight).sum() / weight.sum()))


def _decay(
    spectra: LineSpectraOfPairs, squared: Reals, used: Flags, count: float, omega: float, slowness: float
) -> tuple[float, float, float]:
    """Decay, its standard error, and the coherence at no distance, 1 where one distance alone does not tell it.

    Fitted twice: the first fit to logarithms of what is used decides which pairs count and by how much, the second is
    to the coherences themselves about it. Pairs picked and weighted by their own estimates would be the high ones.
    """
    delay = spectra.distance_m * slowness
    loss = np.array([_window_correlation(spectra.shape, each * spectra.rate_hz) for each in delay])
    corrected = squared / loss**2
    far = omega * delay
    several = far[used].max() > LINE_DISTANCES_APART_TIMES * far[used].min()
    level, wanted = 0.5 * np.log(np.maximum(corrected, np.finfo(float).tiny)), used
    found, error = np.zeros(2), np.nan
    for _ in range(2):
        design = np.stack([-far, np.ones(far.size)], axis=1)[:, : 2 if several else 1]
        variance = (1.0 - np.minimum(squared, 0.9999)) ** 2 / np.maximum(squared, np.finfo(float).tiny)
        turned = design[wanted].T / variance[wanted]
        solved = np.linalg.solve(turned @ design[wanted], turned)
        found = solved @ level[wanted]
        model = np.exp(design @ found)
        covariance = _level_covariance(_matrix(spectra, np.minimum(model * loss, 0.9999)), spectra, wanted, count)
        error = float(np.sqrt(solved[0] @ covariance @ solved[0]))
        level = design @ found + (corrected - model**2) / (2.0 * model**2)
        squared = (model * loss) ** 2
        wanted = (1.0 - np.minimum(squared, 1.0)) / np.sqrt(2.0 * count * squared) < LINE_PHASE_MOST_RAD
        if not wanted.any() or (several and far[wanted].max() <= LINE_DISTANCES_APART_TIMES * far[wanted].min()):
            break
    return float(found[0]), error, float(np.exp(found[1])) if several else 1.0


def _without_bias(squared: Reals, averages: float) -> Reals:
    """Coherence (squared) less the bias of its estimate, about 1 / averages where there is none; of chance negative."""
    return np.asarray((averages * squared - 1.0) / max(averages - 1.0, 1.0))


def _normalised(spectra: LineSpectraOfPairs, sums: Complexes, power: Reals) -> Complexes:
    """Complex coherences of all sensors with each other, (sensors, sensors)."""
    return _matrix(spectra, sums / np.array([np.sqrt(power[i] * power[j]) for i, j in spectra.pairs]))


def _matrix(spectra: LineSpectraOfPairs, coherences: Complexes | Reals) -> Complexes:
    """Complex coherences of pairs as a Hermitian matrix, (sensors, sensors)."""
    matrix = np.eye(spectra.along_m.size, dtype=np.complex128)
    for (i, j), each in zip(spectra.pairs, coherences, strict=True):
        matrix[i, j], matrix[j, i] = each, np.conj(each)
    return matrix


def _of_pairs(matrix: Complexes, spectra: LineSpectraOfPairs) -> Complexes:
    return np.array([matrix[i, j] for i, j in spectra.pairs])


def _relative_covariances(matrix: Complexes, first: Reals, second: Reals) -> tuple[Complexes, Complexes]:
    """Covariance and pseudo-covariance, times the averages, of the relative errors of estimated cross-spectra.

    Of the entries (first, second) of the matrix, (entries, entries): G_ik conj(G_jl) / (G_ij conj(G_kl)) and
    G_il G_kj / (G_ij G_kl).
    """
    i, j = first.astype(np.intp), second.astype(np.intp)
    own = matrix[i, j]
    plain = matrix[np.ix_(i, i)] * np.conj(matrix[np.ix_(j, j)]) / np.outer(own, np.conj(own))
    pseudo = matrix[np.ix_(i, j)] * matrix[np.ix_(i, j)].T / np.outer(own, own)
    return plain, pseudo


def _entries(spectra: LineSpectraOfPairs, used: Flags) -> tuple[Reals, Reals]:
    chosen = [pair for pair, each in zip(spectra.pairs, used, strict=True) if each]
    return np.array([i for i, _ in chosen], dtype=np.float64), np.array([j for _, j in chosen], dtype=np.float64)


def _phase_covariance(matrix: Complexes, spectra: LineSpectraOfPairs, used: Flags, count: float) -> Reals:
    """Covariance (rad^2) of the phases of the used pairs by their averages."""
    plain, pseudo = _relative_covariances(matrix, *_entries(spectra, used))
    return np.asarray((plain - pseudo).real / (2.0 * count))


def _level_covariance(matrix: Complexes, spectra: LineSpectraOfPairs, used: Flags, count: float) -> Reals:
    """Covariance of the logarithms of the used pairs' coherences (magnitudes)."""
    first, second = _entries(spectra, used)
    sensors = np.arange(spectra.along_m.size, dtype=np.float64)
    plain, pseudo = _relative_covariances(matrix, np.append(first, sensors), np.append(second, sensors))
    real = (plain + pseudo).real / (2.0 * count)
    take = np.hstack([np.eye(first.size), np.zeros((first.size, sensors.size))])
    for p, (i, j) in enumerate(zip(first.astype(int), second.astype(int), strict=True)):
        take[p, first.size + i] -= 0.5
        take[p, first.size + j] -= 0.5
    return np.asarray(take @ real @ take.T)


def _shared(spectra: LineSpectraOfPairs, used: Flags) -> Reals:
    """Covariance of the phases of the used pairs by one of each sensor of variance 1."""
    first, second = (each.astype(np.intp) for each in _entries(spectra, used))
    ends = np.zeros((first.size, spectra.along_m.size))
    ends[np.arange(first.size), second] = 1.0
    ends[np.arange(first.size), first] = -1.0
    return np.asarray(ends @ ends.T)


def _window_correlation(shape: Reals, shift_frames: float) -> float:
    """What a delay of so many frames leaves of the coherence of two blocks: the window's correlation with itself."""
    at = np.arange(shape.size, dtype=np.float64)
    moved = np.interp(at - shift_frames, at, shape, left=0.0, right=0.0)
    return float((shape * moved).sum() / (shape**2).sum())
