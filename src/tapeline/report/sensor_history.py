"""Each sensor's checks as a series, less what all sensors have in common, and what stands out in it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from tapeline.limits import (
    COMMON_SHIFT_SENSORS,
    CONTROL_LIMITS_SESSIONS,
    SAME_VALUE_UNITS,
    SENSITIVITY_STEP_DB,
    SMALL_SENSITIVITY_CHANGE_DB,
)
from tapeline.report.common_shifts import CommonShift, common_shifts
from tapeline.report.sensor_checks import ChecksInTime, SensorCheck, SessionInTime
from tapeline.report.wording import listed, number
from tapeline.statistics.control_chart import ControlLimits, control_limits, outside, stages, trends


@dataclass(frozen=True)
class HistoryPoint:
    """One session of one sensor; levels in dB against the series' reference, None where it was not checked.

    `common_shift_db` is the shift at this session, None where too few sensors were shared; `accumulated_shift_db` what
    all sensors are off by together against their values before, which `shift_removed_db` is without; `moving_range_db`
    the change from the point before, as a size. `stage` counts from 0, -1 for a value that left and came back.
    """

    check: SensorCheck
    before_db: float | None
    after_db: float | None
    value_db: float | None
    common_shift_db: float | None
    accumulated_shift_db: float
    shift_removed_db: float | None
    moving_range_db: float | None = None
    stage: int | None = None


@dataclass(frozen=True)
class Finding:
    """What stands out: the sentence says it with numbers and the next action; `sessions` are those it marks."""

    kind: Literal["step", "trend"]
    sensor: str
    sessions: tuple[SessionInTime, ...]
    sentence: str


@dataclass(frozen=True)
class SensorSeries:
    """All sessions of one sensor in order of time. `against` names the reference: "chart" or "first value".

    `limits` are by stage, for stages of `CONTROL_LIMITS_SESSIONS` and more.
    """

    sensor: str
    against: Literal["chart", "first value"]
    points: tuple[HistoryPoint, ...]
    limits: Mapping[int, ControlLimits]
    findings: tuple[Finding, ...]

    @property
    def checked(self) -> tuple[HistoryPoint, ...]:
        """The points that carry a value."""
        return tuple(point for point in self.points if point.shift_removed_db is not None)


@dataclass(frozen=True)
class SensorHistory:
    """The series of all sensors, the shifts that they have in common, and notes for the reader."""

    sessions: tuple[SessionInTime, ...]
    series: tuple[SensorSeries, ...]
    shifts: tuple[CommonShift, ...]
    notes: tuple[str, ...]


def sensor_history(checks: ChecksInTime) -> SensorHistory:
    """Series, common shifts and findings of all sensors that were ever checked or fitted."""
    shifts, accumulated = common_shifts(checks)
    by_session = {shift.later: shift.shift_db for shift in shifts}
    series = []
    for sensor in sorted({check.sensor for check in checks.checks}):
        own = [check for check in checks.checks if check.sensor == sensor]
        series.append(_series(sensor, own, by_session, accumulated))
    return SensorHistory(checks.sessions, tuple(series), shifts, checks.notes)


def _series(
    sensor: str,
    checks: Sequence[SensorCheck],
    shifts: Mapping[SessionInTime, float],
    accumulated: Mapping[SessionInTime, float],
) -> SensorSeries:
    charts = [check.chart_db for check in checks if check.chart_db is not None]
    values = [check.value_db for check in checks if check.value_db is not None]
    reference = next(iter([*charts, *values]), 0.0)
    points: list[HistoryPoint] = []
    last: float | None = None
    for check in checks:
        value = _less(check.value_db, reference)
        removed = _less(value, accumulated[check.session])
        points.append(
            HistoryPoint(
                check=check,
                before_db=_less(check.before_db, reference),
                after_db=_less(check.after_db, reference),
                value_db=value,
                common_shift_db=shifts.get(check.session),
                accumulated_shift_db=accumulated[check.session],
                shift_removed_db=removed,
                moving_range_db=None if removed is None or last is None else abs(removed - last),
            )
        )
        last = last if removed is None else removed
    staged = _staged(points)
    limits = _limits(staged)
    checked = [point for point in staged if point.shift_removed_db is not None]
    rising_or_falling = _trends(sensor, checked)
    trending = {session for finding in rising_or_falling for session in finding.sessions}
    findings = (*_steps(sensor, checked), *_outside(sensor, checked, limits, trending), *rising_or_falling)
    against: Literal["chart", "first value"] = "chart" if charts else "first value"
    return SensorSeries(sensor, against, tuple(staged), limits, findings)


def _less(value: float | None, other: float) -> float | None:
    return None if value is None else value - other


def _used(point: HistoryPoint) -> float:
    if point.shift_removed_db is None:
        raise ValueError(f"no value at {point.check.session.label}")
    return point.shift_removed_db


def _staged(points: Sequence[HistoryPoint]) -> list[HistoryPoint]:
    numbers = iter(
        stages([_used(point) for point in points if point.shift_removed_db is not None], SENSITIVITY_STEP_DB)
    )
    return [point if point.shift_removed_db is None else replace(point, stage=int(next(numbers))) for point in points]


def _by_stage(points: Sequence[HistoryPoint]) -> dict[int, list[HistoryPoint]]:
    """The points of each stage; those that stand alone between two values of a stage belong to none."""
    found: dict[int, list[HistoryPoint]] = {}
    for point in points:
        if point.stage is not None and point.stage >= 0:
            found.setdefault(point.stage, []).append(point)
    return found


def _limits(points: Sequence[HistoryPoint]) -> dict[int, ControlLimits]:
    return {
        stage: control_limits([_used(point) for point in own])
        for stage, own in _by_stage(points).items()
        if len(own) >= CONTROL_LIMITS_SESSIONS
    }


def _steps(sensor: str, points: Sequence[HistoryPoint]) -> list[Finding]:
    """Changes between sessions beyond the limit: lasting, or gone at the next session."""
    found: list[Finding] = []
    for index, (before, here) in enumerate(pairwise(points), start=1):
        change = _used(here) - _used(before)
        if before.stage in (-1, here.stage):
            continue
        label, size = here.check.session.label, f"{number(change, 2, signed=True)} dB"
        if here.stage == -1:
            after = points[index + 1]
            text = (
                f"{sensor}: step of {size} at {label} ({before.check.session.label} before), back within "
                f"{number(SENSITIVITY_STEP_DB)} dB of the value before at {after.check.session.label}: a leak or loose "
                "adapter at that check comes first, then an exchanged sensor; compare its serial number and chart, and "
                "look at the checks of that session"
            )
        else:
            text = (
                f"{sensor}: step of {size} from {before.check.session.label} to {label} "
                f"({_db(before)} to {_db(here)} dB), more than {number(SENSITIVITY_STEP_DB)} dB: a dropped, damaged or "
                "exchanged sensor; compare its serial number and chart and check it again before it is used"
            )
        if here.common_shift_db is None:
            text += (
                f" (too few sensors, fewer than {COMMON_SHIFT_SENSORS}, share this session and one before: calibrator, "
                "adapter and air pressure are not ruled out)"
            )
        found.append(Finding("step", sensor, (here.check.session,), text))
    return found


def _outside(
    sensor: str,
    points: Sequence[HistoryPoint],
    limits: Mapping[int, ControlLimits],
    trending: Collection[SessionInTime],
) -> list[Finding]:
    """Values beyond the limits of their own stage, one finding for a stage.

    In a stage with a trend the trend itself leads beyond its limits: there a step must be abrupt too, its moving range
    beyond its own limit.
    """
    found: list[Finding] = []
    for stage, own in _by_stage(points).items():
        if stage not in limits:
            continue
        bounds = limits[stage]
        flags = outside([_used(point) for point in own], bounds)
        gradual = any(point.check.session in trending for point in own)
        beyond = [
            point
            for point, out in zip(own, flags, strict=True)
            if out and not (gradual and (point.moving_range_db or 0.0) <= bounds.upper_moving_range)
        ]
        if not beyond:
            continue
        named = listed(f"{_db(point)} dB at {point.check.session.label}" for point in beyond)
        small = (
            max(abs(_used(point) - bounds.centre) for point in beyond) <= SMALL_SENSITIVITY_CHANGE_DB + SAME_VALUE_UNITS
        )
        action = (
            f"within {number(SMALL_SENSITIVITY_CHANGE_DB)} dB of the mean, so nothing to mend yet; watch the next check"
            if small
            else "a dropped, damaged or exchanged sensor; compare its serial number and chart and check it again"
        )
        text = (
            f"{sensor}: step: {named}, outside the limits {number(bounds.lower, 2, signed=True)} to "
            f"{number(bounds.upper, 2, signed=True)} dB from n = {len(own)}: {action}"
        )
        found.append(Finding("step", sensor, tuple(point.check.session for point in beyond), text))
    return found


def _trends(sensor: str, points: Sequence[HistoryPoint]) -> list[Finding]:
    """Values that only rise or only fall, within one stage."""
    found: list[Finding] = []
    for own in _by_stage(points).values():
        for start, stop in trends([_used(point) for point in own]):
            first, last = own[start], own[stop]
            change = _used(last) - _used(first)
            text = (
                f"{sensor}: trend of {number(change, 2, signed=True)} dB, {stop - start + 1} values in a row "
                f"{'rising' if change > 0 else 'falling'} from {first.check.session.label} ({_db(first)} dB) to "
                f"{last.check.session.label} ({_db(last)} dB): humidity or ageing; check the sensor against its chart "
                "and have it recalibrated"
            )
            marked = tuple(point.check.session for point in own[start : stop + 1])
            found.append(Finding("trend", sensor, marked, text))
    return found


def _db(point: HistoryPoint) -> str:
    return number(_used(point), 2, signed=True)
