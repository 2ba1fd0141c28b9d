"""What all sensors of a session moved by together: the calibrator, its adapter or the air pressure, not the sensors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from tapeline.limits import (
    COMMON_SHIFT_SENSORS,
    SAME_VALUE_UNITS,
    SENSITIVITY_BASE_SESSIONS,
    SMALL_SENSITIVITY_CHANGE_DB,
)
from tapeline.report.sensor_checks import ChecksInTime, SessionInTime
from tapeline.report.wording import number
from tapeline.statistics.control_chart import common_shift


@dataclass(frozen=True)
class CommonShift:
    """How the sensors that two sessions share moved from the earlier to the later, in dB."""

    earlier: SessionInTime
    later: SessionInTime
    shift_db: float
    lowest_db: float
    highest_db: float
    sensors: int
    crept_db: float | None = None
    """What small shifts have added up to since `crept_from`, where that is beyond the limit."""
    crept_from: SessionInTime | None = None

    @property
    def large(self) -> bool:
        """Beyond what passes without action, in one go or by and by."""
        return self.crept_db is not None or abs(self.shift_db) > SMALL_SENSITIVITY_CHANGE_DB + SAME_VALUE_UNITS

    @property
    def sentence(self) -> str:
        """The shift with its numbers and where to look."""
        together = self.lowest_db * self.shift_db > 0.0 and self.highest_db * self.shift_db > 0.0
        who = f"all {self.sensors} sensors" if together else f"the {self.sensors} sensors in both"
        text = (
            f"session {self.later.label} against {self.earlier.label}: {who} moved by "
            f"{_signed(self.shift_db)} dB in the median ({_signed(self.lowest_db)} to {_signed(self.highest_db)} dB)"
        )
        if self.crept_db is not None and self.crept_from is not None:
            text += f", together {_signed(self.crept_db)} dB since {self.crept_from.label}"
        return f"{text}: suspect calibrator, adapter or air pressure, not the sensors"


def common_shifts(checks: ChecksInTime) -> tuple[tuple[CommonShift, ...], dict[SessionInTime, float]]:
    """The shift of each session, and what all its sensors are off by together, in dB, against their values before.

    A shift is the median change against the latest session before that shares enough checked sensors. The sum of such
    medians would wander with their scatter; so what is taken out of a session is the median of its sensors' distances
    from the middle of their own last `SENSITIVITY_BASE_SESSIONS` values, each without what was taken out of it. A
    session of too few sensors with values before takes over that of the latest with which it shares a sensor, else
    zero.
    """
    levels: dict[SessionInTime, dict[str, float]] = {session: {} for session in checks.sessions}
    for check in checks.checks:
        if check.value_db is not None:
            levels[check.session][check.sensor] = check.value_db
    found: list[CommonShift] = []
    taken_out: dict[SessionInTime, float] = {}
    values: dict[str, list[float]] = {}
    # The session from which small shifts are added up.
    settled: dict[SessionInTime, SessionInTime] = {}
    for index, later in enumerate(checks.sessions):
        before = checks.sessions[:index][::-1]
        sharing = [one for one in before if levels[one].keys() & levels[later].keys()]
        enough = [one for one in sharing if len(levels[one].keys() & levels[later].keys()) >= COMMON_SHIFT_SENSORS]
        offset = _offset(levels[later], values)
        if offset is None:
            offset = taken_out[sharing[0]] if sharing else 0.0
        taken_out[later] = offset
        settled[later] = settled[sharing[0]] if sharing else later
        for sensor, level in levels[later].items():
            values.setdefault(sensor, []).append(level - offset)
        if enough:
            shift = _shift(enough[0], later, levels)
            since = settled[enough[0]]
            crept = offset - taken_out[since]
            if not shift.large and abs(crept) > SMALL_SENSITIVITY_CHANGE_DB + SAME_VALUE_UNITS:
                shift = replace(shift, crept_db=crept, crept_from=since)
            settled[later] = later if shift.large else since
            found.append(shift)
    return tuple(found), taken_out


def _offset(levels: Mapping[str, float], values: Mapping[str, list[float]]) -> float | None:
    known = [sensor for sensor in levels if sensor in values]
    middles = [float(np.median(values[sensor][-SENSITIVITY_BASE_SESSIONS:])) for sensor in known]
    return common_shift(middles, [levels[sensor] for sensor in known])


def _shift(
    earlier: SessionInTime, later: SessionInTime, levels: Mapping[SessionInTime, Mapping[str, float]]
) -> CommonShift:
    shared = sorted(levels[earlier].keys() & levels[later].keys())
    first, second = (np.array([levels[session][sensor] for sensor in shared]) for session in (earlier, later))
    median = common_shift(first, second)
    if median is None:
        raise ValueError(f"{earlier.label} and {later.label} share too few sensors: {len(shared)}")
    change = second - first
    return CommonShift(earlier, later, median, float(change.min()), float(change.max()), len(shared))


def _signed(value_db: float) -> str:
    return number(value_db, 2, signed=True)
