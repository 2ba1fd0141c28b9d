"""Channels that carry one and the same signal: correlation of the steps between samples."""

from __future__ import annotations

import numpy as np

from tapeline.arrays import Reals, Samples
from tapeline.limits import CORRELATION_EVERY_BLOCKS


class SignalCorrelation:
    """Correlation of the steps between samples for all pairs of channels, from one block in eight.

    Steps weigh high frequencies, where the flow at two positions has nothing in common; a copied, doubled or shorted
    channel keeps a correlation of one, whatever its gain or sign.
    """

    def __init__(self, channels: int) -> None:
        self._products = np.zeros((channels, channels))
        self._block = 0

    def add(self, steps: Samples) -> None:
        """Take in one block's steps of shape (channels, frames - 1)."""
        if self._block % CORRELATION_EVERY_BLOCKS == 0:
            self._products += steps @ steps.T
        self._block += 1

    def correlation(self) -> Reals:
        """Correlation coefficients, shape (channels, channels); 0 where a channel does not move."""
        size = np.sqrt(np.diag(self._products))
        scale = size[:, None] * size[None, :]
        return np.where(scale > 0.0, self._products / np.where(scale > 0.0, scale, 1.0), 0.0)
