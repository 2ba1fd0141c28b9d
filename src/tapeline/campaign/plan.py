"""What is to be made of a campaign: its used runs, sessions, sources and channels, as the jobs look them up."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Container
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import Any, Literal, TypeAlias, TypeVar

from pydantic import BaseModel

from tapeline.campaign.backgrounds import Backgrounds, backgrounds_of
from tapeline.campaign.batches import batched
from tapeline.campaign.digest import digest_of
from tapeline.campaign.model import Campaign
from tapeline.campaign.settings import RawFormat
from tapeline.campaign.tables import Fitting, LeftOut, Run
from tapeline.file_stamps import stamp_of
from tapeline.regular_files import may_be_read

Part = TypeVar("Part")
PartT = TypeVar("PartT", bound=Any)

Filters: TypeAlias = tuple[tuple[str, float | None, float | None], ...]
"""Positions whose fittings name a high-pass or a low-pass corner, in Hz."""


@dataclass(frozen=True)
class Source:
    """One recording: its files relative to the campaign folder, how to read them, which part to use."""

    run: str
    paths: tuple[str, ...]
    raw: RawFormat | None
    start_s: float | None
    stop_s: float | None
    gain_db: float | None


@dataclass(frozen=True)
class Channel:
    """One fitted channel with what is known of its sensor."""

    channel: int
    position: str
    sensor: str | None
    mount: str | None
    unit: str
    full_scale_v: float | None
    gain_db: float
    polarity: int
    sensitivity_v_per_pa: float | None
    sensitivity_uncertainty_db: float | None
    chart_hz: tuple[float, ...]
    chart_db: tuple[float, ...]


@dataclass(frozen=True)
class Overrule:
    """A verdict that somebody sets against the computed one; no position: all of the run."""

    run: str
    position: str | None
    verdict: Literal["good", "doubtful", "unusable"]
    reason: str
    who: str


@dataclass(frozen=True)
class Achieved:
    """Speed and air of a run as the run table has them; None where it says nothing. `nominal_mps` is its point's."""

    nominal_mps: float | None
    speed_mps: float | None
    dynamic_pressure_pa: float | None
    temperature_c: float | None
    static_pressure_hpa: float | None
    humidity_pct: float | None


def picked(kind: type[PartT], source: object) -> PartT:
    """A frozen part made of the attributes of `source` that have its fields' names."""
    made: PartT = kind(**{field.name: getattr(source, field.name) for field in dataclasses.fields(kind)})
    return made


class Plan:
    """Look-ups in a campaign's tables for all jobs.

    `used` are its used runs by name, `replaced` the runs that others replace. `shared_digests` are the digests of parts
    that many jobs share, by the identity of the part; `digests` those of jobs, by job and key, as far as asked for.
    """

    def __init__(self, campaign: Campaign) -> None:
        self.campaign = campaign
        self.settings = campaign.settings
        self.results = campaign.results
        self.replaced = campaign.superseded()
        self.used = {run.run: run for run in campaign.used_runs()}
        self._shared: dict[tuple[str, str], tuple[Any, ...]] = {}
        sections = {name: getattr(self.settings, name) for name in type(self.settings).model_fields}
        self.shared_digests = {
            id(part): digest_of(name, 1, part) for name, part in sections.items() if isinstance(part, BaseModel)
        }
        self.digests: dict[tuple[str, str], str] = {}

    @cached_property
    def backgrounds(self) -> dict[str, Backgrounds]:
        """What is subtracted from each run; most jobs do without."""
        return backgrounds_of(self.campaign)

    @cached_property
    def sessions(self) -> tuple[str, ...]:
        """Sessions with at least one used run, sorted."""
        return tuple(sorted({run.session for run in self.used.values()}))

    @cached_property
    def recordings(self) -> tuple[str, ...]:
        """Used measurement and background runs, sorted: those that go through pressure and spectra."""
        return tuple(sorted(run.run for run in self.used.values() if run.kind != "calibration"))

    @cached_property
    def measured_sessions(self) -> tuple[str, ...]:
        """Sessions with at least one measurement or background run, sorted: those that get tables."""
        return tuple(sorted({self.used[name].session for name in self.recordings}))

    @cached_property
    def _by_session(self) -> dict[str, tuple[str, ...]]:
        grouped: dict[str, list[str]] = {}
        for name in self.recordings:
            grouped.setdefault(self.used[name].session, []).append(name)
        return {session: tuple(names) for session, names in grouped.items()}

    @cached_property
    def batches(self) -> dict[str, tuple[str, ...]]:
        """The runs that one process reads one after the other, by the name of their batch."""
        found: dict[str, tuple[str, ...]] = {}
        for session in self.measured_sessions:
            sizes = {run: self._bytes(run) for run in self.recordings_of(session)}
            for number, runs in enumerate(batched(sizes, self.settings.batch_mb * 1e6), 1):
                found[f"{session}-{number}"] = runs
        return found

    def _bytes(self, run: str) -> int:
        stamps = (stamp_of(self.campaign.root / path) for path in self.source(self.used[run]).paths)
        return sum(stamp.size for stamp in stamps if stamp)

    def recordings_of(self, session: str) -> tuple[str, ...]:
        """Measurement and background runs of one session, sorted."""
        return self._by_session.get(session, ())

    def recordings_for_tables(self, session: str) -> tuple[str, ...]:
        """The session's runs and background runs of other sessions that they name, sorted."""
        own = self.recordings_of(session)
        below = (name for run in own for name in self.backgrounds[run].needed)
        return tuple(sorted({*own, *below}))

    def sessions_for_tables(self, session: str) -> tuple[str, ...]:
        """The sessions of the runs that a session's tables are made from, sorted."""
        return tuple(sorted({self.used[run].session for run in self.recordings_for_tables(session)}))

    @cached_property
    def lending_sessions(self) -> tuple[str, ...]:
        """Sessions of runs that the tables of another session are made from, sorted."""
        lent = {(lender, session) for session in self.measured_sessions for lender in self.sessions_for_tables(session)}
        return tuple(sorted({lender for lender, session in lent if lender != session}))

    def session_of(self, run: str) -> str:
        """The session of a used run."""
        return self.used[run].session

    def source_files(self, run: str) -> tuple[str, ...]:
        """Files of a run's recording that are there and may be read, relative to the campaign folder."""
        paths = self.source(self.used[run]).paths
        return tuple(path for path in paths if may_be_read(self.campaign.root / path))

    def all_source_files(self) -> tuple[str, ...]:
        """The files of all used recordings that are there and may be read at this moment."""
        return tuple(path for run in self.used for path in self.source_files(run))

    def check_overrules(self, session: str) -> tuple[Overrule, ...]:
        """Verdicts set by hand on the session's calibrator checks, sorted."""
        return self.overrules({run.run for run in self.checks_of(session)})

    def overrules(self, runs: Container[str]) -> tuple[Overrule, ...]:
        """Verdicts set by hand on some runs, sorted."""
        rows = sorted(self.campaign.overrides, key=lambda row: (row.run, row.position or ""))
        return tuple(
            Overrule(row.run, row.position, row.verdict, row.reason, row.who) for row in rows if row.run in runs
        )

    def filters(self, session: str) -> Filters:
        """The filters in a session's channels, sorted by position."""
        rows = [row for row in self.campaign.fittings_of(session) if row.highpass_hz or row.lowpass_hz]
        return tuple(sorted((row.position, row.highpass_hz, row.lowpass_hz) for row in rows))

    def diameters_mm(self, session: str) -> tuple[tuple[str, float], ...]:
        """Positions under attached flow with the diameters of their sensors, where these are known, sorted."""
        sensors, positions = self.campaign.sensors, self.campaign.positions
        found = (
            (row.position, sensors[row.sensor].diameter_mm)
            for row in self.campaign.fittings_of(session)
            if row.sensor in sensors and row.position in positions and positions[row.position].flow == "attached"
        )
        return tuple(sorted((position, diameter) for position, diameter in found if diameter is not None))

    def lines(self, session: str) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Lines of at least two fitted sensors with their positions in the stated order downstream, sorted by name."""
        found: dict[str, list[tuple[int, str]]] = {}
        for row in self.campaign.fittings_of(session):
            at = self.campaign.positions.get(row.position)
            if at is not None and at.line_array is not None and at.line_order is not None:
                found.setdefault(at.line_array, []).append((at.line_order, at.position))
        return tuple(
            (line, tuple(name for _, name in sorted(rows))) for line, rows in sorted(found.items()) if len(rows) > 1
        )

    @cached_property
    def on_request(self) -> tuple[str, ...]:
        """Names of the tables that are made because the settings or the run table ask for them."""
        named = [name for name in ("band_history", "cross_spectra", "spectrogram") if self._asked(name)]
        named += ["lines"] if any(self.lines(session) for session in self.measured_sessions) else []
        named += ["conditioned_spectra"] if self.settings.background.references else []
        return tuple(named + (["flow_bins"] if any(self.used[run].flow_series for run in self.recordings) else []))

    def _asked(self, section: str) -> bool:
        return bool(getattr(self.settings, section).positions)

    def achieved(self, run: Run) -> Achieved:
        """Speed and air of a run."""
        speed, _ = self.campaign.operating_points.get(run.run, (None, None))
        return Achieved(
            nominal_mps=speed,
            speed_mps=run.measured_speed_mps,
            dynamic_pressure_pa=run.dynamic_pressure_pa,
            temperature_c=run.temperature_c,
            static_pressure_hpa=run.static_pressure_hpa,
            humidity_pct=run.humidity_pct,
        )

    def mounts(self) -> tuple[tuple[str, str, str | None], ...]:
        """Session, position and mount of every fitting in use, sorted."""
        fitted = (fitting for fitting in self.campaign.fittings if fitting.session in self.sessions)
        return tuple(sorted((f.session, f.position, f.mount) for f in fitted))

    def checks_of(self, session: str) -> list[Run]:
        """The calibrator recordings of a session, sorted by name."""
        return sorted(
            (run for run in self.used.values() if run.kind == "calibration" and run.session == session),
            key=lambda run: run.run,
        )

    def source(self, run: Run) -> Source:
        """What a run's recording is read from."""
        folder = self.settings.recordings.rstrip("/")
        raw = self.settings.raw_formats[run.format] if run.format else None
        paths = tuple(f"{folder}/{part}" for part in run.recordings)
        return Source(run.run, paths, raw, run.start_s, run.stop_s, run.gain_db)

    def channels(self, session: str, *, charts: bool) -> tuple[Channel, ...]:
        """The fitted channels of a session, with or without their charts, whether or not it has runs yet."""
        kind = "channels and charts" if charts else "channels"
        fittings = self.campaign.fittings_of(session)
        return self.once(kind, session, lambda: tuple(self._channel(fitting, charts) for fitting in fittings))

    def once(self, kind: str, session: str, make: Callable[[], tuple[Part, ...]]) -> tuple[Part, ...]:
        """A part that all jobs of a session share: made and digested once, so that thousands of jobs plan quickly."""
        if (kind, session) not in self._shared:
            part = make()
            self._shared[kind, session] = part
            if part:
                self.shared_digests[id(part)] = digest_of(kind, 1, part)
        return self._shared[kind, session]

    def _channel(self, fitting: Fitting, charts: bool) -> Channel:
        sensor = self.campaign.sensors.get(fitting.sensor or "")
        chart = self.campaign.charts.get(fitting.sensor or "") if charts else None
        stated = sensor.sensitivity_mv_per_pa if sensor else None
        return Channel(
            channel=fitting.channel,
            position=fitting.position,
            sensor=fitting.sensor,
            mount=fitting.mount,
            unit=fitting.unit,
            full_scale_v=fitting.full_scale_v,
            gain_db=fitting.gain_db,
            polarity=fitting.polarity,
            sensitivity_v_per_pa=stated / 1000.0 if stated is not None else None,
            sensitivity_uncertainty_db=sensor.sensitivity_uncertainty_db if sensor else None,
            chart_hz=chart.frequency_hz if chart else (),
            chart_db=chart.relative_to(sensor.chart_reference_hz) if chart and sensor else (),
        )

    def left_out(self, run: str) -> list[LeftOut]:
        """What is left out of a run, stretches before ranges of frequencies."""
        rows = (row for row in self.campaign.left_out if row.is_of(run))
        return sorted(rows, key=lambda row: (row.stretch_s or (inf, inf), row.range_hz or (), row.position or ""))
