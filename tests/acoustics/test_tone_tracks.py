"""Generated tones over speed: which belong together, how they depend on speed, and where one mode takes over."""

from __future__ import annotations

import numpy as np
import pytest
from generated_tracks import followed, mode

from tapeline.acoustics.tone_tracks import follows, nodes_of, sweep_directions


def test_one_that_moves_and_one_that_stays() -> None:
    tracks, laws, _ = followed([mode(0), lambda speed: 900.0], repeats=2)
    assert [law.follows for law in laws] == ["flow", "fixed"]
    assert [len(track.tones) for track in tracks] == [8, 8]
    assert laws[0].lower < 0.95 < laws[0].upper
    assert laws[1].exponent == pytest.approx(0.0, abs=0.05)


def test_two_modes_are_two_tracks_without_a_step() -> None:
    tracks, laws, _ = followed([mode(0), mode(1), mode(2)])
    assert [law.follows for law in laws] == ["flow"] * 3
    assert [track.before for track in tracks] == [None] * 3


@pytest.mark.parametrize("high", [22.0, 27.0, 32.0])
def test_a_mode_that_takes_over_begins_a_linked_track(high: float) -> None:
    tracks, _, _ = followed([mode(0, high=high), mode(1, low=high)])
    assert len(tracks) == 2
    first, second = sorted(tracks, key=lambda track: track.nodes[0].point)
    assert second.before == tracks.index(first)
    assert second.nodes[0].frequency_hz / second.nodes[0].speed_mps / first.per_m == pytest.approx(7.0 / 3.0, rel=0.05)


def test_a_step_of_two_and_two_speeds_is_told_by_both_together() -> None:
    _, laws, _ = followed([mode(0, high=27.0), mode(1, low=27.0)])
    assert [law.follows for law in laws] == ["flow", "flow"]


def test_a_tone_that_goes_with_the_root_of_speed_is_not_said_to_follow_it() -> None:
    tracks, laws, _ = followed(
        [lambda speed: 200.0 * np.sqrt(speed / 20.0)], speeds=(20.0, 21.0, 22.0, 23.1, 24.2, 25.4)
    )
    assert len(tracks[0].nodes) == 6
    assert laws[0].follows in ("neither", "cannot-tell")


def test_two_speeds_far_apart_tell_what_their_interval_tells() -> None:
    _, (moves,), _ = followed([mode(0)], speeds=(28.0, 36.0), repeats=3)
    _, (stays,), _ = followed([lambda speed: 900.0], speeds=(28.0, 36.0), repeats=3)
    assert (moves.follows, stays.follows) == ("flow", "fixed")
    for law in (moves, stays):
        half = 1.96 * np.sqrt(2.0) * 0.0305 / np.log(36.0 / 28.0)
        assert law.upper - law.lower == pytest.approx(2.0 * half, rel=0.03), "repeats tell no exponent"


def test_two_speeds_near_each_other_tell_nothing() -> None:
    for source in (mode(0), lambda speed: 900.0):
        _, laws, _ = followed([source], speeds=(30.0, 33.0))
        assert [law.follows for law in laws] == ["cannot-tell"]


def test_a_chance_tone_of_one_repeat_is_no_track() -> None:
    draw = np.random.default_rng(2)
    hz = np.concatenate([[500.0, 501.0, 502.0], draw.uniform(800.0, 900.0, 1)])
    nodes = nodes_of(hz, 0.1 + 0.0 * hz, np.full(4, 20.0), np.zeros(4, int), np.array([0, 1, 2, 0]), np.array([3]))
    assert [node.tones for node in nodes] == [(0, 1, 2)]


def test_every_tone_is_in_one_track_at_most() -> None:
    for seed in range(5):
        tracks, _, hz = followed([mode(0), mode(1), lambda speed: 900.0], seed=seed, clutter=6)
        members = [tone for track in tracks for tone in track.tones]
        assert len(members) == len(set(members)) <= hz.size


def test_words_for_intervals() -> None:
    assert follows(0.8, 0.9) == "flow"
    assert follows(0.45, 1.1) == "cannot-tell"
    assert follows(1.2, 1.4) == "neither"
    assert follows(float("nan"), float("nan")) == "cannot-tell"


def test_sweeps_by_order_of_time() -> None:
    assert sweep_directions([0, 1, 2, 3, 2, 1, 0]) == ["up"] * 4 + ["down"] * 3
    assert sweep_directions([0, 1, 0, 1]) == ["all"] * 4
    assert sweep_directions([3, 2, 1, 0]) == ["all"] * 4
    assert sweep_directions([0, 1, 2, 0, 2, 1, 0]) == ["all"] * 7, "back to the start is no sweep"
