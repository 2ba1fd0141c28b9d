"""One-way analysis against certified data sets, outlier tests against printed tables, precision of a worked example."""

from __future__ import annotations

import numpy as np
import pytest

from reference_tables import installed_data_set, reference_rows
from tapeline.statistics.repeatability import (
    OneWay,
    SessionVariances,
    cochran,
    grubbs,
    mandel_k,
    one_way,
    session_variances,
)

FIRST_DATA_LINE = 60

GLUCOSE_AGREES = ("A", "D", "E")
"""Materials of the glucose example whose recomputed statistics are the published ones."""


def analysed(name: str) -> tuple[OneWay, list[float], list[float]]:
    """Our analysis, and the certified one between and within: degrees of freedom, sum of squares, mean square and F."""
    lines = installed_data_set("nist_anova", name)
    between, within = (
        [float(cell) for cell in next(line for line in lines[40:48] if line.startswith(word)).split()[2:]]
        for word in ("Between", "Within")
    )
    data = np.array([line.split() for line in lines[FIRST_DATA_LINE:] if line.strip()], dtype=np.float64)
    return one_way(data[:, 1], data[:, 0].astype(int) - 1), between, within


@pytest.mark.parametrize(
    ("name", "tolerance"),
    [
        ("SiRstv", 1e-9),
        ("AtmWtAg", 1e-9),
        ("SmLs01", 1e-14),
        ("SmLs02", 1e-14),
        ("SmLs03", 1e-14),
        ("SmLs04", 1e-10),
        ("SmLs07", 1e-4),
    ],
)
def test_certified_mean_squares(name: str, tolerance: float) -> None:
    """NIST StRD, analysis of variance. SmLs01 to 03, 04, 07 have 1, 7, 13 leading digits that all
    values share: sums of
    shifted values reach 2e-16, 4e-11, 4e-5 of F, since the stored values themselves hold no more."""
    found, between, within = analysed(name)
    assert (found.between_degrees_of_freedom, found.within_degrees_of_freedom) == (between[0], within[0])
    assert found.between_square == pytest.approx(between[2], rel=tolerance)
    assert found.within_square == pytest.approx(within[2], rel=tolerance)
    assert found.between_square / found.within_square == pytest.approx(between[3], rel=tolerance)


def test_component_between_instruments() -> None:
    """SiRstv: (MS between - MS within)/5 = 3.9095e-4, s_r = 0.104076068 (computed from the certified mean squares)."""
    found, _, _ = analysed("SiRstv")
    assert found.between_variance == pytest.approx(3.9095e-4, rel=1e-4)
    assert np.sqrt(found.within_square) == pytest.approx(0.104076068, rel=1e-8)


SULFUR_PCT = (
    (0.71, 0.71, 0.70, 0.71), (0.69, 0.67, 0.68), (0.66, 0.65, 0.69), (0.67, 0.65, 0.66),
    (0.70, 0.69, 0.66, 0.71, 0.69), (0.73, 0.74, 0.73), (0.71, 0.71, 0.69), (0.70, 0.65, 0.68),
)  # fmt: skip
"""Sulfur content of coal, level 1, eight laboratories of three to five tests: example of ISO 5725-2 (from memory)."""


def test_precision_of_the_coal_example() -> None:
    """ISO 5725-2, example of the sulfur content of coal, level 1: m 0.690, s_r 0.015, s_R 0.026 % (from memory, as the
    data are; unequal numbers, and both agree to the last digit printed)."""
    values = [value for laboratory in SULFUR_PCT for value in laboratory]
    found = one_way(values, np.repeat(np.arange(8), [len(laboratory) for laboratory in SULFUR_PCT]))
    assert np.mean(values) == pytest.approx(0.690, abs=5e-4)
    assert np.sqrt(found.within_square) == pytest.approx(0.015, abs=5e-4)
    assert np.sqrt(found.reproducibility_variance) == pytest.approx(0.026, abs=5e-4)


@pytest.mark.parametrize("material", GLUCOSE_AGREES)
def test_precision_of_the_glucose_example(material: str) -> None:
    """ASTM E691: s_r, s_R, s_x of eight laboratories, three replicates; s_R^2 = s_x^2 + s_r^2 (n-1)/n, s_r^2 or more.

    Of the other two materials the data at hand do not give the published statistics, so nothing is expected of them.
    """
    rows = [row for row in reference_rows("e691_glucose_data.csv") if row["material"] == material]
    (expected,) = [row for row in reference_rows("e691_glucose_results.csv") if row["material"] == material]
    laboratories = sorted({row["laboratory"] for row in rows})
    values = [float(row["value"]) for row in rows]
    session = [laboratories.index(row["laboratory"]) for row in rows]
    found, by_session = one_way(values, session), session_variances(values, session)
    assert np.sqrt(found.within_square) == pytest.approx(float(expected["published_s_r"]), abs=5e-5)
    assert np.sqrt(found.reproducibility_variance) == pytest.approx(float(expected["published_s_R"]), abs=5e-5)
    assert np.std(by_session.means, ddof=1) == pytest.approx(float(expected["published_s_x"]), abs=5e-5)
    assert np.mean(mandel_k(by_session) ** 2) == pytest.approx(1.0), "k is in root mean variances"


def p_value_at_cochran(c: float, groups: int, repeats: int) -> float:
    """The chance of a session that has the share `c` of all variances, the others alike."""
    variances = np.array([c, *[(1.0 - c) / (groups - 1)] * (groups - 1)])
    return float(cochran(SessionVariances(np.full(groups, repeats), np.zeros(groups), variances)).p_value)


@pytest.mark.parametrize(
    ("groups", "repeats", "one_percent", "five_percent"),
    [(2, 3, 0.995, 0.975), (3, 2, 0.993, 0.967), (4, 3, 0.864, 0.768), (5, 2, 0.928, 0.841), (8, 3, 0.615, 0.516)],
)
def test_critical_values_of_cochran(groups: int, repeats: int, one_percent: float, five_percent: float) -> None:
    """ISO 5725-2, table of critical values for Cochran's test (from memory), to the last digit printed."""
    for level, printed in ((0.01, one_percent), (0.05, five_percent)):
        above, below = (p_value_at_cochran(printed + rounding, groups, repeats) for rounding in (6e-4, -6e-4))
        assert above < level < below


def p_value_at_grubbs(g: float, groups: int) -> float:
    """The chance of a mean that lies `g` standard deviations of all means from their mean."""
    others = np.zeros(groups - 1)
    pairs = (groups - 1) // 2
    others[: 2 * pairs] = np.repeat([-1.0, 1.0], pairs) * np.sqrt(
        (groups - 1 - g**2 * groups / (groups - 1)) / (2 * pairs)
    )
    means = np.array([g, *(others - g / (groups - 1))])
    return float(grubbs(SessionVariances(np.ones(groups, dtype=np.int64), means, np.full(groups, np.nan))).p_value)


@pytest.mark.parametrize(
    ("groups", "one_percent", "five_percent"),
    [(4, 1.496, 1.481), (5, 1.764, 1.715), (6, 1.973, 1.887), (8, 2.274, 2.126), (10, 2.482, 2.290)],
)
def test_critical_values_of_grubbs(groups: int, one_percent: float, five_percent: float) -> None:
    """ISO 5725-2, table of critical values for Grubbs' test, one largest or smallest (from memory)."""
    for level, printed in ((0.01, one_percent), (0.05, five_percent)):
        above, below = (p_value_at_grubbs(printed + rounding, groups) for rounding in (1.1e-3, -1.1e-3))
        assert above < level < below
