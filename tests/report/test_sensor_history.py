"""Sensitivities over several campaigns: planted steps, trends and common shifts are found, healthy sensors are left."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_figures import paths, words

from tapeline.cli import main
from tapeline.report.figures_history import history_figure
from tapeline.report.history_text import history_text
from tapeline.report.sensor_checks import checks_in_time, read_campaigns
from tapeline.report.sensor_history import SensorHistory, sensor_history
from tapeline.store import parquet, tables

CHART_V_PER_PA = 0.004
HEALTHY = ("s1", "s2", "s3", "s4", "s5")
RIPPLE_DB = (0.02, -0.03, 0.01, -0.02, 0.03, -0.01, 0.02, -0.02)
"""What a healthy sensor's checks differ by from session to session; synthetic."""

Levels = Mapping[str, Mapping[str, float | None]]


def campaign(
    root: Path, name: str, levels_db: Levels, dates: Mapping[str, str | None], chart: float | None = CHART_V_PER_PA
) -> Path:
    """A campaign folder with settings and the two tables; `levels_db` by session and sensor, against the chart."""
    folder = root / name
    (folder / "config").mkdir(parents=True)
    (folder / "config" / "campaign.yaml").write_text(f"campaign: {name}\nconditions: {{open: {{}}}}\n", "utf-8")
    rows = [_row(session, sensor, level, chart) for session, own in levels_db.items() for sensor, level in own.items()]
    runs = [
        {"run": f"{session}-{stage}", "session": session, "kind": kind, "stage": stage, "recorded_at": date}
        for session, date in dates.items()
        for kind, stage in (("calibration", "before"), ("measurement", None))
    ]
    for table, content in ((tables.CALIBRATION, rows), (tables.RUNS, runs)):
        path = folder / "results" / "tables" / f"{table.name}.parquet"
        parquet.write_rows(table, path, content, campaign=name, digest="0" * 64)
    return folder


def _row(session: str, sensor: str, level: float | None, chart: float | None) -> dict[str, Any]:
    """Before and after lie 0.02 dB about the level, so that their mean level is the level."""
    checks = (None, None) if level is None else [CHART_V_PER_PA * 10 ** ((level + d) / 20) for d in (-0.01, 0.01)]
    return {
        "session": session,
        "position": f"at-{sensor}",
        "sensor": sensor,
        "source": "chart" if level is None else "mean",
        "before_v_per_pa": checks[0],
        "after_v_per_pa": checks[1],
        "chart_v_per_pa": chart,
        "standard_uncertainty_db": 0.1,
        "verdict": "good",
        "reasons": [],
        "serial": f"serial-{sensor}",
    }


def healthy(count: int, *, common_db: Sequence[float] | None = None) -> dict[str, list[float]]:
    """Levels of the healthy sensors over `count` sessions, with what is added to all of them in each."""
    added = common_db or [0.0] * count
    return {
        sensor: [RIPPLE_DB[(index + 3 * turn) % 8] + added[index] for index in range(count)]
        for turn, sensor in enumerate(HEALTHY)
    }


def two_campaigns(root: Path, by_sensor: Mapping[str, Sequence[float | None]]) -> list[Path]:
    """Sessions in turn in two campaigns: their names run against their dates."""
    count = len(next(iter(by_sensor.values())))
    names = [f"{'zyxwvuts'[index]}-session" for index in range(count)]
    by_session = {
        name: {sensor: values[index] for sensor, values in by_sensor.items()} for index, name in enumerate(names)
    }
    dates = {name: f"20{20 + index}-05-04T08:00:00" for index, name in enumerate(names)}
    half = count // 2
    return [
        campaign(root, campaign_name, {n: by_session[n] for n in part}, {n: dates[n] for n in part})
        for campaign_name, part in (("late", names[half:]), ("early", names[:half]))
    ]


def read(folders: Sequence[Path]) -> SensorHistory:
    return sensor_history(checks_in_time(read_campaigns(folders)[0]))


def kinds(history: SensorHistory) -> dict[str, list[tuple[str, list[str]]]]:
    return {
        series.sensor: [(finding.kind, [session.label for session in finding.sessions]) for finding in series.findings]
        for series in history.series
        if series.findings
    }


def test_planted_faults_are_named_and_healthy_sensors_are_not(tmp_path: Path) -> None:
    planted = {
        "dropped": [0.0, 0.02, -0.01, -0.8, -0.82, -0.79, -0.81, -0.8],
        "leaky": [0.0, 0.02, -0.01, 0.01, -0.9, 0.0, 0.02, 0.01],
        "ageing": [0.0, 0.02, -0.03, -0.11, -0.2, -0.29, -0.38, -0.47],
        "odd": [0.01, -0.01, 0.01, -0.01, 0.01, -0.01, 0.01, 0.4],
    }
    history = read(two_campaigns(tmp_path, {**healthy(8), **planted}))
    assert [session.label for session in history.sessions] == [
        *(f"early/{letter}-session" for letter in "zyxw"),
        *(f"late/{letter}-session" for letter in "vuts"),
    ]
    assert kinds(history) == {
        "dropped": [("step", ["early/w-session"])],
        "leaky": [("step", ["late/v-session"])],
        "ageing": [("trend", ["early/y-session", "early/x-session", "early/w-session",
                              *(f"late/{letter}-session" for letter in "vuts")])],
        "odd": [("step", ["late/s-session"])],
    }  # fmt: skip
    sentences = {series.sensor: series.findings[0].sentence for series in history.series if series.findings}
    assert "step of -0.76 dB from early/x-session to early/w-session" in sentences["dropped"]
    assert "dropped, damaged or exchanged sensor; compare its serial number and chart" in sentences["dropped"]
    assert "back within 0.5 dB of the value before at late/u-session: a leak or loose adapter" in sentences["leaky"]
    assert "7 values in a row falling" in sentences["ageing"]
    assert "humidity or ageing; check the sensor against its chart and have it recalibrated" in sentences["ageing"]
    assert "outside the limits" in sentences["odd"]
    assert not [shift for shift in history.shifts if shift.large]


def test_a_common_shift_is_reported_apart_and_taken_out(tmp_path: Path) -> None:
    """A calibrator that is 0.6 dB off moves every sensor: no sensor is blamed, the one that stepped besides is."""
    moved = [0.0, 0.0, 0.0, -0.6, -0.6, -0.6]
    values: dict[str, list[float]] = healthy(6, common_db=moved)
    values["dropped"] = [level - (0.7 if index > 3 else 0.0) for index, level in enumerate(moved)]
    history = read(two_campaigns(tmp_path, values))
    assert kinds(history) == {"dropped": [("step", ["late/v-session"])]}
    (large,) = [shift for shift in history.shifts if shift.large]
    assert (large.earlier.label, large.later.label, large.sensors) == ("early/x-session", "late/w-session", 6)
    assert large.shift_db == pytest.approx(-0.6, abs=0.05)
    assert large.sentence.startswith("session late/w-session against early/x-session: all 6 sensors moved by -0.6")
    assert large.sentence.endswith("suspect calibrator, adapter or air pressure, not the sensors")
    (first, *_) = [series for series in history.series if series.sensor == "s1"]
    for point in first.points:
        assert point.value_db is not None
        assert point.shift_removed_db == pytest.approx(point.value_db - point.accumulated_shift_db)
    assert np.ptp([point.shift_removed_db for point in first.points]) < 0.15
    assert np.ptp([point.value_db for point in first.points]) > 0.5
    assert "not the sensors" in history_text(history)


def test_small_common_shifts_that_add_up_are_reported(tmp_path: Path) -> None:
    history = read(two_campaigns(tmp_path, {name: [0.0, -0.1, -0.2, -0.3] for name in HEALTHY}))
    (large,) = [shift for shift in history.shifts if shift.large]
    assert large.later.label == "late/w-session"
    assert "together -0.30 dB since early/z-session" in large.sentence


def test_few_values_have_no_limits_but_a_large_change_is_a_step(tmp_path: Path) -> None:
    values = {"s1": [0.0, -0.1, -0.7], "s2": [0.0, 0.0, 0.0]}
    history = read(two_campaigns(tmp_path, values))
    assert all(not series.limits for series in history.series)
    assert kinds(history) == {"s1": [("step", ["late/x-session"])]}
    assert "calibrator, adapter and air pressure are not ruled out" in history.series[0].findings[0].sentence
    assert {point.common_shift_db for series in history.series for point in series.points} == {None}
    figure = history_figure(history.series[1], [])
    assert "individuals, n = 3: no limits yet" in words(figure)
    assert not paths(figure, "ln li")


def test_limits_are_drawn_from_five_values_on(tmp_path: Path) -> None:
    """Mean ± 2.66 and 3.267 x mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2, ISO 7870-2, from memory)."""
    history = read(two_campaigns(tmp_path, {"s1": [0.0, 0.1, 0.0, 0.1, 0.0], "s2": [0.0, 0.1, 0.0, 0.1, None]}))
    figure = history_figure(history.series[0], [])
    zero, tenth = (figure.readings[place].y for place in (0, 1))
    first_range = next(reading.y for reading in figure.readings if "moving range" in reading.words)
    lines = [path[0][1] for path in paths(figure, "ln li")]
    individuals = [(zero - y) / (zero - tenth) * 0.1 for y in lines[:3]]
    assert individuals == pytest.approx([0.04, 0.04 - 0.266, 0.04 + 0.266], abs=1e-3)
    bottom = max(y for y in (path[1][1] for path in paths(figure, "ax")))
    assert (bottom - lines[4]) / (bottom - first_range) == pytest.approx(3.267, abs=0.02)
    assert history.series[1].limits == {}


def test_a_session_with_a_chart_alone_is_no_value(tmp_path: Path) -> None:
    history = read(two_campaigns(tmp_path, {**healthy(4), "late": [None, 0.0, None, 0.1], "never": [None] * 4}))
    by_sensor = {series.sensor: series for series in history.series}
    assert [point.moving_range_db for point in by_sensor["late"].points] == [
        None, None, None, pytest.approx(0.1, abs=0.06)
    ]  # fmt: skip
    assert len(by_sensor["late"].checked) == 2
    text = history_text(history).splitlines()
    (line,) = [line for line in text if line.startswith("late ")]
    assert line.split()[1] == "2"
    assert line.endswith("early/z-session, late/x-session")


def test_without_a_chart_the_first_value_is_the_reference(tmp_path: Path) -> None:
    levels = {"a": {"s1": 0.3}, "b": {"s1": 0.4}}
    folder = campaign(tmp_path, "van", levels, {"a": "2024-01-01", "b": "2024-02-01"}, chart=None)
    (series,) = read([folder]).series
    assert series.against == "first value"
    assert [point.value_db for point in series.points] == pytest.approx([0.0, 0.1])
    assert "against the first value, dB" in words(history_figure(series, []))


def test_sessions_without_a_date_keep_the_order_given(tmp_path: Path) -> None:
    levels = {name: {"s1": 0.0} for name in ("a", "b", "c")}
    first = campaign(tmp_path, "first", levels, {"a": "2024-03-01", "b": None, "c": "2024-01-01"})
    second = campaign(tmp_path, "second", {"x": {"s1": 0.0}}, {"x": None})
    history = read([first, second])
    assert [session.label for session in history.sessions] == ["first/c", "first/a", "first/b", "second/x"]
    assert [note.split(" (")[0] for note in history.notes] == [
        "session first/b has no date",
        "session second/x has no date",
    ]


def test_another_serial_number_or_chart_is_said(tmp_path: Path) -> None:
    folders = two_campaigns(tmp_path, {"s1": [0.0, 0.0]})
    path = folders[0] / "results" / "tables" / "calibration.parquet"
    rows = [{**row, "serial": "other", "chart_v_per_pa": 0.0041} for row in parquet.read_rows(tables.CALIBRATION, path)]
    parquet.write_rows(tables.CALIBRATION, path, rows, campaign="late", digest="0" * 64)
    serial, chart = read(folders).notes
    assert "serial numbers serial-s1 (from early/z-session), other (from late/y-session)" in serial
    assert "another chart value from late/y-session on, +0.21 dB" in chart


def test_the_command_writes_figures_and_table_with_the_same_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    moved = [0.0, 0.0, 0.0, 0.3, 0.3, 0.3]
    folders = two_campaigns(tmp_path, {**healthy(6, common_db=moved), "dropped": [0.0, 0.0, -0.8, -0.5, -0.5, -0.5]})
    given = [str(folder) for folder in (*folders, folders[0])]
    assert main(["sensors", *given, "--to", str(tmp_path / "one")]) == 0
    shown = capsys.readouterr()
    assert "campaign late was given more than once: it is used once" in shown.err
    assert "dropped: step of -0.8" in shown.out
    assert main(["sensors", *given[::-1], "--to", str(tmp_path / "two")]) == 0
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == sorted(["history.csv", *(f"{n}.{kind}" for n in ("dropped", *HEALTHY) for kind in ("csv", "svg"))])
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name
    with (tmp_path / "one" / "history.csv").open(encoding="utf-8", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["sensor"] == "dropped"]
    assert [row["session"] for row in rows] == [f"{letter}-session" for letter in "zyxwvu"]
    assert [row["findings"] for row in rows] == ["", "", "step", "", "", ""]
    assert float(rows[2]["before_db"]) == pytest.approx(-0.81, abs=1e-4)
    assert float(rows[3]["accumulated_shift_db"]) == pytest.approx(0.3, abs=0.06)
    assert rows[0]["date"] == "2020-05-04T08:00:00"


def test_what_cannot_be_read_is_told_to_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, other = two_campaigns(tmp_path, {"s1": [0.0, 0.0]})
    bare = campaign(tmp_path, "bare", {"a": {"s1": 0.0}}, {"a": None})
    (bare / "results" / "tables" / "calibration.parquet").unlink()
    broken = campaign(tmp_path, "broken", {"a": {"s1": 0.0}}, {"a": None})
    (broken / "results" / "tables" / "runs.parquet").write_bytes(b"no table")
    twin = campaign(tmp_path / "elsewhere", "late", {"a": {"s1": 0.0}}, {"a": None})
    to = tmp_path / "out"
    for folders, told in (
        ([good, bare], f"no results in {bare / 'results'}: run `tapeline run {bare}` first"),
        ([good, broken], "runs.parquet was changed or damaged since it was written: run `tapeline run"),
        ([good, twin], "found a campaign named late, expected another name"),
        ([good, tmp_path / "nowhere"], "campaign.yaml: found no such file"),
    ):
        assert main(["sensors", *map(str, folders), "--to", str(to)]) == 2
        assert told in capsys.readouterr().err
    to.write_text("a file")
    assert main(["sensors", str(good), str(other), "--to", str(to)]) == 1
    assert "cannot be written" in capsys.readouterr().err
