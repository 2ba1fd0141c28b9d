"""A background recorded at another gain: intervals cover whatever part of it is electrical. Synthetic draws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, corrected_interval
from tapeline.acoustics.background_mean import (
    BackgroundScatter,
    electrical_change,
    mean_background,
    with_electrical_changes,
)
from tapeline.acoustics.band_levels import Powers

Reals = NDArray[np.float64]

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.96)
CASES, FREEDOM, SCATTER_DB = 4000, 400.0, 0.2


def measured(random: np.random.Generator, power: float | Reals) -> Powers:
    """Averages of a power in many cases, (cases, 1)."""
    found = power * random.chisquare(FREEDOM, (CASES, 1)) / FREEDOM
    return Powers(found, 2.0 * found**2 / FREEDOM)


def share_that_holds(share: float, behind: float, more_db: float, margin_db: float, known: str, seed: int = 7) -> float:
    """Intervals and bounds that hold the source of a run over a background of 1, `share` of it electrical.

    `behind` of the electrical power comes from behind the gain stage; the background's gain is `more_db` higher than
    the run's; `known` names the wind-off levels that there are. The flow's part scatters by 0.2 dB.
    """
    random = np.random.default_rng(seed)
    at_run = share * (1.0 - behind + behind * 10.0 ** (more_db / 10.0))
    below = 1.0 - share + at_run
    source = (10.0 ** (margin_db / 10.0) - 1.0) * below
    shifts = 10.0 ** (random.normal(0.0, SCATTER_DB, (2, CASES, 1)) / 10.0)
    run = measured(random, source + at_run + (1.0 - share) * shifts[0])
    other = measured(random, share + (1.0 - share) * shifts[1])
    nothing = Powers(np.full((CASES, 1), np.nan), np.full((CASES, 1), np.nan))
    floors = {
        "background": measured(random, share) if "background" in known else nothing,
        "run": measured(random, at_run) if "run" in known else nothing,
    }
    used = np.ones((1, CASES), dtype=bool)
    scatter = BackgroundScatter(np.full(CASES, (SCATTER_DB / 4.343) ** 2), np.full(CASES, 2.0))
    mean = mean_background([other], used, scatter, 1.0)
    change = electrical_change(floors["background"], floors["run"], np.full((CASES, 1), more_db), mean.powers.power)
    mean = with_electrical_changes(mean, [change], used, np.ones(CASES, dtype=np.intp))
    found = background.subtract(
        run.power, mean.powers.power, run.variance, mean.powers.variance, LIMITS, None, np.asarray(mean.half_width)
    )
    low, high = corrected_interval(found, 0.95)
    bound = found.state == background.BOUND
    return float(np.where(bound, found.upper_bound >= source, (low <= source) & (source <= high)).mean())


@pytest.mark.parametrize("known", ["background", "run", "background and run"])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("more_db", [-10.0, 10.0])
def test_intervals_cover_whatever_is_electrical(share: float, more_db: float, known: str) -> None:
    """95 % less four standard errors, from before the gain stage and from behind it, at margins from 5 to 13 dB."""
    least = 0.95 - 4.0 * np.sqrt(0.95 * 0.05 / CASES)
    for behind in (0.0, 0.5, 1.0):
        for margin_db in (5.0, 8.0, 13.0):
            assert share_that_holds(share, behind, more_db, margin_db, known) > least, (behind, margin_db)


def test_half_of_the_background_taken_for_what_it_is_not_would_not_cover() -> None:
    """Without the change: half of it electrical, a tenth of that at the run's gain."""
    assert share_that_holds(0.5, 1.0, -10.0, 8.0, "none") < 0.8
