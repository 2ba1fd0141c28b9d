"""The calibrator checks of every sensor in the finished tables of several campaigns, session by session in time."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from tapeline.acoustics.levels import ratio_db
from tapeline.campaign.faults import CampaignFaults, Fault
from tapeline.campaign.settings_source import read_settings
from tapeline.report.finished_tables import Row
from tapeline.report.wording import listed, number
from tapeline.store import parquet
from tapeline.store.file_records import NotAsWrittenError
from tapeline.store.tables import BY_NAME

CALIBRATION_COLUMNS = (
    "session",
    "position",
    "sensor",
    "source",
    "before_v_per_pa",
    "after_v_per_pa",
    "chart_v_per_pa",
    "standard_uncertainty_db",
    "verdict",
)
RUN_COLUMNS = ("session", "kind", "recorded_at")
SEVERAL = " | "


class NoHistoryError(Exception):
    """Nothing to draw a history from; the text says what is missing where and how to mend it."""


@dataclass(frozen=True)
class CampaignTables:
    """The rows of one campaign's calibration and run tables."""

    campaign: str
    calibration: Sequence[Row]
    runs: Sequence[Row]


@dataclass(frozen=True)
class SessionInTime:
    """One session; `date` is its earliest calibration run's time as the run table gives it, None where none has one."""

    campaign: str
    session: str
    date: str | None

    @property
    def label(self) -> str:
        """Campaign and session."""
        return f"{self.campaign}/{self.session}"

    @property
    def day(self) -> str:
        """The date without the time of day, or that there is none."""
        return self.date[:10] if self.date else "no date"


@dataclass(frozen=True)
class SensorCheck:
    """One sensor in one session: levels of its sensitivity in dB re 1 V/Pa; `value_db` is None where none was checked.

    `value_db` is the mean of the levels before and after, of whichever there are.
    """

    session: SessionInTime
    sensor: str
    position: str
    source: str
    before_db: float | None
    after_db: float | None
    value_db: float | None
    chart_db: float | None
    standard_uncertainty_db: float | None
    verdict: str
    serial: str | None


@dataclass(frozen=True)
class ChecksInTime:
    """The sessions of all campaigns in order of time, their checks, and what a reader has to know about both."""

    sessions: tuple[SessionInTime, ...]
    checks: tuple[SensorCheck, ...]
    notes: tuple[str, ...]


def read_campaigns(folders: Iterable[Path]) -> tuple[list[CampaignTables], list[str]]:
    """The tables of each campaign folder once, and notes on folders that were given again.

    Raises CampaignFaults for settings that cannot be read, NoHistoryError for campaigns without finished tables and
    for two folders with campaigns of one name.
    """
    found: dict[Path, CampaignTables] = {}
    notes: list[str] = []
    faults: list[Fault] = []
    missing: list[str] = []
    for folder in folders:
        root = folder.resolve()
        if root in found:
            notes.append(f"campaign {found[root].campaign} was given more than once: it is used once")
            continue
        own: list[Fault] = []
        source = read_settings(folder, own)
        faults += [replace(fault, file=str(folder / fault.file)) for fault in own]
        if own or source is None:
            continue
        try:
            found[root] = _read_tables(source.settings.campaign, folder, folder / source.settings.results)
        except NoHistoryError as error:
            missing.append(str(error))
    if faults:
        raise CampaignFaults(faults)
    if missing:
        raise NoHistoryError("\n".join(missing))
    _refuse_one_name(found)
    return list(found.values()), notes


def _read_tables(campaign: str, folder: Path, results: Path) -> CampaignTables:
    rows: dict[str, list[Row]] = {}
    for name, columns in (("calibration", CALIBRATION_COLUMNS), ("runs", RUN_COLUMNS)):
        path = results / "tables" / f"{name}.parquet"
        try:
            rows[name] = list(parquet.read_rows(BY_NAME[name], path))
        except FileNotFoundError:
            raise NoHistoryError(f"no results in {results}: run `tapeline run {folder}` first") from None
        except NotAsWrittenError as error:
            raise NoHistoryError(f"{error}: run `tapeline run {folder}`, which makes it again") from None
        except (OSError, pa.ArrowException) as error:
            mend = f"take it away and run `tapeline run {folder}`"
            raise NoHistoryError(f"{path}: found no table that can be read ({error}); {mend}") from None
        lacking = sorted(set(columns) - set(rows[name][0])) if rows[name] else []
        if lacking:
            mend = f"run `tapeline run {folder}` with this version"
            raise NoHistoryError(f"{path}: found no column {listed(lacking)}, expected it in a {name} table; {mend}")
    return CampaignTables(campaign, rows["calibration"], rows["runs"])


def _refuse_one_name(found: Mapping[Path, CampaignTables]) -> None:
    first: dict[str, Path] = {}
    for root, tables in found.items():
        other = first.setdefault(tables.campaign, root)
        if other != root:
            raise NoHistoryError(
                f"{root}: found a campaign named {tables.campaign}, expected another name than that of {other}; "
                "give one of the two, or set `campaign` in config/campaign.yaml and run it again"
            )


def checks_in_time(campaigns: Sequence[CampaignTables]) -> ChecksInTime:
    """All sensors' checks, sessions in order of their earliest calibration run, of any run where that has no date.

    Times without an offset from UTC count as UTC. A session without a date stays behind the latest session given
    before it: of its campaign, else of the campaigns before.
    """
    given: list[SessionInTime] = []
    rows: dict[SessionInTime, list[Row]] = {}
    for tables in campaigns:
        for name in dict.fromkeys(row["session"] for row in tables.calibration):
            session = SessionInTime(tables.campaign, name, _date_of(name, tables.runs))
            given.append(session)
            rows[session] = [row for row in tables.calibration if row["session"] == name and row["sensor"] is not None]
    sessions = _in_order(given)
    notes = [
        f"session {session.label} has no date (recorded_at in its run table): it keeps the order given"
        for session in sessions
        if session.date is None
    ]
    checks = tuple(
        _check(session, sensor, [row for row in rows[session] if row["sensor"] == sensor])
        for session in sessions
        for sensor in sorted({row["sensor"] for row in rows[session]})
    )
    return ChecksInTime(sessions, checks, (*notes, *_serial_notes(checks), *_chart_notes(checks)))


def _date_of(session: str, runs: Iterable[Row]) -> str | None:
    dated = [row for row in runs if row["session"] == session and row["recorded_at"]]
    calibrated = [row for row in dated if row["kind"] == "calibration"]
    return min((row["recorded_at"] for row in calibrated or dated), key=_moment, default=None)


def _moment(recorded_at: str) -> datetime.datetime:
    moment = datetime.datetime.fromisoformat(recorded_at)
    return moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)


def _in_order(given: Iterable[SessionInTime]) -> tuple[SessionInTime, ...]:
    never = datetime.datetime.min.replace(tzinfo=datetime.UTC)
    latest: dict[str, datetime.datetime] = {}
    keyed: list[tuple[datetime.datetime, SessionInTime]] = []
    for session in given:
        before = latest.get(session.campaign, max(latest.values(), default=never))
        moment = _moment(session.date) if session.date else before
        keyed.append((moment, session))
        latest[session.campaign] = max(moment, latest.get(session.campaign, never))
    return tuple(session for _, session in sorted(keyed, key=lambda pair: pair[0]))


def _check(session: SessionInTime, sensor: str, rows: Sequence[Row]) -> SensorCheck:
    """A sensor's rows of one session as one check; a sensor in two places gives the mean of its levels."""
    before, after = (_mean_level(row[f"{stage}_v_per_pa"] for row in rows) for stage in ("before", "after"))
    both = [level for level in (before, after) if level is not None]
    serials = {row["serial"] for row in rows if row.get("serial")}
    known = [row["standard_uncertainty_db"] for row in rows if row["standard_uncertainty_db"] is not None]
    return SensorCheck(
        session=session,
        sensor=sensor,
        position=SEVERAL.join(row["position"] for row in rows),
        source=SEVERAL.join(dict.fromkeys(row["source"] or "none" for row in rows)),
        before_db=before,
        after_db=after,
        value_db=float(np.mean(both)) if both else None,
        chart_db=_mean_level(row["chart_v_per_pa"] for row in rows),
        standard_uncertainty_db=max(known, default=None) if both else None,
        verdict=SEVERAL.join(dict.fromkeys(row["verdict"] or "" for row in rows)),
        serial=SEVERAL.join(sorted(serials)) or None,
    )


def _mean_level(sensitivities_v_per_pa: Iterable[float | None]) -> float | None:
    """Mean of the levels in dB re 1 V/Pa: the level of the geometric mean."""
    usable = [value for value in sensitivities_v_per_pa if value is not None and math.isfinite(value) and value > 0.0]
    return float(np.mean(ratio_db(usable))) if usable else None


def _serial_notes(checks: Iterable[SensorCheck]) -> list[str]:
    serials: dict[str, dict[str, str]] = {}
    for check in checks:
        if check.serial:
            serials.setdefault(check.sensor, {}).setdefault(check.serial, check.session.label)
    return [
        f"sensor {sensor}: serial numbers {listed(f'{serial} (from {label})' for serial, label in found.items())}: "
        "one sensor is assumed; if it was exchanged, give the new one its own name in the sensor table"
        for sensor, found in sorted(serials.items())
        if len(found) > 1
    ]


def _chart_notes(checks: Iterable[SensorCheck]) -> list[str]:
    charts: dict[str, list[tuple[float, str]]] = {}
    for check in checks:
        known = charts.setdefault(check.sensor, [])
        if check.chart_db is not None and (not known or abs(known[-1][0] - check.chart_db) >= 0.005):
            known.append((check.chart_db, check.session.label))
    return [
        f"sensor {sensor}: another chart value from {label} on, "
        f"{number(level - known[0][0], 2, signed=True)} dB against the first; the first is used throughout"
        for sensor, known in sorted(charts.items())
        for level, label in known[1:]
    ]
