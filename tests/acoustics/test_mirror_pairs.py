"""Verdicts on left and right partners."""

from __future__ import annotations

import pytest

from tapeline.acoustics.mirror_pairs import MirrorPair, mirror_verdict


@pytest.mark.parametrize(
    ("pair", "history", "uncertainty_db", "verdict"),
    [
        (MirrorPair(90.0, 89.0, None, None), (), 0.3, "agree"),
        (MirrorPair(90.0, 86.0, None, None), (), 0.3, "differ"),
        (MirrorPair(90.0, 86.0, None, None), (), 2.5, "agree"),
        (MirrorPair(90.0, 86.0, None, None), (4.2, 3.9, 4.0), 0.3, "agree"),
        (MirrorPair(90.0, 90.0, None, None), (4.2, 3.9, 4.0), 0.3, "differ"),
        (MirrorPair(90.0, 84.0, 84.2, 90.1), (), 0.3, "differ"),
        (MirrorPair(90.0, 84.0, 90.2, 84.3), (), 0.3, "yaw-or-exchange"),
    ],
)
def test_partners_are_held_against_what_they_usually_do(
    pair: MirrorPair, history: tuple[float, ...], uncertainty_db: float, verdict: str
) -> None:
    """The last one: leeward at both logged angles, so that the sign of one of them is wrong."""
    assert mirror_verdict(pair, history, uncertainty_db, 3.0) == verdict
