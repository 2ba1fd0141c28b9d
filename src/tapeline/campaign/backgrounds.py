"""Which background runs are subtracted from each run, and which are refused, with the reason."""

from __future__ import annotations

import dataclasses
import datetime
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from tapeline.campaign.faults import Fault
from tapeline.campaign.model import Campaign
from tapeline.campaign.tables import Fitting, Run
from tapeline.limits import SAME_GAIN_DB

BackgroundKind = Literal["flow", "electrical", "between-speeds"]

Found = tuple["BackgroundKind | None", tuple[tuple[float, tuple[str, ...]], ...], tuple["Refusal", ...]]
"""Kind and groups of what is subtracted, and what is refused."""

DRY_AIR_J_PER_KG_K = 287.05
"""Gas constant of dry air; the check of a speed within some percent needs no humidity."""

IN_FLOW = ("flow", "between-speeds")
"""Kinds of background that hold what the flow makes elsewhere."""

NOTHING: Found = (None, (), ())

UNBOUNDED = (
    ", and no wind-off run at either gain bounds its electrical part: record one, or name the run in the column "
    "background"
)

MOST_NAMED = 3
"""Runs that a warning names before it counts the others."""


@dataclass(frozen=True)
class Refusal:
    """A background run that is not subtracted, at some positions or, where none are named, at all."""

    background: str
    positions: tuple[str, ...]
    reason: str

    def __str__(self) -> str:
        where = f" at {', '.join(self.positions)}" if self.positions else ""
        return f"{self.background}{where}: {self.reason}"


@dataclass(frozen=True)
class OtherGain:
    """A background run that is subtracted at some positions though its gain there is `more_db` above the run's.

    `floor` are wind-off runs at the gain of the background run; with the run's own they tell its electrical part.
    """

    background: str
    more_db: float
    positions: tuple[str, ...]
    floor: tuple[str, ...]


@dataclass(frozen=True)
class Backgrounds:
    """What is subtracted from one run: `groups` of background runs by their speed in m/s, to stand for `at_mps`.

    One group is averaged; two are the nearest speeds below and above that of the run, to be bridged. `floor` are the
    session's wind-off runs, that tell the electrical floor. `refused` holds what is refused of both. `other_gain` says
    which of the groups' runs have another gain, and where. `missing`: the run has no background in flow, nor one that
    was refused, where other measurements of its session have one.
    """

    kind: BackgroundKind | None
    groups: tuple[tuple[float, tuple[str, ...]], ...]
    floor: tuple[str, ...]
    refused: tuple[Refusal, ...]
    at_mps: float = 0.0
    other_gain: tuple[OtherGain, ...] = ()
    missing: bool = False

    @property
    def needed(self) -> tuple[str, ...]:
        """All background runs whose spectra count, sorted."""
        at_their_gain = (name for step in self.other_gain for name in step.floor)
        return tuple(sorted({*self.runs, *self.floor, *at_their_gain}))

    @property
    def runs(self) -> tuple[str, ...]:
        """All runs of the groups, sorted."""
        return tuple(sorted(name for _, names in self.groups for name in names))

    def refuses(self, background: str, position: str) -> bool:
        """Whether a run that is used for some positions is refused at this one."""
        return any(r.background == background and position in r.positions for r in self.refused)


NO_BACKGROUNDS = Backgrounds(None, (), (), ())


def backgrounds_of(campaign: Campaign) -> dict[str, Backgrounds]:
    """The backgrounds of every used measurement; of background runs in flow their electrical floor alone.

    Background runs are those that the run table names (a re-taken one stands for the one it replaces); else those of
    the same session at the same operating point: the ones that name the run's condition, or where none does, the ones
    that name no condition. Where a speed has none, settings may allow to bridge between two others; else wind-off runs
    are taken, which hold the electrical part alone. Refused is what must never be subtracted: another mount, speed or
    yaw, too long before or after; and another gain, unless wind-off runs at either gain bound the electrical part, or
    the run table names the run.
    """
    return _Search(campaign).every()


def background_warnings(campaign: Campaign, speed_column: str) -> list[Fault]:
    """What the run table says of backgrounds that somebody would want to know before the rig is taken down.

    Runs without a background, whether none was recorded or all were refused, unless the run table asks for none;
    background runs that no run can use; achieved speeds off the nominal ones by more than the tolerance of operating
    points. `speed_column` is the one of the run table in which speeds are given.
    """
    search, runs = _Search(campaign), campaign.used_runs()
    found = search.every()
    short = {name for name, each in found.items() if search.is_short(campaign.runs[name], each)}
    blown = {run.session for run in runs if run.kind == "background" and run.speed_mps != 0.0}
    warnings = _short_of_background(campaign, {name: found[name] for name in found if name in short}, blown)
    used = {name for each in found.values() for name in (*each.runs, *each.floor)}
    reasons = {r.background: r.reason for each in found.values() for r in each.refused}
    told = {r.background for name in short for r in found[name].refused}
    measured = {run.session for run in runs if run.kind == "measurement"}
    for run in runs:
        if run.kind == "background" and run.run not in used | told and run.session in measured:
            warnings.append(_unused(campaign, run, reasons.get(run.run), speed_column))
        warnings += _off_nominal(campaign, run)
    return warnings


def _off_nominal(campaign: Campaign, run: Run) -> list[Fault]:
    """A run that did not achieve its nominal speed."""
    nominal, speed = campaign.operating_points.get(run.run, (0.0, 0.0))[0], _achieved_mps(run)
    if run.kind == "calibration" or not nominal or not speed:
        return []
    share, most = speed / nominal, campaign.settings.operating_point.speed_tolerance
    measured = run.measured_speed_mps is not None
    if abs(share - 1.0) <= most or not (measured or run.dynamic_pressure_pa):
        return []
    words = f"{speed:.4g} m/s, {share:.3g} times the nominal speed of {nominal:.4g} m/s"
    expected = f"the nominal speed within {most:.3g} of it (operating_point.speed_tolerance), in m/s"
    return [_warning(campaign, run, "measured_speed_mps" if measured else "dynamic_pressure_pa", words, expected)]


def _short_of_background(campaign: Campaign, found: Mapping[str, Backgrounds], blown: set[str]) -> list[Fault]:
    """Runs without the background that they should have: those of a session and point with the same reasons together.

    A session that is not among those with background runs in flow (`blown`) is named once for all of its points.
    """
    alike: dict[tuple[object, ...], list[Run]] = {}
    for name, backgrounds in found.items():
        run = campaign.runs[name]
        point = campaign.operating_points.get(name) if run.session in blown else None
        refused = tuple(str(each) for each in backgrounds.refused)
        alike.setdefault((run.session, point, backgrounds.kind == "electrical", refused), []).append(run)
    warnings = []
    for (_, _, still, _), runs in alike.items():
        names = [run.run for run in runs]
        listed = ", ".join(names[:MOST_NAMED]) + (
            f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
        )
        reasons = [str(each) for each in found[names[0]].refused]
        have = "has" if len(names) == 1 else "have"
        told = f"; not used: {'; '.join(reasons)}" if reasons else f", which {have} no background run in the flow"
        wind_off = "; the wind-off level alone is subtracted" if still else ""
        expected = "a background run with the same gain, mount, speed and yaw, taken near in time; or none, if so meant"
        words = f"run{'s' if len(names) > 1 else ''} {listed}{told}{wind_off}"
        warnings.append(_warning(campaign, runs[0], "background", words, expected))
    return warnings


def _unused(campaign: Campaign, run: Run, reason: str | None, speed_column: str) -> Fault:
    if run.speed_mps is None:
        blank = "the speed of the background run, 0 with the wind off"
        so_far = "without it the run is subtracted only where another run names it in the column background"
        return _warning(campaign, run, speed_column, "an empty cell", blank, so_far)
    words = f"background run {run.run}, which no measurement uses{f': {reason}' if reason else ''}"
    expected = "a measurement of the same session, speed, yaw and condition"
    return _warning(campaign, run, "kind", words, expected)


def _warning(campaign: Campaign, run: Run, column: str, found: str, expected: str, mend: str | None = None) -> Fault:
    return Fault(campaign.settings.tables.runs, run.line, column, found, expected, mend)


class _Search:
    """Looks for the background runs of one run after the other."""

    def __init__(self, campaign: Campaign) -> None:
        self._campaign, self._points = campaign, campaign.operating_points
        self._settings = campaign.settings.background
        self._replaced = campaign.superseded()
        self._fitted: dict[str, dict[str, Fitting]] = {}
        self._by_session: dict[str, list[Run]] = {}
        for run in campaign.used_runs():
            if run.kind == "background":
                self._by_session.setdefault(run.session, []).append(run)

    def every(self) -> dict[str, Backgrounds]:
        """See `backgrounds_of`."""
        runs = self._campaign.used_runs()
        found = {run.run: self.found(run) for run in runs if run.kind == "measurement"}
        with_flow = {self._campaign.runs[name].session for name, each in found.items() if each.kind in IN_FLOW}
        for name, each in found.items():
            run, blowing = self._campaign.runs[name], self._points.get(name, (0.0, 0.0))[0] > 0.0
            without = each.kind not in IN_FLOW and not each.refused and run.background != ()
            if without and blowing and run.session in with_flow:
                found[name] = dataclasses.replace(each, missing=True)
        return found | {run.run: self.floor_alone(run) for run in runs if run.kind == "background"}

    def floor_alone(self, run: Run) -> Backgrounds:
        """The wind-off runs of a background run in flow."""
        blowing = run.speed_mps is not None and not self._wind_off(run)
        floor, refused = self._sound(run, self._wind_off_runs(run)) if blowing else ([], ())
        return Backgrounds(None, (), _names(floor), refused, _achieved_mps(run) or 0.0)

    def found(self, run: Run) -> Backgrounds:
        """The backgrounds of a measurement."""
        floor, refused_floor = self._sound(run, self._wind_off_runs(run))
        kind, groups, refused = self._groups(run, floor)
        known = dict.fromkeys((*refused, *refused_floor))
        still = [name for _, names in groups for name in names] if kind == "electrical" else []
        wind_off = tuple(sorted({*_names(floor), *still}))
        steps = self._other_gains(run, groups[0][1], known) if kind == "flow" else ()
        return Backgrounds(kind, groups, wind_off, tuple(known), _achieved_mps(run) or 0.0, steps)

    def _other_gains(self, run: Run, names: tuple[str, ...], refused: Iterable[Refusal]) -> tuple[OtherGain, ...]:
        """Where the runs of a group have another gain and are not refused for it."""
        steps: list[OtherGain] = []
        gone = {(r.background, position) for r in refused for position in r.positions}
        for name in names:
            other = self._campaign.runs[name]
            alike: dict[tuple[float, tuple[str, ...]], list[str]] = {}
            for position, (own, its) in self._gains(run, other).items():
                if abs(its - own) > SAME_GAIN_DB and (name, position) not in gone:
                    floor = tuple(b.run for b in self._wind_off_runs(other) if self._gain(b, position) == its)
                    alike.setdefault((its - own, floor), []).append(position)
            steps += [OtherGain(name, more, tuple(places), floor) for (more, floor), places in alike.items()]
        return tuple(steps)

    def is_short(self, run: Run, found: Backgrounds) -> bool:
        """Whether a run, or some of its positions, is without the background that it should have."""
        if run.kind != "measurement" or run.background == ():
            return False
        if found.kind == "electrical" and run.background is None and self._points.get(run.run, (0.0, 0.0))[0] > 0.0:
            return True
        if found.kind is None:
            return True
        return any(
            all(found.refuses(name, position) for name in names)
            for position in self._fittings(run.session)
            for _, names in found.groups
        )

    def _wind_off_runs(self, run: Run) -> list[Run]:
        return [b for b in self._fitting_condition(run) if self._wind_off(b)]

    def _groups(self, run: Run, floor: list[Run]) -> Found:
        """What is subtracted, and what is refused of it; wind-off runs where there is nothing else."""
        kind, groups, refused = self._named(run) if run.background is not None else self._at_its_point(run)
        if groups or not floor or run.background == ():
            return kind, groups, refused
        return "electrical", ((0.0, _names(floor)),), refused

    def _at_its_point(self, run: Run) -> Found:
        """The runs at the operating point, or a bridge between two others where settings allow it."""
        if run.run not in self._points:
            return NOTHING
        speed, yaw = self._points[run.run]
        candidates = [b for b in self._fitting_condition(run) if b.run in self._points]
        candidates = [b for b in candidates if self._points[b.run][1] == yaw]
        there = [b for b in candidates if self._points[b.run][0] == speed]
        kept, refused = self._sound(run, there, any_gain=speed > 0.0)
        if kept:
            return "electrical" if speed == 0.0 else "flow", ((speed, _names(kept)),), refused
        if self._settings.between_speeds and not there:
            return self._bridge(run, speed, candidates)
        return None, (), refused

    def _named(self, run: Run) -> Found:
        """The runs that the run table names; a wind-off run among them counts where no other does."""
        wanted = sorted({_latest(name, self._replaced) for name in run.background or ()})
        named = [self._campaign.runs[name] for name in wanted]
        blowing, refused = self._sound(run, [b for b in named if not self._wind_off(b)], any_gain=True)
        if blowing:
            return "flow", ((self._points.get(run.run, (0.0, 0.0))[0], _names(blowing)),), refused
        still, more = self._sound(run, [b for b in named if self._wind_off(b)])
        return ("electrical", ((0.0, _names(still)),), refused + more) if still else (None, (), refused + more)

    def _fitting_condition(self, run: Run) -> list[Run]:
        """The session's background runs that name the run's condition, or where none does, no condition, by point."""
        found = self._by_session.get(run.session, [])
        own = {self._points.get(b.run) for b in found if b.condition is not None and b.condition == run.condition}
        return [
            b
            for b in found
            if b.condition == run.condition or (b.condition is None and self._points.get(b.run) not in own)
        ]

    def _wind_off(self, run: Run) -> bool:
        return self._points.get(run.run, (None, None))[0] == 0.0

    def _bridge(self, run: Run, speed: float, candidates: list[Run]) -> Found:
        """The sound runs at the nearest speeds below and above, or nothing."""
        speeds = sorted({self._points[b.run][0] for b in candidates} - {0.0})
        sides = [
            max((s for s in speeds if s < speed), default=None),
            min((s for s in speeds if s > speed), default=None),
        ]
        groups: list[tuple[float, tuple[str, ...]]] = []
        refused: list[Refusal] = []
        for side in sides:
            kept, gaps = self._sound(run, [b for b in candidates if self._points[b.run][0] == side], bridged=True)
            refused += gaps
            if side is not None and kept:
                groups.append((_mean([_achieved_mps(b) or side for b in kept]), _names(kept)))
        at = _achieved_mps(run) or speed
        if len(groups) < 2:
            return None, (), tuple(refused)
        if not groups[0][0] < at < groups[1][0]:
            reason = f"achieved {at:.4g} m/s does not lie between {groups[0][0]:.4g} and {groups[1][0]:.4g} m/s"
            refused += [Refusal(name, (), reason) for _, names in groups for name in names]
            return None, (), tuple(refused)
        return "between-speeds", tuple(groups), tuple(refused)

    def _sound(
        self, run: Run, candidates: list[Run], *, bridged: bool = False, any_gain: bool = False
    ) -> tuple[list[Run], tuple[Refusal, ...]]:
        """Those that may be subtracted, at some positions at least, and what is refused.

        `any_gain` admits runs of another gain where none of the run's own is there, and their electrical part is known.
        """
        found = {b.run: (b, list(self._refusals(run, b, bridged))) for b in candidates}
        by_gain = {name: list(self._of_the_gain(run, other)) for name, (other, _) in found.items()}
        if any_gain:
            open_ = {name: self._open(run, [*found[name][1], *by_gain[name]]) for name in found}
            own = frozenset(position for places in open_.values() for position in places)
            by_gain = {name: list(self._of_the_gain(run, other, own)) for name, (other, _) in found.items()}
        kept, refused = [], []
        for name in sorted(found):
            other, reasons = found[name]
            reasons += by_gain[name]
            refused += reasons
            if self._open(run, reasons):
                kept.append(other)
        return kept, tuple(refused)

    def _open(self, run: Run, reasons: list[Refusal]) -> frozenset[str]:
        """Where these reasons leave a background run."""
        if any(not r.positions for r in reasons):
            return frozenset()
        return frozenset(self._fittings(run.session)) - {p for r in reasons for p in r.positions}

    def _refusals(self, run: Run, other: Run, bridged: bool) -> Iterator[Refusal]:
        wind_off = self._wind_off(other)
        if not (bridged or wind_off):
            yield from self._of_the_flow(run, other)
        hours = _hours_between(run, other)
        if hours is not None and hours > self._settings.most_hours and not wind_off:
            limit = self._settings.most_hours
            yield Refusal(other.run, (), f"taken {hours:.1f} hours apart (at most {limit:g}, background.most_hours)")
        yield from self._of_the_channels(run, other)

    def _of_the_flow(self, run: Run, other: Run) -> Iterator[Refusal]:
        point, there = self._points.get(run.run), self._points.get(other.run)
        if point is not None and there is not None:
            if there[0] != point[0]:
                yield Refusal(other.run, (), f"another speed, {there[0]:.4g} m/s instead of {point[0]:.4g} m/s")
            if there[1] != point[1]:
                yield Refusal(other.run, (), f"another yaw, {there[1]:g} instead of {point[1]:g} degrees")
            if there != point:
                return
        yield from self._of_the_achieved_speed(run, other)

    def _of_the_achieved_speed(self, run: Run, other: Run) -> Iterator[Refusal]:
        share = _speed_ratio(run, other)
        if share is not None and abs(share - 1.0) > self._settings.achieved_within:
            limit = f"{self._settings.achieved_within:.3g}, background.achieved_within"
            words = f"its achieved speed or dynamic pressure makes {share:.3f} times the speed of the run (1 ± {limit})"
            yield Refusal(other.run, (), words)

    def _of_the_channels(self, run: Run, other: Run) -> Iterator[Refusal]:
        if run.session == other.session:
            return
        own, others = self._fittings(run.session), self._fittings(other.session)
        gone = [position for position in sorted(own) if position not in others]
        mounts = [
            position
            for position in sorted(own)
            if position in others and (own[position].mount is None or own[position].mount != others[position].mount)
        ]
        if gone:
            yield _refused(other, gone, len(own), f"not fitted in session {other.session}")
        if mounts:
            words = f"session {other.session}, where the mount is another one or not named"
            yield _refused(other, mounts, len(own), words)

    def _of_the_gain(self, run: Run, other: Run, own_gain: frozenset[str] | None = None) -> Iterator[Refusal]:
        """Where another gain refuses a background run: everywhere, or given the positions of which one has the run's
        own, there and where no wind-off run bounds what is electrical, unless the run table names it."""
        named = run.background is not None
        plain: dict[str, list[str]] = {}
        unknown: dict[str, list[str]] = {}
        for position, (gain, below) in self._gains(run, other).items():
            if abs(gain - below) <= SAME_GAIN_DB:
                continue
            words = f"{below:g} dB instead of {gain:g} dB"
            if own_gain is None or position in own_gain:
                plain.setdefault(words, []).append(position)
            elif not (named or self._electrical_is_known(run, other, position)):
                unknown.setdefault(words, []).append(position)
        everywhere = len(self._fittings(run.session))
        for found, why in ((plain, ""), (unknown, UNBOUNDED)):
            if found:
                places = [position for each in found.values() for position in each]
                yield _refused(other, places, everywhere, f"another gain, {' or '.join(found)}{why}")

    def _electrical_is_known(self, run: Run, other: Run, position: str) -> bool:
        """Whether there is a wind-off run at the gain of either."""
        return any(
            self._gain(still, position) == self._gain(each, position)
            for each in (run, other)
            for still in self._wind_off_runs(each)
        )

    def _gains(self, run: Run, other: Run) -> dict[str, tuple[float, float]]:
        """Gains of a run and of another one at the positions that both have."""
        pairs = {p: (self._gain(run, p), self._gain(other, p)) for p in sorted(self._fittings(run.session))}
        return {p: (own, its) for p, (own, its) in pairs.items() if own is not None and its is not None}

    def _gain(self, run: Run, position: str) -> float | None:
        """The run's own gain in dB, else that of the fitting; None where the position is not fitted."""
        fitting = self._fittings(run.session).get(position)
        if fitting is None or run.gain_db is not None:
            return run.gain_db if fitting is not None else None
        return fitting.gain_db

    def _fittings(self, session: str) -> Mapping[str, Fitting]:
        if session not in self._fitted:
            self._fitted[session] = {fitting.position: fitting for fitting in self._campaign.fittings_of(session)}
        return self._fitted[session]


def _refused(other: Run, positions: list[str], everywhere: int, reason: str) -> Refusal:
    return Refusal(other.run, () if len(positions) == everywhere else tuple(positions), reason)


def _achieved_mps(run: Run) -> float | None:
    """Measured speed, or that of the dynamic pressure where the air is stated, or the set one."""
    if run.measured_speed_mps is not None:
        return run.measured_speed_mps
    density = _dry_density_kgm3(run)
    if run.dynamic_pressure_pa is not None and density is not None:
        return math.sqrt(2.0 * run.dynamic_pressure_pa / density)
    return run.speed_mps


def _dry_density_kgm3(run: Run) -> float | None:
    """Density of dry air, None where temperature or pressure is not stated: half a percent off in moist air at most."""
    if run.temperature_c is None or run.static_pressure_hpa is None:
        return None
    return 100.0 * run.static_pressure_hpa / (DRY_AIR_J_PER_KG_K * (run.temperature_c + 273.15))


def _speed_ratio(run: Run, other: Run) -> float | None:
    """Speed of `other` over that of `run` by what was measured; by dynamic pressures where both have them alone."""
    by_pressure = [each.measured_speed_mps is None and bool(each.dynamic_pressure_pa) for each in (run, other)]
    if all(by_pressure):
        return math.sqrt((other.dynamic_pressure_pa or 0.0) / (run.dynamic_pressure_pa or 1.0))
    if any(alone and _dry_density_kgm3(each) is None for alone, each in zip(by_pressure, (run, other), strict=True)):
        return None
    speeds = _achieved_mps(run), _achieved_mps(other)
    return speeds[1] / speeds[0] if speeds[0] and speeds[1] else None


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _hours_between(run: Run, other: Run) -> float | None:
    if run.recorded_at is None or other.recorded_at is None:
        return None
    times = [datetime.datetime.fromisoformat(each.recorded_at or "") for each in (run, other)]
    if (times[0].tzinfo is None) != (times[1].tzinfo is None):
        return None
    return abs((times[0] - times[1]).total_seconds()) / 3600.0


def _names(runs: list[Run]) -> tuple[str, ...]:
    return tuple(run.run for run in runs)


def _latest(name: str, replaced: dict[str, str]) -> str:
    while name in replaced:
        name = replaced[name]
    return name
