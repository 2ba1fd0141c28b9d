"""Scatter within and between sessions against certified and tabulated values."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from reference_tables import reference_rows
from tapeline.statistics.comparison import RunLevels, condition_mean
from tapeline.statistics.repeat_scatter import RepeatRows, Scatter, scatter_by_position
from tapeline.statistics.session_scatter import session_change, session_scatter
from tapeline.statistics.significance import variance_ratio_p_value

SILICON = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403), (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811), (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)  # fmt: skip
"""Silicon resistivity, five instruments, five replicates: NIST StRD, analysis of variance, SiRstv."""

BETWEEN_INSTRUMENTS, WITHIN_INSTRUMENTS = 5.11462616000000e-02 / 4, 2.16636560000000e-01 / 20
"""Certified sums of squares over their degrees of freedom, same data set."""


def groups() -> list[RunLevels]:
    """The instruments as sessions of five repeats without a known random error, levels of shape (runs, 1, 1)."""
    made = []
    for values in SILICON:
        levels = np.array(values).reshape(-1, 1, 1)
        nothing = np.zeros(levels.shape)
        made.append(RunLevels(levels, nothing, nothing, np.full(levels.shape, np.nan), nothing.astype(np.int8)))
    return made


def pooled() -> Scatter:
    rows = [RepeatRows.of(group.level_db, group.random_db, np.isfinite(group.upper_bound_db)) for group in groups()]
    return scatter_by_position(rows, np.eye(1, dtype=bool))


def test_repeatability_is_the_certified_mean_square() -> None:
    """NIST StRD SiRstv: within-instrument mean square 0.010831828 with 20 degrees of freedom."""
    scatter = pooled()
    assert scatter.excess[0, 0] == pytest.approx(WITHIN_INSTRUMENTS, rel=1e-9)
    assert scatter.degrees_of_freedom[0, 0] == 20.0


def test_variance_between_sessions_is_the_certified_component() -> None:
    """(MS between - MS within) / n of NIST StRD SiRstv, 3.91e-4 (ISO 5725-2 form): mean over all pairs of sessions."""
    scatter = pooled()
    pairs = itertools.combinations([condition_mean(group) for group in groups()], 2)
    changes = [session_change([pair], (scatter, scatter)) for pair in pairs]
    found = session_scatter(changes, np.array([4.0]), np.eye(1, dtype=bool))
    assert found.changes[0, 0] == 4.0
    assert found.variance_db2[0, 0] == pytest.approx((BETWEEN_INSTRUMENTS - WITHIN_INSTRUMENTS) / 5, rel=1e-6)


def test_ratio_of_the_certified_mean_squares() -> None:
    """NIST StRD SiRstv: F 1.18046237440255 on 4 and 20 degrees of freedom; p 0.3494 (computed from the F law)."""
    ratio = BETWEEN_INSTRUMENTS / WITHIN_INSTRUMENTS
    assert ratio == pytest.approx(1.18046237440255, rel=1e-7)
    assert variance_ratio_p_value(BETWEEN_INSTRUMENTS, WITHIN_INSTRUMENTS, 4, 20) == pytest.approx(0.3494, abs=1e-4)


@pytest.mark.parametrize(
    ("first", "second", "upper_db"), [(50, 50, 1.7121), (100, 100, 1.2072), (200, 200, 0.8524), (100, 400, 0.9220)]
)
def test_ratio_of_two_averaged_spectra(first: int, second: int, upper_db: float) -> None:
    """Two Welch estimates of one spectrum differ as F with 2 n_d degrees of freedom each (Bendat and Piersol, Random
    Data; limits computed): 2.5 % lie above these decibels."""
    p = variance_ratio_p_value(10 ** (upper_db / 10), 1.0, 2 * first, 2 * second)
    assert float(p) == pytest.approx(0.025, abs=1e-5)


def test_ratio_table_complete() -> None:
    """psd_ratio_interval_db.csv: both ends of every interval."""
    for row in reference_rows("psd_ratio_interval_db.csv"):
        dof = (2 * int(row["nd1"]), 2 * int(row["nd2"]))
        for column, tail in (("q975_db", 0.025), ("q025_db", 0.975)):
            found = float(variance_ratio_p_value(10 ** (float(row[column]) / 10), 1.0, *dof))
            assert found == pytest.approx(tail, abs=2e-5), row
