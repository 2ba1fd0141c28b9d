"""Frequencies at which a cavity in a grazing flow may sound, with their uncertainty, and tones matched to them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from tapeline.limits import (
    CONVECTION_UNCERTAINTY_RATIO,
    DEPTH_MODE_MOST_LENGTH_RATIO,
    DEPTH_MODES_ROUNDS,
    MODE_BANDS_APART_SHARE,
    MOUTH_DEPTH_RATIO,
    MOUTH_EXPONENT,
    MOUTH_UNCERTAINTY_SHARE,
    SHEAR_LAYER_LAG_UNCERTAINTY_UNITS,
    SHEAR_LAYER_LAGS_VALUES,
    SHEAR_LAYER_MODES_ROUNDS,
    UNFLANGED_END_RATIO,
    WIDTH_MODES_ROUNDS,
)

Family = Literal["shear-layer", "neck", "depth", "width"]

HEAT_RATIO = 1.4
"""Ratio of specific heats of air."""

LAG = 0.25
"""Phase lag of the feedback; Rossiter, ARC R&M 3438 (1964), for cavities up to four times as long as deep."""

CONVECTION = 0.57
"""Speed of the vortices over that of the flow (Rossiter 1964)."""

FLANGED = 8.0 / (3.0 * math.pi)
"""End correction of a neck that ends in a wall, in radii (Rayleigh)."""


@dataclass(frozen=True)
class CavityInputs:
    """Sizes of a cavity, the flow over it and the constants of the formulas; None where not known.

    `length_m` is along the flow, `depth_m` below the surface, `width_m` across the flow.
    """

    length_m: float | None
    depth_m: float | None
    width_m: float | None
    opening_m2: float | None
    volume_m3: float | None
    neck_m: float | None
    speed_mps: float
    sound_speed_mps: float
    lag: float = LAG
    convection: float = CONVECTION
    neck_ends: float = 2.0 * FLANGED
    mouth_factor: float = MOUTH_DEPTH_RATIO


@dataclass(frozen=True)
class Mode:
    """A frequency that theory lets expect, and its standard uncertainty as a share of it.

    `unmodified_hz` is that of Rossiter's own formula beside the modified one, None for other families.
    """

    family: Family
    order: int
    frequency_hz: float
    uncertainty_share: float
    formula: str
    unmodified_hz: float | None = None

    @property
    def name(self) -> str:
        """As in "shear-layer 2"."""
        return f"{self.family} {self.order}"


def rossiter_hz(
    order: int, speed_mps: float, length_m: float, mach: float, lag: float = LAG, convection: float = CONVECTION
) -> float:
    """Frequency of a mode of the feedback between shear layer and downstream edge: f L / U = (n - a) / (M + 1/k).

    Rossiter, ARC R&M 3438 (1964).

    >>> round(rossiter_hz(1, 1.0, 1.0, 0.85), 4)
    0.288
    """
    return (order - lag) / (mach + 1.0 / convection) * speed_mps / length_m


def modified_rossiter_hz(
    order: int, speed_mps: float, length_m: float, mach: float, lag: float = LAG, convection: float = CONVECTION
) -> float:
    """The same with the speed of sound in the cavity that of the flow brought to rest.

    Heller, Holmes and Covert, J. Sound Vib. 18 (1971): M / sqrt(1 + (g - 1) M^2 / 2) in the place of M.

    >>> round(modified_rossiter_hz(1, 1.0, 1.0, 0.85), 4)
    0.2942
    """
    at_rest = mach / math.sqrt(1.0 + 0.5 * (HEAT_RATIO - 1.0) * mach**2)
    return rossiter_hz(order, speed_mps, length_m, at_rest, lag, convection)


def neck_hz(volume_m3: float, opening_m2: float, neck_m: float, sound_speed_mps: float, ends: float) -> float:
    """Resonance of a volume behind a neck (Helmholtz): c / (2 pi) sqrt(S / (V (l + d r))), r that of a round opening.

    `ends` d is the sum of both end corrections in radii.

    >>> round(neck_hz(1e-3, math.pi * 1e-4, 0.02, 343.2, 2.0 * FLANGED), 2)
    159.21
    """
    longer = neck_m + ends * math.sqrt(opening_m2 / math.pi)
    return sound_speed_mps / (2.0 * math.pi) * math.sqrt(opening_m2 / (volume_m3 * longer))


def depth_hz(order: int, depth_m: float, sound_speed_mps: float, mouth_m: float = 0.0) -> float:
    """Resonance of a depth open at its mouth: (2 n - 1) c / (4 (D + d)), with what the mouth adds.

    >>> round(depth_hz(1, 0.05, 343.2))
    1716
    """
    return (2 * order - 1) * sound_speed_mps / (4.0 * (depth_m + mouth_m))


def width_hz(order: int, width_m: float, sound_speed_mps: float) -> float:
    """Resonance along a gap with both ends alike, closed or open: n c / (2 W).

    >>> round(width_hz(1, 1.1, 343.2))
    156
    """
    return order * sound_speed_mps / (2.0 * width_m)


def mouth_m(length_m: float, depth_m: float, factor: float = MOUTH_DEPTH_RATIO) -> float:
    """What the mouth of a cavity under a shear layer adds to its depth, in m (East, J. Sound Vib. 3 (1966))."""
    return factor * depth_m * math.pow(length_m / depth_m, MOUTH_EXPONENT)


def lag_of(length_m: float, depth_m: float | None) -> float:
    """Rossiter's lag by length over depth; that of deep cavities where the depth is not known."""
    ratios, lags = zip(*SHEAR_LAYER_LAGS_VALUES, strict=True)
    return LAG if depth_m is None else float(np.interp(length_m / depth_m, ratios, lags))


def cavity_modes(known: CavityInputs, size_share: float, speed_share: float, sound_speed_share: float) -> list[Mode]:
    """The modes that the known sizes give, by family and order; shares are relative standard uncertainties.

    Uncertainty of first order (GUM 5.1.2): each input is moved by its own, changes of a frequency are added as squares.
    `size_share` is that of a length; areas have twice and volumes three times as much. Orders of families whose spacing
    their uncertainty fills are left out: they would agree with anything.
    """
    if known.length_m is not None:
        known = replace(known, lag=lag_of(known.length_m, known.depth_m))
    moved = {
        **dict.fromkeys(("length_m", "depth_m", "width_m", "neck_m"), size_share),
        "opening_m2": 2.0 * size_share,
        "volume_m3": 3.0 * size_share,
        "speed_mps": speed_share,
        "sound_speed_mps": sound_speed_share,
        "lag": SHEAR_LAYER_LAG_UNCERTAINTY_UNITS / known.lag,
        "convection": CONVECTION_UNCERTAINTY_RATIO / known.convection,
        # Between both ends in walls and one of them free: rectangular.
        "neck_ends": (FLANGED - UNFLANGED_END_RATIO) / math.sqrt(3.0) / known.neck_ends,
        "mouth_factor": MOUTH_UNCERTAINTY_SHARE,
    }
    found = []
    for family, order, formula, frequency in _formulas(known):
        hz = frequency(known)
        squares = 0.0
        for field in fields(known):
            value = getattr(known, field.name)
            if value:
                other = frequency(replace(known, **{field.name: value * (1.0 + moved[field.name])}))
                squares += (other / hz - 1.0) ** 2
        own = None
        if family == "shear-layer" and known.length_m is not None:
            mach = known.speed_mps / known.sound_speed_mps
            own = rossiter_hz(order, known.speed_mps, known.length_m, mach, known.lag, known.convection)
        found.append(Mode(family, order, hz, math.sqrt(squares), formula, own))
    below = {(mode.family, mode.order + 1): mode.frequency_hz for mode in found}
    return [
        mode
        for mode in found
        if mode.order == 1
        or mode.uncertainty_share * mode.frequency_hz
        <= MODE_BANDS_APART_SHARE * (mode.frequency_hz - below[mode.family, mode.order])
    ]


def _formulas(known: CavityInputs) -> Iterator[tuple[Family, int, str, Callable[[CavityInputs], float]]]:
    """Family, order, formula and the frequency as a function of the inputs, as far as these are known."""
    if known.length_m is not None and known.speed_mps > 0.0:
        for order in range(1, SHEAR_LAYER_MODES_ROUNDS + 1):
            yield "shear-layer", order, "modified Rossiter", _shear_layer(order)
    if known.opening_m2 is not None and known.volume_m3 is not None and known.neck_m is not None:
        yield "neck", 1, "Helmholtz, both ends flanged", _neck
    if (
        known.depth_m is not None
        and known.length_m is not None
        and known.length_m <= DEPTH_MODE_MOST_LENGTH_RATIO * known.depth_m
    ):
        for order in range(1, DEPTH_MODES_ROUNDS + 1):
            yield "depth", order, "odd quarter waves, mouth of East", _depth(order)
    if known.width_m is not None:
        for order in range(1, WIDTH_MODES_ROUNDS + 1):
            yield "width", order, "half waves", _width(order)


def _given(size: float | None) -> float:
    if size is None:
        raise ValueError("a formula was asked for without its sizes")
    return size


def _shear_layer(order: int) -> Callable[[CavityInputs], float]:
    def frequency(of: CavityInputs) -> float:
        mach = of.speed_mps / of.sound_speed_mps
        return modified_rossiter_hz(order, of.speed_mps, _given(of.length_m), mach, of.lag, of.convection)

    return frequency


def _neck(of: CavityInputs) -> float:
    return neck_hz(_given(of.volume_m3), _given(of.opening_m2), _given(of.neck_m), of.sound_speed_mps, of.neck_ends)


def _depth(order: int) -> Callable[[CavityInputs], float]:
    def frequency(of: CavityInputs) -> float:
        depth, length = _given(of.depth_m), _given(of.length_m)
        return depth_hz(order, depth, of.sound_speed_mps, mouth_m(length, depth, of.mouth_factor))

    return frequency


def _width(order: int) -> Callable[[CavityInputs], float]:
    return lambda of: width_hz(order, _given(of.width_m), of.sound_speed_mps)


@dataclass(frozen=True)
class Match:
    """The mode that a tone agrees with, by index, and all others within whose bands it lies; None for no mode."""

    mode: int | None
    candidates: tuple[int, ...]


def matched(frequency_hz: Sequence[float], modes: Sequence[Mode], factor: float) -> list[Match]:
    """For each tone the mode it agrees with, one to one: each mode has one tone, each tone one mode, at most.

    A tone lies within a mode's band where the logarithm of their ratio is within `factor` standard uncertainties.
    Pairs are made in order of that distance in standard uncertainties. All modes whose bands hold a tone are its
    candidates, by distance, the matched one first.
    """
    distance = {
        (t, m): abs(math.log(hz / mode.frequency_hz)) / mode.uncertainty_share
        for t, hz in enumerate(frequency_hz)
        for m, mode in enumerate(modes)
    }
    near = sorted((far, t, m) for (t, m), far in distance.items() if far <= factor)
    mode_of: dict[int, int] = {}
    for _, t, m in near:
        if t not in mode_of and m not in mode_of.values():
            mode_of[t] = m
    return [
        Match(mode_of.get(t), tuple(m for _, k, m in near if k == t and m != mode_of.get(t)))
        for t in range(len(frequency_hz))
    ]


def chance_of_agreement(frequency_hz: float, modes: Sequence[Mode], factor: float) -> float:
    """Share of the octave about a frequency, on a logarithmic scale, that the modes' bands cover.

    What a tone of no mode would agree with one by: near 1 the agreement says nothing.
    """
    low, high = math.log(frequency_hz) - 0.5 * math.log(2.0), math.log(frequency_hz) + 0.5 * math.log(2.0)
    ends = ((math.log(mode.frequency_hz), factor * mode.uncertainty_share) for mode in modes)
    bands = sorted((middle - half, middle + half) for middle, half in ends)
    covered, reached = 0.0, low
    for start, stop in bands:
        covered += max(0.0, min(stop, high) - max(start, reached))
        reached = max(reached, min(stop, high))
    return covered / (high - low)
