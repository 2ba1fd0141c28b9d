"""How far a run is: jobs done of those planned, and the time that is left by what such jobs have taken so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from tapeline.jobs import JOBS


@dataclass
class Progress:
    """Counts of a run's jobs.

    `planned` are the bytes that each job reads for each of its keys, by job and key; where a job reads no recordings
    all keys count the same. `cores` is how many jobs of sessions and recordings are done at once.
    """

    planned: Mapping[tuple[str, str], int]
    cores: int = 1
    done: set[tuple[str, str]] = field(default_factory=set)
    seconds: dict[str, list[tuple[float, int]]] = field(default_factory=dict)
    last_done_s: float = 0.0

    def task(self, job: str, key: str, *, due: bool, seconds: float, now_s: float) -> None:
        """Count a job that is done; one that proved not due took no time that others would take."""
        self.done.add((job, key))
        self.last_done_s = now_s
        if due:
            self.seconds.setdefault(job, []).append((seconds, self.planned.get((job, key), 0)))

    @property
    def total(self) -> int:
        """Jobs that the run does at most."""
        return len({*self.planned, *self.done})

    def left_s(self, now_s: float) -> tuple[float, bool] | None:
        """Seconds left, and whether jobs of all kinds that are left were done before; None where nothing is known."""
        left: dict[str, list[int]] = {}
        for (job, key), size in self.planned.items():
            if (job, key) not in self.done:
                left.setdefault(job, []).append(size)
        if not (self.seconds and left):
            return None
        seconds = 0.0
        for job in left.keys() & self.seconds.keys():
            spread = 1 if JOBS[job].per == "campaign" else min(self.cores, len(left[job]))
            seconds += _expected_s(self.seconds[job], left[job]) / max(spread, 1)
        return max(seconds - (now_s - self.last_done_s), 0.0), left.keys() <= self.seconds.keys()

    def text(self, now_s: float) -> str:
        """The progress line."""
        recordings = [key for job, key in self.planned if job == "spectra"]
        read = sum(("spectra", key) in self.done for key in recordings)
        parts = [f"{read} of {len(recordings)} recordings"] if recordings else []
        parts.append(f"{len(self.done)} of {self.total} jobs")
        left = self.left_s(now_s)
        if left is not None:
            seconds, known = left
            # Of jobs that have never been done nothing is known.
            if known or seconds:
                parts.append(f"{'about' if known else 'more than'} {duration(seconds)} left")
        return ", ".join(parts)


def _expected_s(seen: Iterable[tuple[float, int]], left: Iterable[int]) -> float:
    """Seconds for jobs that read `left` bytes each, by seconds and bytes of those done."""
    seen, left = list(seen), list(left)
    seconds, size = sum(s for s, _ in seen), sum(b for _, b in seen)
    if size and all(left):
        return seconds / size * sum(left)
    return seconds / len(seen) * len(left)


def duration(seconds: float) -> str:
    """A duration as people say it: "20 s", "3 min", "1 h 20 min"."""
    if seconds < 55.0:
        return f"{max(round(seconds, -1), 10.0):.0f} s"
    minutes = max(round(seconds / 60.0), 1)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
