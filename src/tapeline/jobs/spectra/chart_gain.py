"""The charts of a run's sensors as gains on spectral lines."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import gain_from_db
from tapeline.acoustics.response import response_db, response_phase_rad
from tapeline.arrays import Reals
from tapeline.jobs.spectra import Response, SpectraNeeds


def chart_gains(needs: SpectraNeeds, positions: Iterable[str], hz: Reals) -> Reals:
    """Magnitudes (positions, lines); 1 where there is no chart, beyond its ends, or where none is applied."""
    return np.array([_gain(needs, response, hz) for response in _responses(needs, positions)])


def chart_responses(needs: SpectraNeeds, positions: Iterable[str], hz: Reals) -> NDArray[np.complex128]:
    """The same with the charts' phases, where they have any."""
    found = []
    for response in _responses(needs, positions):
        turned = bool(response.phase_deg) and needs.response_correction
        phase = response_phase_rad(hz, response.hz, response.phase_deg) if turned else np.zeros(hz.shape)
        found.append(_gain(needs, response, hz) * np.exp(1j * phase))
    return np.array(found)


def _responses(needs: SpectraNeeds, positions: Iterable[str]) -> list[Response]:
    by_position = {response.position: response for response in needs.responses}
    return [by_position[position] for position in positions]


def _gain(needs: SpectraNeeds, response: Response, hz: Reals) -> Reals:
    if not response.hz or not needs.response_correction:
        return np.ones(hz.shape)
    return np.asarray(gain_from_db(response_db(hz, response.hz, response.db)[0]))
