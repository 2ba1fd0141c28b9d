"""Standard error of a shift between sessions: random error and scatter of repeats of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.comparison import ConditionMean, run_to_run
from tapeline.statistics.repeat_scatter import Scatter


@dataclass(frozen=True)
class ShiftError:
    """Standard error (dB) and degrees of freedom, (positions, items), NaN where nothing tells of repeats."""

    error_db: Reals
    degrees_of_freedom: Reals


def shift_error(
    cells: Sequence[ConditionMean], scatters: Sequence[Scatter], ends: tuple[NDArray[np.int64], NDArray[np.int64]]
) -> ShiftError:
    """Error of the mean of one session less that of another, of one condition at one operating point.

    `cells` and `scatters`, by session: its repeats, and how they scatter at each position. `ends` (positions, items)
    number the two sessions. Welch-Satterthwaite degrees of freedom.
    """
    parts = [run_to_run(cell, scatter) for cell, scatter in zip(cells, scatters, strict=True)]
    variance = np.stack([part.variance for part in parts])
    dof = np.stack([part.degrees_of_freedom for part in parts])
    variances, dofs = (np.stack([at_session(values, end) for end in ends]) for values in (variance, dof))
    told = np.isfinite(dofs).all(axis=0)
    return ShiftError(
        error_db=np.where(told, np.sqrt(variances.sum(axis=0)), np.nan),
        degrees_of_freedom=np.where(told, np.maximum(welch_satterthwaite(variances, dofs), 1.0), np.nan),
    )


def at_session(values: Reals, session: NDArray[np.int64]) -> Reals:
    """Values of one session at each (position, item), from values (sessions, positions, items)."""
    return np.asarray(np.take_along_axis(values, session[None], axis=0)[0])
