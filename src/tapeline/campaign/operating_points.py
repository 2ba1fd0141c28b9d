"""Which runs were taken at the same speed and yaw: nominal values for every run that has a speed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable

from tapeline.campaign.settings import Settings
from tapeline.campaign.tables import Run

MPS_PER_UNIT = {"km/h": 1 / 3.6, "m/s": 1.0}
ROUNDING = 1e-9


def entered_unit(settings: Settings) -> str:
    """Unit of the speeds entered in the settings: the one stated beside them, else that of the report."""
    return settings.entered_speed_unit or settings.report.speed_unit


def operating_points(runs: Iterable[Run], settings: Settings) -> dict[str, tuple[float, float]]:
    """Nominal speed (m/s) and nominal yaw (degrees) by run, for the runs that have a speed.

    `operating_point.nominal_speeds` are in `entered_unit`. A set speed within `speed_tolerance` of a nominal one
    belongs to the nearest. Other speeds, and all yaw angles, form clusters: values in order belong together while each
    exceeds the one before by no more than the tolerance (of the lower speed), and the nominal value is the most
    frequent of the cluster, the lowest of equally frequent ones. A speed of 0 stands for itself.
    """
    moving = {run.run: (run.speed_mps, run.yaw_deg) for run in runs if run.speed_mps is not None}
    tolerance = settings.operating_point
    unit = MPS_PER_UNIT[entered_unit(settings)]
    nominal_mps = sorted(speed * unit for speed in tolerance.nominal_speeds)
    speeds = _nominal_speeds([speed for speed, _ in moving.values()], nominal_mps, tolerance.speed_tolerance)
    yaws = _clusters([yaw for _, yaw in moving.values()], lambda lower: tolerance.yaw_tolerance_deg)
    return {name: (speeds[speed], yaws[yaw]) for name, (speed, yaw) in moving.items()}


def named_points(
    points: Iterable[tuple[float, float]], known: Iterable[tuple[float, float]], settings: Settings
) -> list[tuple[float, float] | None]:
    """Which nominal operating points are meant by speeds in `entered_unit` and yaw angles; None: none of them.

    The nearest within the tolerances of `operating_point`.
    """
    tolerance, unit = settings.operating_point, MPS_PER_UNIT[entered_unit(settings)]
    nominal = sorted(set(known))

    def meant(speed: float, yaw: float) -> tuple[float, float] | None:
        near = [
            (abs(mps - speed * unit), abs(deg - yaw), (mps, deg))
            for mps, deg in nominal
            if abs(mps - speed * unit) <= tolerance.speed_tolerance * mps + ROUNDING
            and abs(deg - yaw) <= tolerance.yaw_tolerance_deg + ROUNDING
        ]
        return min(near)[2] if near else None

    return [meant(speed, yaw) for speed, yaw in points]


def near_speed(speed_mps: float, nominal_mps: float, share: float) -> bool:
    """Whether a speed is within the tolerance `share` of a nominal one."""
    return abs(speed_mps - nominal_mps) <= share * nominal_mps + ROUNDING


def _nominal_speeds(set_mps: list[float], nominal_mps: list[float], share: float) -> dict[float, float]:
    assigned: dict[float, float] = {}
    rest: list[float] = []
    for speed in set_mps:
        near = min(nominal_mps, key=lambda nominal: abs(speed - nominal), default=None)
        if near is not None and near_speed(speed, near, share):
            assigned[speed] = near
        elif speed == 0:
            assigned[speed] = 0.0
        else:
            rest.append(speed)
    return assigned | _clusters(rest, lambda lower: share * lower)


def _clusters(values: list[float], gap_above: Callable[[float], float]) -> dict[float, float]:
    """The nominal value of each value; `gap_above` gives the widest gap to the next value of the same cluster."""
    counts = Counter(values)
    clusters: list[list[float]] = []
    for value in sorted(counts):
        if clusters and value - clusters[-1][-1] <= gap_above(clusters[-1][-1]) + ROUNDING:
            clusters[-1].append(value)
        else:
            clusters.append([value])
    nominal = {}
    for cluster in clusters:
        commonest = max(cluster, key=lambda value: (counts[value], -value))
        nominal.update(dict.fromkeys(cluster, commonest))
    return nominal
