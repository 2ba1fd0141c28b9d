"""What the size of a sensor takes off the wall pressure under a turbulent boundary layer, after Corcos."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals

HIGHEST_RADIUS = 10.0
"""End of the table of attenuations, as radius times omega over convection speed: 26 dB; beyond it the end is held."""

STEP = 0.05
"""Step of that table: linear interpolation is within 0.002 dB."""

NODES = 40
"""Nodes of either Gauss-Legendre rule: more than two in each wave across the disc at the table's end."""


@dataclass(frozen=True)
class CorcosDecays:
    """Decays of the cross-spectrum exp(-streamwise w |xi| / Uc) exp(-lateral w |eta| / Uc) exp(-i w xi / Uc).

    Corcos, J. Acoust. Soc. Am. 35 (1963) 192.
    """

    streamwise: float
    lateral: float


@dataclass(frozen=True)
class DiscAttenuation:
    """Attenuations (dB, positive) and their standard uncertainties (dB), of any one shape."""

    attenuation_db: Reals
    uncertainty_db: Reals


def disc_power_ratio(radius: ArrayLike, decays: CorcosDecays) -> Reals:
    """Power that a round sensor passes over that of a point, for each omega r / Uc (any shape).

    The mean of the cross-spectrum over all pairs of points of the disc: two points lie xi, eta apart as often as the
    disc and itself, shifted by that much, overlap. In polar coordinates, the distance 2 r sin t, both integrands are
    analytic, so that fixed Gauss-Legendre rules converge exponentially.
    """
    x = np.asarray(radius, dtype=np.float64)
    node, weight = np.polynomial.legendre.leggauss(NODES)
    angle, of_angle = (node + 1.0) * (np.pi / 4.0), weight * (np.pi / 4.0)
    # Overlap of the discs over r^2, times the element rho d(rho) over r^2.
    overlap = np.pi - 2.0 * angle - np.sin(2.0 * angle)
    of_distance = of_angle * overlap * 4.0 * np.sin(angle) * np.cos(angle)
    distance = 2.0 * x[..., None, None] * np.sin(angle)[:, None]
    along, across = distance * np.cos(angle), distance * np.sin(angle)
    kernel = np.exp(-decays.streamwise * along - decays.lateral * across) * np.cos(along)
    return np.asarray(4.0 / np.pi**2 * np.einsum("...ij,i,j->...", kernel, of_distance, of_angle))


def disc_attenuation_db(radius: ArrayLike, decays: CorcosDecays) -> Reals:
    """What a round sensor takes off a level, in dB and positive, for each omega r / Uc (any shape), from a table.

    Held at its end beyond `HIGHEST_RADIUS`.
    """
    at, attenuation = _table(decays)
    return np.asarray(np.interp(np.asarray(radius, dtype=np.float64), at, attenuation))


@lru_cache(maxsize=8)
def _table(decays: CorcosDecays) -> tuple[Reals, Reals]:
    at = np.arange(0.0, HIGHEST_RADIUS + STEP / 2.0, STEP)
    return at, np.asarray(-10.0 * np.log10(disc_power_ratio(at, decays)))


def disc_attenuation(
    radius: ArrayLike, relative_uncertainty: ArrayLike, decays: CorcosDecays, uncertainties: CorcosDecays
) -> DiscAttenuation:
    """The same with its standard uncertainty, by omega r / Uc and its relative standard uncertainty (one shape).

    First order in the radius over the convection speed and in both decays, which are taken as independent.
    """
    x = np.asarray(radius, dtype=np.float64)
    relative = np.asarray(relative_uncertainty, dtype=np.float64)
    middle = disc_attenuation_db(x, decays)
    by_radius = (
        disc_attenuation_db(x * (1.0 + relative), decays) - disc_attenuation_db(x * (1.0 - relative), decays)
    ) / 2
    streamwise = CorcosDecays(decays.streamwise + uncertainties.streamwise, decays.lateral)
    lateral = CorcosDecays(decays.streamwise, decays.lateral + uncertainties.lateral)
    squares = by_radius**2 + sum((disc_attenuation_db(x, each) - middle) ** 2 for each in (streamwise, lateral))
    return DiscAttenuation(middle, np.sqrt(squares))
