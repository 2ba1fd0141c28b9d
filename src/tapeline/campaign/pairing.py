"""Which sessions meet in a comparison at one operating point."""

from __future__ import annotations

from collections.abc import Iterable


def session_pairs(reference: Iterable[str], treatment: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Pairs (reference session, treatment session) of the sessions that each condition was run in.

    Each session that has both, by itself; where none has, each session of the one with each of the other. Sorted.
    """
    first, second = sorted(set(reference)), sorted(set(treatment))
    shared = [(session, session) for session in first if session in second]
    return tuple(shared or [(one, other) for one in first for other in second])
