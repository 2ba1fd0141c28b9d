"""What theory says of coherence that is estimated from few averages: its bias, and the errors of what is made with it.

Relative standard errors by Bendat and Piersol, Random Data; the bias by Carter, Knapp and Nuttall (1973).
"""

from __future__ import annotations

import numpy as np


def coherence_bias(true_coherence: float, averages: float) -> float:
    """Mean excess of the estimated over the true coherence: (1 - g^2)^2/nd (1 + 2 g^2/nd); 1/nd at zero."""
    return (1.0 - true_coherence) ** 2 / averages * (1.0 + 2.0 * true_coherence / averages)


def coherence_error(true_coherence: float, averages: float) -> float:
    """Of the coherence: sqrt(2) (1 - g^2) / (|g| sqrt(nd))."""
    return float(np.sqrt(2.0 / (true_coherence * averages)) * (1.0 - true_coherence))


def response_error(true_coherence: float, averages: float) -> float:
    """Of |H| = |G_xy| / G_xx, and in radians of its phase and that of G_xy: sqrt(1 - g^2) / (|g| sqrt(2 nd))."""
    return float(np.sqrt((1.0 - true_coherence) / (2.0 * true_coherence * averages)))


def coherent_power_error(true_coherence: float, averages: float) -> float:
    """Of the coherent output power g^2 G_yy: sqrt(2 - g^2) / (|g| sqrt(nd))."""
    return float(np.sqrt((2.0 - true_coherence) / (true_coherence * averages)))


def cross_magnitude_error(true_coherence: float, averages: float) -> float:
    """Of |G_xy|: sqrt((1 + 1/g^2) / (2 nd)).

    Of the variance G_xx G_yy / nd of the complex estimate, the part along its mean, (G_xx G_yy + |G_xy|^2) / (2 nd);
    the printed 1/(|g| sqrt(nd)) counts the part across it, too, which turns the phase only.
    """
    return float(np.sqrt((1.0 + 1.0 / true_coherence) / (2.0 * averages)))
