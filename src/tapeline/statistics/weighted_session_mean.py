"""One difference from those of several sessions, each weighted by what it is worth (random-effects mean)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special

from tapeline.arrays import Reals
from tapeline.limits import CERTAIN_DOF
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.effective_number import mean_correlation
from tapeline.statistics.significance import student_factor


@dataclass(frozen=True)
class SessionMean:
    """Weighted means over sessions, every field of shape (positions, items) but `weights` (sessions, positions, items).

    `between_sd_db` is the standard deviation of a true difference between sessions, pooled over positions;
    `agreement_p_value` says how often sessions that agree differ as much by chance. NaN where fewer than two sessions
    have a difference.
    """

    mean_db: Reals
    standard_error_db: Reals
    degrees_of_freedom: Reals
    between_sd_db: Reals
    agreement_p_value: Reals
    weights: Reals


@dataclass(frozen=True)
class _Weighted:
    """Means with weights that do not add up to 1, and the squares about them: `deviation` in units of its error."""

    mean: Reals
    total: Reals
    deviation: Reals

    @property
    def squares(self) -> Reals:
        return np.asarray((self.deviation**2).sum(axis=0))


def weighted_session_mean(
    differences_db: Reals, errors_db: Reals, degrees_of_freedom: Reals, confidence: float
) -> SessionMean:
    """Mean of differences of independent sessions, all (sessions, positions, items), NaN where a session has none.

    Weights 1 / (s^2 + tau^2), with tau^2 by moments, max(0, sum (Q - (k - 1)) / sum C) over the positions of an item;
    Q = sum w (d - mean)^2, C = sum w - sum w^2 / sum w, w = 1 / s^2 (DerSimonian and Laird, Controlled Clinical Trials
    7 (1986) 177). A difference of no error has no weight.

    Two standard errors, and the one whose interval at `confidence` is the longer: by the sessions' own errors and tau;
    and by how the differences scatter about their mean, sum Q / sum (k - 1) with the new weights (Hartung and Knapp,
    Statistics in Medicine 20 (2001) 3875; from memory), pooled over positions. The first alone is too short where few
    sessions happen to agree. Degrees of freedom of the scatter: sum (k - 1), worth as much less as positions move
    together. Where one position is all there is and the errors of its sessions differ by 4 to 1, 95 % intervals hold
    91 to 93 %.
    """
    known = np.isfinite(differences_db) & np.isfinite(errors_db) & (errors_db > 0.0)
    count = known.sum(axis=0)
    enough = count >= 2
    known = known & enough
    d, variance = np.where(known, differences_db, 0.0), np.where(known, errors_db**2, 1.0)
    spare = np.where(enough, count - 1, 0)
    w = np.where(known, 1.0 / variance, 0.0)
    first = _weighted(d, w)
    tau2 = _between_variance(first, w, spare)
    last_w = np.where(known, 1.0 / (variance + tau2), 0.0)
    last = _weighted(d, last_w)
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = last_w / last.total
        own_error = 1.0 / np.sqrt(last.total)
        scatter_error = own_error * np.sqrt(last.squares.sum(axis=0) / spare.sum(axis=0))
    own_dof = welch_satterthwaite(
        np.where(known, np.nan_to_num(weights) ** 2 * variance, 0.0), np.where(known, degrees_of_freedom, np.inf)
    )
    scatter_dof = np.broadcast_to(_scatter_dof(last.deviation, spare), own_dof.shape)
    own_half, scatter_half = (
        student_factor(np.maximum(dof, 1.0), confidence) * error
        for dof, error in ((own_dof, own_error), (scatter_dof, scatter_error))
    )
    scattered = scatter_half > own_half
    return SessionMean(
        mean_db=np.where(enough, last.mean, np.nan),
        standard_error_db=np.where(enough, np.where(scattered, scatter_error, own_error), np.nan),
        degrees_of_freedom=np.where(enough, np.maximum(np.where(scattered, scatter_dof, own_dof), 1.0), np.nan),
        between_sd_db=np.where(enough, np.sqrt(tau2), np.nan),
        agreement_p_value=_agreement(first, np.where(known, w, np.nan), degrees_of_freedom, spare),
        weights=weights,
    )


def _weighted(d: Reals, w: Reals) -> _Weighted:
    """Means over sessions with weights `w`, zero where there is no difference."""
    total = w.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (w * d).sum(axis=0) / total
    return _Weighted(mean, total, np.where(w > 0.0, np.sqrt(w) * (d - mean), 0.0))


def _between_variance(found: _Weighted, w: Reals, spare: Reals) -> Reals:
    """tau^2 (items,), pooled over positions: see `weighted_session_mean`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        c = np.where(spare > 0, found.total - (w**2).sum(axis=0) / found.total, 0.0)
        return np.asarray(np.nan_to_num(np.maximum((found.squares - spare).sum(axis=0) / c.sum(axis=0), 0.0)))


def _scatter_dof(deviation: Reals, spare: Reals) -> Reals:
    """Degrees of freedom of a scatter pooled over positions, (items,).

    With the mean correlation rho of the positions' deviations, P positions are worth P / (1 + (P - 1) rho^2), since a
    variance estimate's own correlation is rho^2; never less than one position's.
    """
    positions = (spare > 0).sum(axis=0)
    rho = mean_correlation(deviation, (spare > 0)[None], axis=1)
    worth = spare.sum(axis=0) / (1.0 + np.maximum(positions - 1, 0) * rho**2)
    return np.asarray(np.maximum(np.maximum(worth, spare.max(axis=0, initial=0)), 1.0))


def _agreement(found: _Weighted, w: Reals, degrees_of_freedom: Reals, spare: Reals) -> Reals:
    """P-value that sessions agree; their errors are estimates (Welch, Biometrika 38 (1951) 330; from memory).

    With k sessions and a = sum (1 - w / sum w)^2 / nu: Q / (k - 1) / (1 + 2 (k - 2) a / (k^2 - 1)) is F with k - 1 and
    (k^2 - 1) / (3 a) degrees of freedom. For two sessions it is the t test for unequal variances.
    """
    k2 = (spare + 1.0) ** 2 - 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        a = np.nansum((1.0 - w / found.total) ** 2 / degrees_of_freedom, axis=0)
        f = found.squares / spare / (1.0 + 2.0 * (spare - 1.0) * a / k2)
        below = np.where(a > 0.0, np.minimum(k2 / (3.0 * a), CERTAIN_DOF), CERTAIN_DOF)
        p = scipy.special.fdtrc(np.maximum(spare, 1), below, f)
    return np.asarray(np.where(spare > 0, p, np.nan))
