"""Tones of generated sources over speed, with what speeds and frequencies are off by and tones of nothing between."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tapeline.acoustics.tone_tracks import Track, TrackLaw, nodes_of, track_laws, tracks_of

FOUR = (20.0, 25.0, 30.0, 35.0)
MODES = (0.75, 1.75, 2.75)


def followed(
    sources: Sequence[Callable[[float], float | None]],
    speeds: Sequence[float] = FOUR,
    repeats: int = 1,
    seed: int = 1,
    clutter: int = 0,
) -> tuple[list[Track], list[TrackLaw], np.ndarray]:
    """Tracks of tones that sources have at each speed (None: not there), off by 0.2 %, with tones anywhere between."""
    draw = np.random.default_rng(seed)
    rows = []
    for p, nominal in enumerate(speeds):
        for r in range(repeats):
            speed = nominal * (1.0 + 0.003 * draw.standard_normal())
            for source in sources:
                hz = source(speed)
                if hz is not None:
                    rows.append((hz * (1.0 + 0.002 * draw.standard_normal()), speed, p, p * repeats + r))
            rows += [(float(draw.uniform(100.0, 4000.0)), speed, p, p * repeats + r) for _ in range(clutter)]
    found, achieved, point, run = (np.array(column) for column in zip(*rows, strict=True))
    nodes = nodes_of(found, 0.002 * found, achieved, point, run, np.full(len(speeds), repeats))
    tracks = tracks_of(nodes)
    return tracks, track_laws(tracks, 0.003, 0.95), found


def mode(number: int, low: float = 0.0, high: float = 1e9) -> Callable[[float], float | None]:
    """A shear-layer mode of a gap of 20 mm, there between two speeds."""
    return lambda speed: MODES[number] / (speed / 340.0 + 1.0 / 0.57) * speed / 0.02 if low < speed < high else None
