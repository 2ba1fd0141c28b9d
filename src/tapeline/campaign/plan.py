"""The jobs of a campaign: what each one reads, what it needs, and the digest that says when it must run again."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Callable, Container, Iterable, Mapping
from functools import cached_property
from math import inf
from typing import Any, TypeVar

from tapeline.campaign.backgrounds import Backgrounds, backgrounds_of
from tapeline.campaign.digest import digest_of
from tapeline.campaign.model import Campaign
from tapeline.campaign.operating_points import named_points
from tapeline.campaign.slices import (
    Achieved,
    CalibrateLimits,
    CalibrateNeeds,
    CalibratorCheck,
    CatalogueNeeds,
    Channel,
    CheckAir,
    CompareNeeds,
    CompareRun,
    Filters,
    FlowNeeds,
    JudgedRun,
    Overrule,
    Papers,
    PositionRow,
    PressureNeeds,
    RepeatNeeds,
    RepeatRun,
    Response,
    RunRow,
    ScaleLength,
    ScaleNeeds,
    ScaleRun,
    SensitivityNeeds,
    SessionRun,
    Source,
    SpectraNeeds,
    StreamQuality,
    TablesNeeds,
    VerdictsNeeds,
    picked,
)
from tapeline.campaign.tables import Fitting, LeftOut, Position, Run
from tapeline.regular_files import may_be_read

Part = TypeVar("Part")

NO_BACKGROUNDS = Backgrounds(None, (), (), ())

STEP_VERSIONS: Mapping[str, int] = {
    "calibrate": 7,
    "sensitivity": 6,
    "pressure": 9,
    "verdicts": 4,
    "spectra": 6,
    "tables": 12,
    "catalogue": 10,
    "compare": 8,
    "scale": 4,
    "repeat": 5,
    "report": 11,
    "manifest": 2,
}
"""Raised whenever a step's code gives other bytes for the same needs: code edits are not seen by the workflow."""


class Plan:
    """Look-ups for the workflow: runs of a session, needs and digests of every job."""

    def __init__(self, campaign: Campaign) -> None:
        self.campaign = campaign
        self._settings = campaign.settings
        self._replaced = campaign.superseded()
        self._used = {run.run: run for run in campaign.used_runs()}
        self._shared: dict[tuple[str, str], tuple[Any, ...]] = {}
        self._shared_digests: dict[int, str] = {}

    @cached_property
    def _backgrounds(self) -> dict[str, Backgrounds]:
        """What is subtracted from each run; most jobs do without."""
        return backgrounds_of(self.campaign)

    @cached_property
    def sessions(self) -> tuple[str, ...]:
        """Sessions with at least one used run, sorted."""
        return tuple(sorted({run.session for run in self._used.values()}))

    @cached_property
    def recordings(self) -> tuple[str, ...]:
        """Used measurement and background runs, sorted: those that go through pressure and spectra."""
        return tuple(sorted(run.run for run in self._used.values() if run.kind != "calibration"))

    @cached_property
    def measured_sessions(self) -> tuple[str, ...]:
        """Sessions with at least one measurement or background run, sorted: those that get tables."""
        return tuple(sorted({self._used[name].session for name in self.recordings}))

    @cached_property
    def _by_session(self) -> dict[str, tuple[str, ...]]:
        grouped: dict[str, list[str]] = {}
        for name in self.recordings:
            grouped.setdefault(self._used[name].session, []).append(name)
        return {session: tuple(names) for session, names in grouped.items()}

    def recordings_of(self, session: str) -> tuple[str, ...]:
        """Measurement and background runs of one session, sorted."""
        return self._by_session.get(session, ())

    def recordings_for_tables(self, session: str) -> tuple[str, ...]:
        """The session's runs and background runs of other sessions that they name, sorted."""
        own = self.recordings_of(session)
        below = (name for run in own for name in self._backgrounds[run].needed)
        return tuple(sorted({*own, *below}))

    def sessions_for_tables(self, session: str) -> tuple[str, ...]:
        """The sessions of the runs that a session's tables are made from, sorted."""
        return tuple(sorted({self._used[run].session for run in self.recordings_for_tables(session)}))

    def session_of(self, run: str) -> str:
        """The session of a used run."""
        return self._used[run].session

    def source_of(self, run: str) -> Source:
        """What the recording of a used run is read from."""
        return self._source(self._used[run])

    def source_files(self, run: str) -> tuple[str, ...]:
        """Files of a run's recording that are there and may be read, relative to the campaign folder."""
        paths = self._source(self._used[run]).paths
        return tuple(path for path in paths if may_be_read(self.campaign.root / path))

    def all_source_files(self) -> tuple[str, ...]:
        """The files of all used recordings that are there and may be read at this moment."""
        return tuple(path for run in self._used for path in self.source_files(run))

    def check_files(self, session: str) -> tuple[str, ...]:
        """Files of a session's calibrator recordings that are there."""
        names = [run.run for run in self._checks_of(session)]
        return tuple(path for name in names for path in self.source_files(name))

    def digest(self, step: str, key: str = "") -> str:
        """Digest of one job: `key` is its run or session, empty for campaign-level steps."""
        return digest_of(step, STEP_VERSIONS[step], self.needs(step, key), self._shared_digests)

    def needs(self, step: str, key: str = "") -> Any:
        """The slice that one job depends on."""
        return getattr(self, f"{step}_needs")(*((key,) if key else ()))

    def calibrate_needs(self, session: str) -> CalibrateNeeds:
        """See CalibrateNeeds."""
        return CalibrateNeeds(
            campaign=self._settings.campaign,
            session=session,
            checks=tuple(self._check(run) for run in self._checks_of(session)),
            channels=self._channels(session, charts=True),
            calibrators=self._calibrators,
            limits=picked(CalibrateLimits, self._settings.calibration),
        )

    @cached_property
    def _calibrators(self) -> tuple[tuple[str, float], ...]:
        """The calibrators that used runs name, with their frequencies: a row that no run names changes no result."""
        named = {run.calibrator for run in self._used.values() if run.kind == "calibration"}
        rows = (row for row in self.campaign.calibrators.values() if row.calibrator in named)
        return tuple(sorted((row.calibrator, row.frequency_hz) for row in rows))

    def sensitivity_needs(self, session: str) -> SensitivityNeeds:
        """See SensitivityNeeds."""
        dates = [run.recorded_at for run in self._used.values() if run.session == session and run.recorded_at]
        return SensitivityNeeds(
            campaign=self._settings.campaign,
            session=session,
            measured_on=min(dates, default=None),
            channels=self._channels(session, charts=False),
            papers=self._papers(session),
            calibration=self._settings.calibration,
            overrules=self.check_overrules(session),
        )

    def check_overrules(self, session: str) -> tuple[Overrule, ...]:
        """Verdicts set by hand on the session's calibrator checks, sorted."""
        return self._overrules({run.run for run in self._checks_of(session)})

    def _overrules(self, runs: Container[str]) -> tuple[Overrule, ...]:
        rows = sorted(self.campaign.overrides, key=lambda row: (row.run, row.position or ""))
        return tuple(
            Overrule(row.run, row.position, row.verdict, row.reason, row.who) for row in rows if row.run in runs
        )

    def data_sheet_files(self, session: str) -> tuple[str, ...]:
        """Files of the data sheets of a session's sensors that may be read, relative to the campaign folder."""
        paths = (papers.data_sheet for papers in self._papers(session))
        return tuple(sorted({path for path in paths if path and may_be_read(self.campaign.root / path)}))

    def look_channels(self, session: str) -> tuple[Channel, ...]:
        """The fitted channels of a session with their charts, whether or not it has runs yet."""
        return self._channels(session, charts=True)

    def pressure_needs(self, run: str) -> PressureNeeds:
        """See PressureNeeds."""
        used = self._used[run]
        return PressureNeeds(
            campaign=self._settings.campaign,
            session=used.session,
            source=self._source(used),
            channels=self._channels(used.session, charts=False),
            policy=self._settings.calibration.sensitivity,
            chart_uncertainty_db=self._settings.calibration.chart_uncertainty_db,
            quality=picked(StreamQuality, self._settings.quality),
            mains_hz=self._settings.mains_hz,
            overrules=self._choices_of_checks(used.session),
        )

    def _choices_of_checks(self, session: str) -> tuple[Overrule, ...]:
        """Which checks somebody refuses or lets count, without words: a mark alone changes no sensitivity."""
        rows = self.check_overrules(session)
        whole = {row.run for row in rows if row.position is None and row.verdict != "doubtful"}
        return tuple(
            dataclasses.replace(row, reason="", who="")
            for row in rows
            if row.verdict != "doubtful" or (row.position is not None and row.run in whole)
        )

    def verdicts_needs(self, session: str) -> VerdictsNeeds:
        """See VerdictsNeeds."""
        quality = self._settings.quality
        names = self.recordings_of(session)
        in_time = sorted(names, key=lambda name: (self._used[name].recorded_at or "", name))
        runs = tuple(self._judged(name, in_time.index(name)) for name in names)
        fitted = sorted({fitting.position for fitting in self.campaign.fittings_of(session)})
        areas = ((name, self.campaign.positions[name].area or "") for name in fitted)
        return VerdictsNeeds(
            campaign=self._settings.campaign,
            session=session,
            runs=runs,
            areas=tuple((name, area) for name, area in areas if area),
            gains_db=self._fitted_gains(session),
            odd_level_db=quality.odd_level_db,
            silent_level_db=quality.silent_level_db,
            area_level_db=quality.area_level_db,
            speed_level_db=quality.speed_level_db,
            overrules=self._overrules(names),
        )

    def _judged(self, name: str, order: int) -> JudgedRun:
        used = self._used[name]
        speed, yaw = self.campaign.operating_points.get(name, (used.speed_mps, used.yaw_deg))
        logged = speed if used.measured_speed_mps is None else used.measured_speed_mps
        return JudgedRun(name, used.kind, used.condition, speed, yaw, order, logged, used.gain_db)

    def _fitted_gains(self, session: str) -> tuple[tuple[str, float], ...]:
        """Gains of a session's fittings whose samples are volts: those in pascal are not divided by a gain."""
        rows = self._channels(session, charts=False)
        return tuple(sorted((row.position, row.gain_db) for row in rows if row.unit == "V"))

    def spectra_needs(self, run: str) -> SpectraNeeds:
        """See SpectraNeeds."""
        settings = self._settings
        return SpectraNeeds(
            campaign=self._settings.campaign,
            run=run,
            left_out=tuple(
                (start - (self._used[run].start_s or 0.0), stop - (self._used[run].start_s or 0.0))
                for start, stop in sorted(row.stretch_s for row in self._left_out(run) if row.stretch_s is not None)
            ),
            responses=self._responses(self._used[run].session),
            response_correction=self._settings.calibration.response_correction,
            spectra=self._settings.spectra,
            history=self._settings.history,
            history_range_hz=self._settings.overall[0].range_hz,
            filters=self._filters(self._used[run].session) if settings.band_history.positions else (),
            reference_pressure_pa=self._settings.reference_pressure_pa,
            band_history=(settings.band_history, settings.bands) if settings.band_history.positions else None,
            spectrogram=settings.spectrogram if settings.spectrogram.positions else None,
            cross_spectra=(settings.cross_spectra, settings.confidence) if settings.cross_spectra.positions else None,
            references=self._references(self._used[run].session),
            flow=self._flow(run),
        )

    def _references(self, session: str) -> tuple[tuple[str, ...], float] | None:
        """The reference sensors that are fitted in a session, and the confidence of their significance."""
        fitted = {fitting.position for fitting in self.campaign.fittings_of(session)}
        asked = tuple(name for name in self._settings.background.references if name in fitted)
        return (asked, self._settings.confidence) if asked else None

    def _filters(self, session: str) -> Filters:
        rows = [row for row in self.campaign.fittings_of(session) if row.highpass_hz or row.lowpass_hz]
        return tuple(sorted((row.position, row.highpass_hz, row.lowpass_hz) for row in rows))

    @cached_property
    def on_request(self) -> tuple[str, ...]:
        """Names of the tables that are made because the settings or the run table ask for them."""
        named = [name for name in ("band_history", "cross_spectra", "spectrogram") if self._asked(name)]
        named += ["conditioned_spectra"] if self._settings.background.references else []
        return tuple(named + (["flow_bins"] if any(self._used[run].flow_series for run in self.recordings) else []))

    def _asked(self, section: str) -> bool:
        return bool(getattr(self._settings, section).positions)

    def _flow(self, run: str) -> FlowNeeds | None:
        used = self._used[run]
        if used.flow_series is None:
            return None
        path = f"{self._settings.recordings.rstrip('/')}/{used.flow_series}"
        return FlowNeeds(path, used.start_s or 0.0, self._settings.flow_bins)

    def flow_series_files(self, run: str) -> tuple[str, ...]:
        """The file of a run's flow series, relative to the campaign folder; none where it has none."""
        flow = self._flow(run)
        return (flow.path,) if flow else ()

    def tables_needs(self, session: str) -> TablesNeeds:
        """See TablesNeeds."""
        names = self.recordings_of(session)
        return TablesNeeds(
            campaign=self._settings.campaign,
            session=session,
            runs=tuple(self._session_run(name) for name in names),
            backgrounds=tuple(n for n in self.recordings_for_tables(session) if n not in names),
            sessions=self.sessions_for_tables(session),
            on_request=self.on_request,
            window=self._settings.spectra.window,
            range_hz=self._settings.spectra.range_hz,
            filters=self._filters(session),
            bands=self._settings.bands,
            overall=self._settings.overall,
            background=self._settings.background,
            uncertainty=self._settings.uncertainty,
            operating_point=self._settings.operating_point,
            check_air=self._check_air(session),
            spikes_left_out=self._settings.spectra.leave_out_spikes,
            confidence=self._settings.confidence,
            reference_pressure_pa=self._settings.reference_pressure_pa,
        )

    def _session_run(self, name: str) -> SessionRun:
        run, point = self._used[name], self.campaign.operating_points.get(name)
        left_out = self._ranges_left_out(name)
        return SessionRun(name, run.kind, run.condition, point, self._backgrounds[name], self._achieved(run), left_out)

    def _achieved(self, run: Run) -> Achieved:
        speed, _ = self.campaign.operating_points.get(run.run, (None, None))
        return Achieved(
            nominal_mps=speed,
            speed_mps=run.measured_speed_mps,
            dynamic_pressure_pa=run.dynamic_pressure_pa,
            temperature_c=run.temperature_c,
            static_pressure_hpa=run.static_pressure_hpa,
            humidity_pct=run.humidity_pct,
        )

    def _check_air(self, session: str) -> CheckAir:
        def mean(values: Iterable[float | None]) -> float | None:
            known = [value for value in values if value is not None]
            return sum(known) / len(known) if known else None

        checks = self._checks_of(session)
        return CheckAir(mean(run.temperature_c for run in checks), mean(run.static_pressure_hpa for run in checks))

    def catalogue_needs(self) -> CatalogueNeeds:
        """See CatalogueNeeds."""
        runs = tuple(self._run_row(self.campaign.runs[name]) for name in sorted(self.campaign.runs))
        positions = tuple(
            PositionRow(
                p.position,
                p.x_m,
                p.y_m,
                p.z_m,
                p.area,
                p.flow,
                p.mirror,
                p.line_array,
                p.line_order,
                p.cavity,
                p.remark,
            )
            for _, p in sorted(self.campaign.positions.items())
        )
        return CatalogueNeeds(self._settings.campaign, runs, positions, self._settings.spectra.resolution_hz)

    def compare_needs(self) -> CompareNeeds:
        """See CompareNeeds."""
        settings = self._settings
        runs = tuple(
            CompareRun(
                name,
                used.session,
                used.condition or "",
                *self.campaign.operating_points[name],
                self._backgrounds[name].runs,
                used.measured_speed_mps is not None or used.dynamic_pressure_pa is not None,
                self._hours(used),
                self._achieved(used),
            )
            for name, used in sorted(self._used.items())
            if used.kind == "measurement"
        )
        return CompareNeeds(
            campaign=settings.campaign,
            comparisons=dict(sorted(settings.comparisons.items())),
            lines=settings.compare.lines or next(iter(settings.comparisons), ""),
            applied={name: condition.applied for name, condition in sorted(settings.conditions.items())},
            runs=runs,
            mounts=self._mounts(),
            areas=tuple((name, p.area or "") for name, p in sorted(self.campaign.positions.items())),
            mirrors=tuple((name, p.mirror) for name, p in sorted(self.campaign.positions.items()) if p.mirror),
            confidence=settings.confidence,
            compare=settings.compare,
            ranking=settings.ranking,
            background=settings.background,
            reference_pressure_pa=settings.reference_pressure_pa,
            operating_point=settings.operating_point,
            ranking_points=self._ranking_points(run.run for run in runs),
            mounting_stated=settings.uncertainty.mounting_is_stated,
        )

    def _ranking_points(self, runs: Iterable[str]) -> tuple[tuple[float, float], ...]:
        """The operating points that the ranking is over; none where it is over all."""
        chosen = self._settings.ranking.operating_points
        known = [self.campaign.operating_points[name] for name in runs]
        return tuple(sorted({point for point in named_points(chosen, known, self._settings) if point is not None}))

    def _hours(self, run: Run) -> float | None:
        """Hours since the first used recording of the same session; None where the run has no time."""
        if run.recorded_at is None:
            return None
        since = datetime.datetime.fromisoformat(run.recorded_at) - self._first_times[run.session]
        return since.total_seconds() / 3600.0

    @cached_property
    def _first_times(self) -> dict[str, datetime.datetime]:
        first: dict[str, datetime.datetime] = {}
        for name in self.recordings:
            run = self._used[name]
            if run.recorded_at is not None:
                when = datetime.datetime.fromisoformat(run.recorded_at)
                first[run.session] = min(when, first.get(run.session, when))
        return first

    def scale_needs(self) -> ScaleNeeds:
        """See ScaleNeeds; runs without a flow speed have nothing to scale."""
        settings, points = self._settings, self.campaign.operating_points
        runs = tuple(
            ScaleRun(name, used.session, used.condition or "", points[name][1], self._achieved(used))
            for name, used in sorted(self._used.items())
            if used.kind == "measurement" and points[name][0] > 0.0
        )
        lengths = (self._length(position) for _, position in sorted(self.campaign.positions.items()))
        return ScaleNeeds(
            campaign=settings.campaign,
            runs=runs,
            lengths=tuple(length for length in lengths if length is not None),
            references=settings.background.references,
            scaling=settings.scaling,
            reference_density_kgm3=settings.operating_point.reference_density_kgm3,
            reference_pressure_pa=settings.reference_pressure_pa,
            confidence=settings.confidence,
        )

    def _length(self, at: Position) -> ScaleLength | None:
        own, general = self._settings.scaling.lengths, self._settings.scaling.length_m
        cavity = self.campaign.cavities.get(at.cavity or "")
        found = (
            (own.get(at.position), f"scaling.lengths: position {at.position}"),
            (cavity.length_m if cavity else None, f"cavities: {at.cavity}"),
            (own.get(at.area or ""), f"scaling.lengths: area {at.area}"),
            (general, "scaling.length_m"),
        )
        return next((ScaleLength(at.position, length, source) for length, source in found if length is not None), None)

    def _mounts(self) -> tuple[tuple[str, str, str | None], ...]:
        """Session, position and mount of every fitting in use, sorted."""
        fitted = (fitting for fitting in self.campaign.fittings if fitting.session in self.sessions)
        return tuple(sorted((f.session, f.position, f.mount) for f in fitted))

    def repeat_needs(self) -> RepeatNeeds:
        """See RepeatNeeds."""
        settings = self._settings
        measured = [used for used in self._used.values() if used.kind == "measurement"]
        first = {session: min(_moment(run) for run in measured if run.session == session)
                 for session in {run.session for run in measured}}  # fmt: skip
        in_time = sorted(measured, key=lambda run: (first[run.session], run.session, _moment(run)))
        return RepeatNeeds(
            campaign=settings.campaign,
            runs=tuple(
                RepeatRun(run.run, run.session, run.condition or "", *self.campaign.operating_points[run.run])
                for run in in_time
            ),
            mounts=self._mounts(),
            reference_condition=settings.reference_condition,
            references=settings.background.references,
            repeats_pooled=settings.compare.repeats_pooled,
            window=settings.spectra.window,
            overlap=settings.spectra.overlap,
            confidence=settings.confidence,
            repeatability=settings.repeatability,
        )

    def report_needs(self) -> dict[str, Any]:
        """Everything the page shows that no table carries: settings, outlines, warnings; and the tables' digests."""
        return {
            "settings": self._settings,
            "outlines": self.campaign.outlines,
            "warnings": [str(warning) for warning in self.campaign.file_warnings],
            "tables": self._table_digests(),
        }

    def manifest_needs(self) -> dict[str, Any]:
        """The settings that change results (no titles, nothing of the report's looks) and the tables' digests."""
        return {"settings": self.result_settings(), "tables": self._table_digests()}

    def result_settings(self) -> dict[str, Any]:
        """The settings that numbers depend on, as plain values."""
        dumped: dict[str, Any] = self._settings.model_dump(
            mode="json", exclude={"title", "report", "axes", "keep_pressure", "inputs_outside"}
        )
        for condition in dumped["conditions"].values():
            condition.pop("title")
        return dumped

    def _table_digests(self) -> dict[str, str]:
        sessions = {f"tables/{name}": self.digest("tables", name) for name in self.measured_sessions}
        return sessions | {step: self.digest(step) for step in ("catalogue", "compare", "scale", "repeat")}

    def _checks_of(self, session: str) -> list[Run]:
        return sorted(
            (run for run in self._used.values() if run.kind == "calibration" and run.session == session),
            key=lambda run: run.run,
        )

    def _check(self, run: Run) -> CalibratorCheck:
        used = self.campaign.calibrators[run.calibrator or ""]
        return CalibratorCheck(
            source=self._source(run),
            stage=run.stage or "before",
            positions=run.positions,
            calibrator=used.calibrator,
            closed_coupler=used.kind == "closed-coupler",
            level_db=used.level_db,
            frequency_hz=used.frequency_hz,
            level_uncertainty_db=used.level_uncertainty_db,
            adapter_correction_db=used.adapter_correction_db,
            adapter_uncertainty_db=used.adapter_uncertainty_db,
            static_pressure_hpa=run.static_pressure_hpa,
        )

    def _source(self, run: Run) -> Source:
        folder = self._settings.recordings.rstrip("/")
        raw = self._settings.raw_formats[run.format] if run.format else None
        paths = tuple(f"{folder}/{part}" for part in run.recordings)
        return Source(run.run, paths, raw, run.start_s, run.stop_s, run.gain_db)

    def _channels(self, session: str, *, charts: bool) -> tuple[Channel, ...]:
        kind = "channels and charts" if charts else "channels"
        fittings = self.campaign.fittings_of(session)
        return self._once(kind, session, lambda: tuple(self._channel(fitting, charts) for fitting in fittings))

    def _responses(self, session: str) -> tuple[Response, ...]:
        def phase(sensor: str | None) -> tuple[float, ...]:
            chart = self.campaign.charts.get(sensor or "")
            return (chart.phase_deg or ()) if chart else ()

        channels = self._channels(session, charts=True)
        return self._once(
            "responses",
            session,
            lambda: tuple(Response(c.position, c.chart_hz, c.chart_db, phase(c.sensor)) for c in channels),
        )

    def _papers(self, session: str) -> tuple[Papers, ...]:
        fitted = {fitting.sensor for fitting in self.campaign.fittings_of(session) if fitting.sensor}
        sensors = [self.campaign.sensors[name] for name in sorted(fitted)]
        return tuple(
            Papers(
                sensor=sensor.sensor,
                serial=sensor.serial,
                calibrated_on=sensor.calibrated_on,
                has_chart=sensor.sensor in self.campaign.charts,
                chart_serial=self.campaign.charts[sensor.sensor].serial
                if sensor.sensor in self.campaign.charts
                else None,
                response_kind=sensor.response_kind,
                data_sheet=sensor.data_sheet,
            )
            for sensor in sensors
        )

    def _once(self, kind: str, session: str, make: Callable[[], tuple[Part, ...]]) -> tuple[Part, ...]:
        """A part that all jobs of a session share: made and digested once, so that thousands of jobs plan quickly."""
        if (kind, session) not in self._shared:
            part = make()
            self._shared[kind, session] = part
            if part:
                self._shared_digests[id(part)] = digest_of(kind, 1, part)
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

    def _run_row(self, run: Run) -> RunRow:
        point = self.campaign.operating_points.get(run.run)
        found = self._backgrounds.get(run.run, NO_BACKGROUNDS)
        status = "left out" if not run.use else "superseded" if run.run in self._replaced else "used"
        return RunRow(
            run=run.run,
            session=run.session,
            kind=run.kind,
            status=status,
            condition=run.condition,
            recording=" | ".join(run.recordings),
            format=run.format,
            set_speed_mps=run.speed_mps,
            speed_mps=point[0] if point else None,
            set_yaw_deg=run.yaw_deg,
            yaw_deg=point[1] if point else run.yaw_deg,
            measured_speed_mps=run.measured_speed_mps,
            dynamic_pressure_pa=run.dynamic_pressure_pa,
            temperature_c=run.temperature_c,
            static_pressure_hpa=run.static_pressure_hpa,
            humidity_pct=run.humidity_pct,
            recorded_at=run.recorded_at,
            calibrator=run.calibrator,
            stage=run.stage,
            replaces=run.replaces,
            replaced_by=self._replaced.get(run.run),
            gain_db=run.gain_db,
            start_s=run.start_s,
            stop_s=run.stop_s,
            use=run.use,
            remark=run.remark,
            background_runs=found.runs,
            background_kind=found.kind,
            background_refused=tuple(str(each) for each in found.refused),
            left_out=tuple(row.words for row in self._left_out(run.run)) if run.kind != "calibration" else (),
        )

    def _left_out(self, run: str) -> list[LeftOut]:
        """What is left out of a run, stretches before ranges of frequencies."""
        rows = (row for row in self.campaign.left_out if row.is_of(run))
        return sorted(rows, key=lambda row: (row.stretch_s or (inf, inf), row.range_hz or (), row.position or ""))

    def _ranges_left_out(self, run: str) -> tuple[tuple[str, float, float], ...]:
        """Ranges of frequencies left out of a run or of what is subtracted from it: position (or ""), ends in Hz."""
        found = {
            (row.position or "", *row.range_hz)
            for name in (run, *self._backgrounds[run].runs)
            for row in self._left_out(name)
            if row.range_hz is not None
        }
        return tuple(sorted(found))


def _moment(run: Run) -> tuple[bool, float, str]:
    """Sorts runs by when they were recorded; those that do not say it after the others, by name."""
    at = datetime.datetime.fromisoformat(run.recorded_at) if run.recorded_at else None
    # Local times without an offset are read as one common zone: only their order counts.
    when = at.replace(tzinfo=at.tzinfo or datetime.UTC).timestamp() if at else 0.0
    return at is None, when, run.run
