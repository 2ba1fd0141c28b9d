"""Changes that all sensors of a session share, apart from those of one; sensors that look exchanged; leaks."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tapeline.limits import COMMON_DEVIATION_SENSORS, EXCHANGE_FIT_LIMIT_SHARE, LEAK_UNSTEADINESS_RATIO


def median_of(values: Sequence[float | None]) -> float | None:
    """Median of the known values; None where there are fewer than three."""
    known = [value for value in values if value is not None]
    return statistics.median(known) if len(known) >= COMMON_DEVIATION_SENSORS else None


@dataclass(frozen=True)
class Split:
    """A change of one sensor in dB and the part of it that all sensors share; `shared_db` is None if it is unknown."""

    whole_db: float
    shared_db: float | None

    @property
    def own_db(self) -> float:
        """The part of the change, in dB, that is the sensor's own."""
        return self.whole_db - (self.shared_db or 0.0)

    def is_own(self, limit_db: float, shared_limit_db: float) -> bool:
        """Whether the sensor itself is off by more than the limit.

        Where all sensors moved together by no more than their own limit, the whole change counts: a small common part
        must not excuse a sensor.
        """
        together = self.is_shared(shared_limit_db)
        return abs(self.own_db) > limit_db or (abs(self.whole_db) > limit_db and not together)

    def is_shared(self, shared_limit_db: float) -> bool:
        """Whether all sensors moved together by more than the limit for that."""
        return self.shared_db is not None and abs(self.shared_db) > shared_limit_db


@dataclass(frozen=True)
class FitCheck:
    """One calibrator application for the search for leaks: its deviation from the expected level and its scatter, dB.

    `noise_scatter_db` is the part of the scatter that noise beside the tone explains.
    """

    position: str
    deviation_db: float
    unsteadiness_db: float
    noise_scatter_db: float


@dataclass(frozen=True)
class Leak:
    """A fit that seems to leak: how much lower it is than the others (or, if alone, than the sensor table)."""

    low_db: float
    unsteadiness_db: float
    beside_others: bool


def noise_scatter_db(tone_to_noise_db: float, noise_band_hz: float, length_s: float) -> float:
    """Standard deviation of a sine's Hann-windowed levels over `length_s` in even noise of a band, in dB.

    The amplitude's variance is 1.5 N0 / T (one-sided density N0, a Hann window's noise bandwidth of 1.5 lines), so that
    of the level is (20 / ln 10)^2 1.5 N0 / (2 P T).
    """
    density_to_power = 10.0 ** (-tone_to_noise_db / 10.0) / noise_band_hz
    return 20.0 / math.log(10.0) * math.sqrt(1.5 * density_to_power / (2.0 * length_s))


def leaking(checks: Sequence[FitCheck], low_db: float, unsteadiness_db: float) -> dict[str, Leak]:
    """Positions whose fit seems to leak.

    All checks are of one recording. A leak makes the level low and unsteady at the same time: lower than the others by
    `low_db` against the same expectation, and scattering by `unsteadiness_db` and three times what noise explains and
    the others' median. With fewer than three checks the level is compared with the expectation itself.
    """
    found = {}
    for check in checks:
        others = [other for other in checks if other is not check]
        shared = median_of([other.deviation_db for other in checks])
        usual = statistics.median([other.unsteadiness_db for other in others]) if others else 0.0
        low = check.deviation_db - (shared or 0.0)
        least = max(unsteadiness_db, LEAK_UNSTEADINESS_RATIO * max(usual, check.noise_scatter_db))
        if low <= -low_db and check.unsteadiness_db >= least:
            found[check.position] = Leak(-low, check.unsteadiness_db, shared is not None)
    return found


def exchanged_sensors(
    measured_v_per_pa: Mapping[str, float], charts_v_per_pa: Mapping[str, float], limit_db: float
) -> dict[str, str]:
    """Positions whose sensors fit each other's charts much better than their own, each with its partner.

    Both are off their own charts by more than `limit_db` and within half of it on the other's; only pairs that are each
    other's single candidate are named.
    """
    names = [name for name in measured_v_per_pa if name in charts_v_per_pa]
    off = [name for name in names if abs(_db(measured_v_per_pa[name], charts_v_per_pa[name])) > limit_db]
    candidates = {
        name: [
            other
            for other in off
            if other != name
            and abs(_db(measured_v_per_pa[name], charts_v_per_pa[other])) <= EXCHANGE_FIT_LIMIT_SHARE * limit_db
            and abs(_db(measured_v_per_pa[other], charts_v_per_pa[name])) <= EXCHANGE_FIT_LIMIT_SHARE * limit_db
        ]
        for name in off
    }
    return {
        name: partners[0]
        for name, partners in candidates.items()
        if len(partners) == 1 and len(candidates[partners[0]]) == 1
    }


def _db(value: float, reference: float) -> float:
    return 20.0 * math.log10(value / reference)
