"""Tones in averaged spectra: lines above the continuous spectrum, their frequency, level, width and persistence."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.acoustics.windows import WindowName, all_pairs, line_covariance, noise_bandwidth_lines, window
from tapeline.arrays import Flags, Reals
from tapeline.limits import (
    TONE_BUNDLE_EDGE_P,
    TONE_CONTINUOUS_LEAST_HALF_LINES,
    TONE_CONTINUOUS_OCTAVES,
    TONE_FREQUENCY_LEAST_LINES,
    TONE_PERSISTENCE_FROM_DB,
    TONE_RESOLVED_WIDTH_RATIO,
    TONE_UNRESOLVED_WIDTH_RATIO,
    TONE_VALLEY_RATIO,
)

MEDIAN_VARIANCE = np.pi / 2.0
"""Variance of the median of many normal values over that of their mean."""

AVERAGES_STEP = 0.01
"""Steps of the logarithm of averages at which thresholds are computed."""

_LOBE_LINES: dict[WindowName, int] = {"rectangular": 2, "hann": 2, "flattop": 5}

_WINDOW_FRAMES = 256
"""Frames of the window from which lobe and covariance are computed; in lines they do not depend on it."""


@dataclass(frozen=True)
class ToneRule:
    """What counts as a tone.

    `false_alarm_probability` is that of one or more tones in a spectrum that has none. A tone stands
    `least_prominence_db` above the continuous spectrum however well averaged, and is `least_quality` times narrower (at
    half its power) than its frequency, or too narrow for the lines to tell.
    """

    window: WindowName
    false_alarm_probability: float
    least_prominence_db: float
    least_quality: float


@dataclass(frozen=True)
class Continuous:
    """The spectrum without its tones, (spectra, lines), in the spectra's unit.

    `lines_in_it` (lines,) are the independent lines that it rests on at each line.
    """

    psd: Reals
    lines_in_it: Reals


@dataclass(frozen=True)
class Tone:
    """One tone of one spectrum; `line` is its largest line, `first` and `last` those of its bundle.

    `power_pa2` is the bundle's less the continuous spectrum's in it. `prominence_db` is the largest line above the
    continuous spectrum, `threshold_db` what it had to reach. Uncertainties are standard ones by random error alone.
    `width_hz`, that at half power, is NaN where the line spacing decides it. `persistence` is NaN where it cannot be
    told.
    """

    line: int
    first: int
    last: int
    frequency_hz: float
    frequency_uncertainty_hz: float
    power_pa2: float
    level_uncertainty_db: float
    prominence_db: float
    threshold_db: float
    width_hz: float
    persistence: float


@dataclass(frozen=True)
class ToneSearch:
    """Tones of spectra on one grid, by spectrum and frequency, the continuous spectra and the thresholds.

    `threshold` (spectra, lines) is the least ratio of a tone's largest line to the continuous spectrum, `averages`
    (spectra,) the independent averages that it allows for.
    """

    tones: list[list[Tone]]
    below: Continuous
    threshold: Reals
    averages: Reals


def lobe_lines(name: WindowName) -> int:
    """Lines to either side of its largest that a steady tone fills, by the window's main lobe (Harris 1978)."""
    return _LOBE_LINES[name]


@functools.cache
def noise_bandwidth(name: WindowName) -> float:
    """Equivalent noise bandwidth of a window in lines."""
    return noise_bandwidth_lines(window(name, _WINDOW_FRAMES))


@functools.cache
def correlated_lines(name: WindowName) -> float:
    """How many neighbouring lines tell as much as one: 1 + 2 sum of their correlations."""
    shape = window(name, _WINDOW_FRAMES)
    covariance = line_covariance(shape, _WINDOW_FRAMES, all_pairs(1, _WINDOW_FRAMES, _WINDOW_FRAMES), 8)
    return float(1.0 + 2.0 * np.sum(covariance[1:] / covariance[0]))


def find_tones(
    psd: NDArray[np.floating],
    first_hz: float,
    step_hz: float,
    effective_averages: Reals,
    rule: ToneRule,
    relative_spread: NDArray[np.floating] | None = None,
) -> ToneSearch:
    """The tones of every spectrum; `psd` (Pa^2/Hz) has shape (spectra, lines), all on one grid.

    `effective_averages` (spectra,) are the independent averages of each. `relative_spread`, shaped as `psd`, is the
    standard deviation of each line's power over the averaged blocks, over its mean: 1 for steady noise, NaN where not
    known. A line without a finite density above zero is no tone and no part of the continuous spectrum.

    A line counts where it reaches the threshold of `thresholds`, above the lines beside its bundle too, is the largest
    as near as a tone's lobe reaches, and its bundle is narrow. Not so at the ends, where the lobe is cut.
    """
    spectra = np.asarray(psd, dtype=np.float64)
    if not spectra.size:
        return ToneSearch([[] for _ in spectra], Continuous(spectra, np.zeros(0)), spectra, np.zeros(len(spectra)))
    spread = np.ones(spectra.shape) if relative_spread is None else np.asarray(relative_spread, dtype=np.float64)
    averages = steady_averages(effective_averages, spread)
    below = continuous_spectrum(spectra, first_hz, step_hz, averages, rule)
    threshold = thresholds(averages, below.lines_in_it, rule)
    edge = _ratio_quantile(averages, below.lines_in_it, TONE_BUNDLE_EDGE_P)
    found = []
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = spectra / below.psd
    peaks = _peaks(ratio, threshold, rule)
    for s in range(spectra.shape[0]):
        known = np.where(np.isfinite(spread[s]), spread[s], 1.0)
        bundles = _Bundles(spectra[s], below.psd[s], ratio[s], edge[s], first_hz, step_hz, rule)
        tones = (bundles.tone(k, float(threshold[s, k]), known, float(averages[s])) for k in bundles.in_order(peaks[s]))
        found.append(sorted((tone for tone in tones if tone is not None), key=lambda tone: tone.frequency_hz))
    return ToneSearch(found, below, threshold, averages)


def steady_averages(effective_averages: Reals, relative_spread: Reals) -> Reals:
    """Independent averages less what unsteadiness takes from them, (spectra,).

    Noise whose power varies from block to block by the relative variance v has spread^2 = 1 + 2 v, and its mean is
    worth 1 / (1 + v) as many averages. The median line stands for the noise.
    """
    there = np.isfinite(relative_spread)
    usual = np.array([np.median(row[ok]) if ok.any() else 1.0 for row, ok in zip(relative_spread, there, strict=True)])
    return np.asarray(
        np.maximum(effective_averages / ((1.0 + np.maximum(usual, 1.0) ** 2) / 2.0), 1.0), dtype=np.float64
    )


def thresholds(averages: Reals, lines_in_it: Reals, rule: ToneRule) -> Reals:
    """Least ratio of a tone's largest line to the continuous spectrum, (spectra, lines).

    Of n averages a line is chi-square with 2 n degrees of freedom, the continuous spectrum about it one with as many
    times the lines it rests on: their ratio follows F. Its quantile is taken at the rule's probability shared out over
    the independent lines (Bonferroni's correction).
    """
    independent = lines_in_it.size / noise_bandwidth(rule.window)
    chance = rule.false_alarm_probability / max(independent, 1.0)
    least = 10.0 ** (rule.least_prominence_db / 10.0)
    return np.asarray(np.maximum(_ratio_quantile(averages, lines_in_it, chance), least))


def _ratio_quantile(averages: Reals, lines_in_it: Reals, chance: float) -> Reals:
    """What the ratio of a line to the continuous spectrum exceeds by chance, (averages, lines).

    The quantile costs more than all else here. It is taken at averages rounded down to 1 %, and at a few numbers of
    lines, between which its logarithm is interpolated: at most 0.1 dB too high, from 20 averages on 0.03 dB.
    """
    steps, which = np.unique(np.floor(np.log(averages) / AVERAGES_STEP), return_inverse=True)
    dof = 2.0 * np.exp(AVERAGES_STEP * steps)[:, None]
    knots = np.geomspace(lines_in_it.min(), lines_in_it.max(), 12)
    # The quantile of the inverse ratio: the upper tail of F is the lower one of its inverse, which keeps its digits.
    log_ratio = -np.log(scipy.special.fdtri(dof * knots, dof, chance))
    x = np.log(lines_in_it)
    rows = np.stack([np.interp(x, np.log(knots), row) for row in log_ratio])
    return np.asarray(np.exp(rows)[which])


def continuous_spectrum(psd: Reals, first_hz: float, step_hz: float, averages: Reals, rule: ToneRule) -> Continuous:
    """The spectrum that is left without tones: a running median about a slope, a third octave wide.

    In windows of a third octave, of 21 lines where that has fewer, the median of the lines' decibels is taken about a
    power law of frequency, whose exponent is the difference of the medians of the window's halves: steep spectra have
    no bias. Between the windows' middles it is interpolated. A second pass leaves the lobes of lines that reached the
    threshold out. The median of chi-square is brought to its mean (Wilson and Hilferty 1931).
    """
    lines = psd.shape[1]
    hz = np.maximum(first_hz + step_hz * np.arange(lines), 0.5 * step_hz)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_psd = np.where(psd > 0.0, np.log(psd), np.nan)
    log_psd[~np.isfinite(log_psd)] = np.nan
    places, fitted, resting = _running_median(log_psd, np.log(hz), step_hz)
    lines_in_it = np.maximum(resting / (MEDIAN_VARIANCE * correlated_lines(rule.window)), 1.0)
    dof = 2.0 * averages[:, None]
    to_mean = -3.0 * np.log1p(-2.0 / (9.0 * dof))
    first = np.exp(_between(np.log(hz), places, fitted) + to_mean)
    with np.errstate(invalid="ignore"):
        above = psd > first * thresholds(averages, lines_in_it, rule)
    if above.any():
        reach = lobe_lines(rule.window)
        rows = np.flatnonzero(above.any(axis=1))
        masked = np.where(_widened(above[rows], reach), np.nan, log_psd[rows])
        _, again, _ = _running_median(masked, np.log(hz), step_hz)
        better = np.where(np.isfinite(again), again, fitted[rows])
        first[rows] = np.exp(_between(np.log(hz), places, better) + to_mean[rows])
    return Continuous(first, lines_in_it)


def _running_median(log_psd: Reals, x: Reals, step_hz: float) -> tuple[NDArray[np.intp], Reals, Reals]:
    """Middles of the windows (windows,), the medians there (spectra, windows), and lines that each line rests on."""
    lines = log_psd.shape[1]
    least = min(TONE_CONTINUOUS_LEAST_HALF_LINES, max((lines - 1) // 2, 1))
    octave_share = 2.0 ** (TONE_CONTINUOUS_OCTAVES / 2.0) - 2.0 ** (-TONE_CONTINUOUS_OCTAVES / 2.0)
    half = np.minimum(np.maximum(least, (octave_share * np.exp(x) / step_hz / 2.0).astype(np.intp)), (lines - 1) // 2)
    places = [0]
    while places[-1] < lines - 1:
        places.append(min(places[-1] + max(1, int(half[places[-1]]) // 3), lines - 1))
    middles = np.array(places, dtype=np.intp)
    fitted = np.empty((log_psd.shape[0], middles.size))
    resting = np.empty(middles.size)
    for w, middle in enumerate(middles):
        reach = int(half[middle])
        start = int(np.clip(middle - reach, 0, max(lines - 2 * reach - 1, 0)))
        stop = min(start + 2 * reach + 1, lines)
        centre = (start + stop) // 2
        part, at = log_psd[:, start:stop], x[start:stop]
        lower, upper = centre - start, centre - start + 1
        if lower and part.shape[1] > upper:
            rise = at[upper:].mean() - at[:lower].mean()
            slope = (_median(part[:, upper:]) - _median(part[:, :lower])) / rise
            slope = np.where(np.isfinite(slope), slope, 0.0)
        else:
            slope = np.zeros(part.shape[0])
        fitted[:, w] = _median(part - slope[:, None] * (at - x[middle]))
        # The leverage of a straight line's end: what lies off the window's middle rests on less.
        off = (middle - centre) / max(reach, 1)
        resting[w] = (stop - start) / (1.0 + 3.0 * off**2)
    return middles, fitted, np.interp(x, x[middles], resting)


def _median(values: Reals) -> Reals:
    """Median of each row, NaN left out; NaN where nothing is left."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    rows = np.arange(values.shape[0])
    low, high = (np.maximum(count - 1, 0)) // 2, np.minimum(count // 2, values.shape[1] - 1)
    return np.asarray(np.where(count > 0, 0.5 * (ordered[rows, low] + ordered[rows, high]), np.nan))


def _between(x: Reals, places: NDArray[np.intp], fitted: Reals) -> Reals:
    """The medians at all lines, (spectra, lines)."""
    rows = []
    for row in fitted:
        there = np.isfinite(row)
        rows.append(np.interp(x, x[places][there], row[there]) if there.any() else np.full(x.size, np.nan))
    return np.stack(rows)


def _widened(flags: Flags, reach: int) -> Flags:
    """Each flag and its neighbours as far as `reach`."""
    wide = flags.copy()
    for offset in range(1, reach + 1):
        wide[:, offset:] |= flags[:, :-offset]
        wide[:, :-offset] |= flags[:, offset:]
    return wide


def _peaks(ratio: Reals, threshold: Reals, rule: ToneRule) -> Flags:
    """Lines that reach the threshold and are the largest as near as a lobe reaches, (spectra, lines)."""
    reach = lobe_lines(rule.window)
    known = np.where(np.isfinite(ratio), ratio, 0.0)
    peaks = known >= threshold
    for offset in range(1, reach + 1):
        peaks[:, offset:] &= known[:, offset:] >= known[:, :-offset]
        peaks[:, :-offset] &= known[:, :-offset] > known[:, offset:]
    peaks[:, :reach] = False
    peaks[:, ratio.shape[1] - reach :] = False
    return peaks


class _Bundles:
    """The bundles of lines of one spectrum's tones: each line belongs to one, that of the larger tone."""

    def __init__(
        self, psd: Reals, below: Reals, ratio: Reals, edge: Reals, first_hz: float, step_hz: float, rule: ToneRule
    ) -> None:
        self._psd, self._below, self._edge = psd, below, edge
        self._ratio = np.where(np.isfinite(ratio), ratio, 0.0)
        self._first_hz, self._step_hz = first_hz, step_hz
        self._rule = rule
        self._reach = lobe_lines(rule.window)
        self._taken = np.zeros(psd.size, dtype=bool)

    def in_order(self, peaks: Flags) -> list[int]:
        """Lines of peaks, the largest first."""
        return sorted(np.flatnonzero(peaks).tolist(), key=lambda k: -self._ratio[k])

    def tone(self, k: int, threshold: float, spread: Reals, averages: float) -> Tone | None:
        """The tone whose largest line is `k`; None for one in a larger one's bundle and for a broad hump."""
        if self._taken[k]:
            return None
        first, last = (self._end(k, step) for step in (-1, 1))
        excess = np.where(np.isfinite(self._psd), self._psd - self._below, 0.0)
        width = self._half_power_lines(excess, k, first, last)
        hz = self._first_hz + self._step_hz * k
        self._taken[first : last + 1] = True
        if self._ratio[k] < threshold * self._beside(first, last):
            return None
        # Between two lines of a rectangular window a tone fills both: its own bandwidth would be too strict.
        bandwidth = max(noise_bandwidth(self._rule.window), noise_bandwidth("hann"))
        resolved = width >= TONE_RESOLVED_WIDTH_RATIO * bandwidth
        if width > max(hz / self._rule.least_quality / self._step_hz, TONE_UNRESOLVED_WIDTH_RATIO * bandwidth):
            return None
        if not resolved:
            first, last = max(first, k - self._reach), min(last, k + self._reach)
        bundle = slice(first, last + 1)
        total = float(excess[bundle].sum())
        if total <= 0.0:
            return None
        offset = np.arange(first, last + 1) - k
        centroid = float(np.clip(excess[bundle] @ offset / total, first - k, last - k))
        scatter = spread[bundle] * np.nan_to_num(self._psd[bundle])
        variance = scatter**2 * correlated_lines(self._rule.window) / averages
        wander = float(np.sqrt(variance @ (offset - centroid) ** 2)) / total
        return Tone(
            line=k,
            first=first,
            last=last,
            frequency_hz=hz + centroid * self._step_hz,
            frequency_uncertainty_hz=self._step_hz * float(np.hypot(wander, TONE_FREQUENCY_LEAST_LINES)),
            power_pa2=total * self._step_hz,
            level_uncertainty_db=DB_PER_RELATIVE_POWER * float(np.sqrt(variance.sum())) / total,
            prominence_db=10.0 * float(np.log10(self._ratio[k])),
            threshold_db=10.0 * float(np.log10(threshold)),
            width_hz=width * self._step_hz if resolved else float("nan"),
            persistence=persistence(float(self._ratio[k]), float(spread[k])),
        )

    def _beside(self, first: int, last: int) -> float:
        """Median ratio to the continuous spectrum of the lines beside a bundle, 1 at least.

        On a hump, or the crest of a ripple, narrower than the running median the noise itself stands above it.
        """
        reach = TONE_CONTINUOUS_LEAST_HALF_LINES
        lines = np.concatenate([self._ratio[max(first - reach, 0) : first], self._ratio[last + 1 : last + 1 + reach]])
        return max(float(np.median(lines)), 1.0) if lines.size else 1.0

    def _end(self, k: int, step: int) -> int:
        """The last line of the bundle on one side: a lobe at least, on while lines stand out and do not rise again."""
        at = k
        while 0 <= at + step < self._psd.size and not self._taken[at + step]:
            following = at + step
            inside = abs(following - k) <= self._reach
            rises = self._ratio[following] > TONE_VALLEY_RATIO * self._ratio[at]
            if not inside and (self._ratio[following] < self._edge[following] or rises):
                break
            at = following
        return at

    def _half_power_lines(self, excess: Reals, k: int, first: int, last: int) -> float:
        """Width in lines of the bundle at half its largest line, interpolated, between the outermost such lines."""
        half = 0.5 * excess[k]
        above = first + np.flatnonzero(excess[first : last + 1] >= half)
        ends = []
        for at, step in ((int(above[0]), -1), (int(above[-1]), 1)):
            beyond = at + step
            value = excess[beyond] if 0 <= beyond < excess.size else 0.0
            ends.append(at + step * (excess[at] - half) / max(excess[at] - value, np.finfo(float).tiny))
        return float(min(ends[1], last + 1) - max(ends[0], first - 1))


def persistence(ratio: float, spread: float) -> float:
    """Share of the time that a tone is there, were it either on at one level or off, from how its line's power spreads.

    `ratio` is the line's mean power over the continuous spectrum's, `spread` the standard deviation of its power over
    the averaged blocks, over its mean. A tone of mean power S that is on for the share q in Gaussian noise N has the
    variance S^2 (1 - q)/q + 2 S N + N^2. NaN for a line less than 10 dB above the continuous spectrum.

    >>> round(persistence(101.0, 0.14037), 2), round(persistence(101.0, 1.0), 2)
    (1.0, 0.5)
    """
    if not (np.isfinite(ratio) and np.isfinite(spread) and ratio >= 10.0 ** (TONE_PERSISTENCE_FROM_DB / 10.0)):
        return float("nan")
    tone = ratio - 1.0
    off_over_on = (spread**2 * ratio**2 - 2.0 * tone - 1.0) / tone**2
    return float(1.0 / (1.0 + max(off_over_on, 0.0)))


@dataclass(frozen=True)
class OtherTone:
    """A second spectrum where the first has a tone: whether it has one too, and its bundle's power less the continuous.

    `power_pa2` is 0 where nothing is left.
    """

    there: bool
    power_pa2: float


def tone_in_other(
    tone: Tone, psd: Reals, below: Continuous, row: int, averages: float, near_hz: float, step_hz: float, rule: ToneRule
) -> OtherTone | None:
    """Whether a second spectrum (lines,) on the same grid has a tone within `near_hz`; None without lines there.

    `below` is the continuous part of it and others, `row` its own. It counts from half the rule's least prominence (in
    dB) on, and from what noise of so many averages exceeds in 1 % of looks: there is one place to look at.
    """
    reach = max(lobe_lines(rule.window), int(np.ceil(near_hz / step_hz)))
    low, high = max(tone.line - reach, 0), min(tone.line + reach, psd.size - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = psd[low : high + 1] / below.psd[row, low : high + 1]
    ratio = np.where(np.isfinite(ratio), ratio, 0.0)
    if not ratio.any():
        return None
    at = low + int(ratio.argmax())
    chance = TONE_BUNDLE_EDGE_P / ratio.size
    by_chance = float(_ratio_quantile(np.array([averages]), below.lines_in_it[at : at + 1], chance)[0, 0])
    lobe = slice(max(at - lobe_lines(rule.window), 0), at + lobe_lines(rule.window) + 1)
    power = float(np.nansum(psd[lobe] - below.psd[row, lobe])) * step_hz
    return OtherTone(bool(ratio.max() >= max(by_chance, 10.0 ** (rule.least_prominence_db / 20.0))), max(power, 0.0))


def least_detectable_pa2(search: ToneSearch, step_hz: float, rule: ToneRule) -> Reals:
    """Power (Pa^2) of a steady tone that would just have been found on each line, (spectra, lines).

    The tone's largest line holds its power over the window's noise bandwidth.
    """
    bandwidth_hz = noise_bandwidth(rule.window) * step_hz
    return np.asarray(search.below.psd * np.maximum(search.threshold - 1.0, 0.0) * bandwidth_hz)
