"""How much a frequency weighting makes of each band of a run, from the weighted lines of the band."""

from __future__ import annotations

import numpy as np

from tapeline.acoustics import background
from tapeline.acoustics.band_levels import shares_of
from tapeline.acoustics.bands import Bands
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.arrays import Reals
from tapeline.jobs.tables.session_levels import Levels, Measured, SessionJob, band_powers_of
from tapeline.store.tables import WEIGHTING_COLUMNS

WEIGHTINGS: tuple[Weighting, ...] = ("A", "C")


def weighting_columns(job: SessionJob, m: Measured, bands: Bands, levels: Levels) -> dict[str, Reals]:
    """10 lg of weighted over unweighted power of each band, (positions, bands), NaN where there is no power.

    Of the corrected power where a background was subtracted, else of what is kept of the total. Sums of lines take the
    same shares of lines at the edges as the unweighted band. A mean of weights lies between the least and the largest
    of them, so that little power left after a subtraction cannot put it outside.
    """
    method, run = job.needs.bands.method, m.run
    subtracted = np.isin(levels.result.state, (background.CORRECTED, background.LIMITED))
    below = np.zeros(subtracted.shape) if levels.below is None else np.nan_to_num(levels.below.power)
    power = levels.kept.power - np.where(subtracted, below, 0.0)
    lines_hz, shares = run.spectra.lines_hz, shares_of(bands, run.spectra, method)
    found = {}
    for weighting in WEIGHTINGS:
        sums = band_powers_of(bands, weighting, method)
        mean = m.background.mean(sums)
        below = np.zeros(subtracted.shape) if mean is None else np.nan_to_num(mean.powers.power)
        weighted = sums(run.spectra if run.kept is None else run.kept).power - np.where(subtracted, below, 0.0)
        weights = power_weights(weighting, lines_hz)
        parts = [weights[band.first : band.first + band.share.size][band.share > 0.0] for band in shares]
        least, most = (
            np.array([end(part, initial=at) for part in parts]) for end, at in ((np.min, np.inf), (np.max, 0))
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.clip(weighted / power, least, most)
            found[WEIGHTING_COLUMNS[weighting]] = 10.0 * np.log10(np.where(power > 0.0, factor, np.nan))
    return found
