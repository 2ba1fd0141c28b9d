"""Changes from session to session, by mounts that stayed and mounts that were made anew."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.statistics.session_changes import SessionChanges, changes_by_mount
from tapeline.statistics.session_scatter import SessionChange, SessionScatter

NEAR = np.ones((1, 1), dtype=bool)


def change(*mean_db: float) -> SessionChange:
    """One item; squares of the means, no noise."""
    mean = np.array(mean_db)[:, None]
    return SessionChange(mean, mean**2, np.zeros(mean.shape))


def scatter(variance_db2: float, changes: float) -> SessionScatter:
    return SessionScatter(*(np.full((2, 1), value) for value in (variance_db2, changes, changes)))


def measured(*, stayed: SessionScatter | None = None, **mean_db: list[float]) -> SessionChanges:
    pairs = {(name[0], name[1]): np.array(values)[:, None] for name, values in mean_db.items()}
    return SessionChanges(stayed or scatter(1.0, 1.0), scatter(4.0, 9.0), pairs)


def test_a_change_has_the_other_sign_on_the_way_back() -> None:
    found = measured(ab=[1.0, -2.0])
    for sessions, sign in ((("a", "b"), 1.0), (("b", "a"), -1.0)):
        there = found.measured_db(sessions)
        assert there is not None
        assert there.ravel().tolist() == [sign * 1.0, sign * -2.0]


def test_what_was_not_measured_is_found_by_way_of_other_sessions() -> None:
    """By c: 1 + 2, by d: 5 - 0; the mean stands where a to b itself says nothing."""
    found = measured(ac=[1.0, 1.0], cb=[2.0, 2.0], ad=[5.0, 5.0], bd=[0.0, 0.0], ab=[0.5, np.nan]).measured_db(
        ("a", "b")
    )
    assert found is not None
    assert found.ravel().tolist() == [0.5, 4.0]
    assert measured(ac=[1.0, 1.0]).measured_db(("a", "b")) is None


def test_each_position_counts_its_own_mounts() -> None:
    """Three sessions: the first position keeps its mount in two of them, the second in none."""
    mount = {"a": np.array([0, 0]), "b": np.array([0, 1]), "c": np.array([1, 2])}
    changes = {("a", "b"): change(1.0, 1.0), ("a", "c"): change(1.0, 1.0), ("b", "c"): change(1.0, 1.0)}
    found = changes_by_mount(changes, mount, NEAR)
    assert found.same_mount.changes.ravel().tolist() == pytest.approx([1.0, 0.0])
    assert found.remounted.changes.ravel().tolist() == pytest.approx([1.0, 2.0])
    assert sorted(found.mean_db) == [("a", "b"), ("a", "c"), ("b", "c")]


@pytest.mark.parametrize(("changes", "variance_db2"), [(1.0, [4.0, 4.0]), (9.0, [1.0, 4.0])])
def test_mounts_made_anew_stand_in_for_few_that_stayed(changes: float, variance_db2: list[float]) -> None:
    found = measured(stayed=scatter(1.0, changes)).of_mounts(np.array([True, False]))
    assert found.variance_db2.ravel().tolist() == variance_db2
