"""Numbers that can be computed with and are hardly meant: warned of with place and reason, never refused or changed."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, write

from tapeline.campaign.faults import Fault
from tapeline.campaign.load import load_campaign

SETTINGS = "config/campaign.yaml"
LINE = 4
"""The row that gets an odd value, the third one, of every table."""
ROWS = {
    "runs": MINIMAL["config/runs.csv"],
    "positions": "position,x_m\na,0.1\nb,0.2\nc,0.3\nd,0.4\n",
    "fittings": "session,channel,position,sensor,full_scale_v\n"
    + "".join(f"april,{n},{name},s{n},10\n" for n, name in enumerate("abcd", start=1)),
    "sensors": "sensor,sensitivity_mv_per_pa\ns1,10\ns2,11\ns3,12\ns4,9\n",
    "calibrators": "calibrator,kind,level_db,frequency_hz\n"
    + "".join(f"{name},feedback,94,1000\n" for name in ("speaker", "b", "c")),
    "cavities": "cavity,length_m\na,0.1\nb,0.1\nc,0.1\n",
    "left_out": "run,start_s,stop_s,reason\nbg1,1,2,a gust\nm2,1,2,a gust\nm1,1,2,a gust\n",
}
SOUND: Files = {**MINIMAL, **{f"config/{name}.csv": text for name, text in ROWS.items()}}


def with_cells(table: str, **cells: str) -> Files:
    """The sound campaign with some cells of one row."""
    rows = list(csv.DictReader(io.StringIO(ROWS[table])))
    rows[LINE - 2] |= cells
    stream = io.StringIO()
    writer = csv.DictWriter(stream, {name: None for row in rows for name in row}, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return {**SOUND, f"config/{table}.csv": stream.getvalue()}


def with_settings(text: str) -> Files:
    return {**SOUND, SETTINGS: f"{SOUND[SETTINGS]}{text}\n"}


def warnings_of(root: Path, files: Files) -> list[Fault]:
    """What is warned of, less recordings and background runs that are not there."""
    write(root, dict(files))
    warnings = load_campaign(root).warnings
    return [fault for fault in warnings if fault.column not in ("recording", "background")]


def test_a_sound_campaign_is_not_warned_of(tmp_path: Path) -> None:
    assert warnings_of(tmp_path, SOUND) == []


CELLS = [
    ("runs", "speed_kmh", "0.001", "0.001 km/h", "0.2 to 1200 km/h, the usual range", "with the wind off write 0"),
    ("runs", "measured_speed_mps", "0.01", "0.01 m/s", "0.05 to 340 m/s", "with the wind off write 0"),
    ("runs", "humidity_pct", "0.56", "0.56 %", "1 to 100 %", "0.56 as a share are 56 %"),
    ("runs", "temperature_c", "68", "68 degC", "-50 to 60 degC", "68 degrees Fahrenheit are 20 degC"),
    ("runs", "static_pressure_hpa", "1800", "1800 hPa", "500 to 1100 hPa", "pressurised"),
    (
        "runs",
        "dynamic_pressure_pa",
        "2e5",
        "200000 Pa",
        "0.001 to 150000 Pa",
        "leave the cell empty in any other fluid",
    ),
    ("runs", "gain_db", "150", "150 dB", "-100 to 100 dB", "check the number"),
    ("runs", "start_s", "1714732200", "1.71473e+09 s", "0 to 100000 s", "a time of day"),
    ("runs", "recorded_at", "0204-05-03 10:00", '"0204-05-03T10:00:00"', "a year from 1950 to 2100", "check the year"),
    ("positions", "x_m", "300", "1e+03 times as far as the median position", "about 0.3 m", "300 mm are 0.3 m"),
    ("positions", "y_m", "1200", "1200 m", "-500 to 500 m", "1200 mm are 1.2 m"),
    ("fittings", "full_scale_v", "10000e-6", "0.01 V, 1/1e+03 of the median", "10 V", "check the unit"),
    ("fittings", "lowpass_hz", "5", "5 Hz", "10 to 2e+06 Hz", "5 kHz are 5000 Hz"),
    ("sensors", "sensitivity_mv_per_pa", "0.012", "1/792 of the median", "9.5 mV/Pa", "whether V/Pa was written"),
    ("sensors", "sensitivity_mv_per_pa", "12000", "12000 mV/Pa", "0.0001 to 5000 mV/Pa", "12000 uV/Pa are 12 mV/Pa"),
    ("sensors", "diameter_mm", "0.007", "0.007 mm", "0.05 to 60 mm", "0.007 m are 7 mm"),
    ("sensors", "sensitivity_uncertainty_db", "5", "5 dB", "0 to 3 dB", "not in per cent"),
    ("sensors", "calibrated_on", "1904-01-01", '"1904-01-01"', "a year from 1950", "check the year"),
    ("calibrators", "frequency_hz", "1", "1 Hz", "5 to 20000 Hz", "1 kHz are 1000 Hz"),
    ("cavities", "length_m", "150", "150 m", "0.0001 to 100 m", "150 mm are 0.15 m"),
    ("left_out", "stop_s", "123456", "123456 s", "0 to 100000 s", "123456 ms are 123.456 s"),
]


@pytest.mark.parametrize(("table", "column", "cell", "found", "expected", "mend"), CELLS)
def test_an_odd_cell_is_warned_of(
    table: str, column: str, cell: str, found: str, expected: str, mend: str, tmp_path: Path
) -> None:
    place = (f"config/{table}.csv", LINE, column)
    told = [
        fault
        for fault in warnings_of(tmp_path, with_cells(table, **{column: cell}))
        if (fault.file, fault.line, fault.column) == place and found in fault.found and expected in fault.expected
    ]
    assert len(told) == 1
    assert mend in (told[0].mend or "")


def test_an_odd_column_is_one_warning_that_counts_its_cells(tmp_path: Path) -> None:
    runs = "run,recording,kind,session,condition,speed_kmh,humidity_pct\n"
    runs += "".join(f"m{n},m{n}.wav,measurement,april,open,100,0.5{n}\n" for n in range(4))
    files = {**SOUND, "config/runs.csv": runs, "config/left_out.csv": "run,start_s,stop_s,reason\n"}
    (told,) = (fault for fault in warnings_of(tmp_path, files) if fault.column == "humidity_pct")
    assert (told.line, told.found) == (2, "0.5 % and 3 more unusual")


@pytest.mark.parametrize(
    ("cells", "column", "found"),
    [
        ({"start_s": "1", "stop_s": "1.01"}, "stop_s", "a part 0.01 s long"),
        ({"recorded_at": "2025-05-03 10:00"}, "recorded_at", '"2025-05-03T10:00:00"'),
    ],
)
def test_an_odd_run_beside_the_others_is_warned_of(
    cells: dict[str, str], column: str, found: str, tmp_path: Path
) -> None:
    files = with_cells("runs", recorded_at="2024-05-03 10:00", **{k: v for k, v in cells.items() if k != "recorded_at"})
    lines = files["config/runs.csv"].splitlines()
    place = lines[0].split(",").index("recorded_at")
    for at, line in enumerate(lines[1:], start=1):
        row = line.split(",")
        row[place] = cells.get("recorded_at", "2024-05-03 10:00") if at == LINE - 1 else "2024-05-03 10:00"
        lines[at] = ",".join(row)
    (told,) = warnings_of(tmp_path, {**files, "config/runs.csv": "\n".join(lines) + "\n"})
    assert (told.line, told.column) == (LINE, column)
    assert found in told.found


def test_filters_that_leave_nothing_between_them_are_warned_of(tmp_path: Path) -> None:
    (told,) = warnings_of(tmp_path, with_cells("fittings", highpass_hz="1000", lowpass_hz="20"))
    assert (told.line, told.column) == (LINE, "highpass_hz")
    assert "swapped" in (told.mend or "")


ODD_SETTINGS = [
    ("spectra: {resolution_hz: 0.01}", 26, "resolution_hz: 0.01 Hz", "0.05 to 200 Hz", "a block lasts 1/spacing"),
    ("scaling: {length_m: 200}", 21, "length_m: 200 m", "1e-05 to 100 m", "200 mm are 0.2 m"),
    ("scaling: {lengths: {a: 200}}", 24, "a: 200 m", "1e-05 to 100 m", "200 mm are 0.2 m"),
    ("spectra: {range_hz: [20, 600000]}", 26, "range_hz: 600000 Hz", "0.1 to 500000 Hz", "check the number"),
    ("reference_pressure_pa: 20", 24, "reference_pressure_pa: 20 Pa", "1e-06 to 1 Pa", "20 uPa are 2e-05 Pa"),
    ("mains_hz: 5", 11, "mains_hz: 5 Hz", "15 to 800 Hz", "check the number"),
    ("operating_point: {nominal_speeds: [0.01]}", 36, "nominal_speeds: 0.01", "0.05 to 1224", "entered_speed_unit"),
]


@pytest.mark.parametrize(("text", "column", "found", "expected", "mend"), ODD_SETTINGS)
def test_an_odd_setting_is_warned_of(
    text: str, column: int, found: str, expected: str, mend: str, tmp_path: Path
) -> None:
    told = [fault for fault in warnings_of(tmp_path, with_settings(text)) if "usual" in fault.expected]
    assert [(fault.file, fault.line, fault.column, fault.found) for fault in told] == [(SETTINGS, 5, column, found)]
    assert expected in told[0].expected
    assert mend in (told[0].mend or "")


SOUND_BUT_RARE = {
    "water tunnel": (
        "speed_mps,measured_speed_mps,temperature_c,static_pressure_hpa\n0.3,0.302,12,1600\n",
        "reference_pressure_pa: 1.0e-6",
        {"static_pressure_hpa"},
    ),
    "low water channel": ("speed_mps,temperature_c\n0.06,4\n", "scaling: {length_m: 0.0005}", set()),
    "cryogenic tunnel": (
        "speed_mps,temperature_c,static_pressure_hpa,humidity_pct\n90,-165,4500,0\n",
        "",
        {"temperature_c", "static_pressure_hpa"},
    ),
    "model of some centimetres": (
        "speed_mps,dynamic_pressure_pa\n2,2.4\n",
        "scaling: {lengths: {a: 0.0001}}\nspectra: {range_hz: [50, 80000]}",
        set(),
    ),
    "high-speed tunnel": ("speed_mps,dynamic_pressure_pa\n330,65000\n", "", set()),
    "desert": ("speed_mps,temperature_c,humidity_pct\n30,49,3\n", "", set()),
    "mountain pass": ("speed_mps,static_pressure_hpa,temperature_c\n30,540,-20\n", "", set()),
    "low line spacing": ("speed_mps\n30\n", "spectra: {resolution_hz: 0.1}", set()),
}


@pytest.mark.parametrize("name", SOUND_BUT_RARE)
def test_a_rare_campaign_is_loaded_as_written_and_warned_of_its_facility_alone(name: str, tmp_path: Path) -> None:
    table, settings, warned = SOUND_BUT_RARE[name]
    (cells,) = csv.DictReader(io.StringIO(table))
    runs = f"run,recording,kind,session,condition,calibrator,stage,{','.join(cells)}\n"
    runs += "cal,cal.wav,calibration,april,,speaker,before\n"
    runs += "".join(
        f"{name},{name}.wav,measurement,april,{condition},,,{','.join(cells.values())}\n"
        for name, condition in (("m1", "open"), ("m2", "sealed"), ("bg1", "open"))
    )
    files = {**with_settings(settings), "config/runs.csv": runs}
    told = warnings_of(tmp_path, files)
    assert {fault.column for fault in told} == warned
    run = load_campaign(tmp_path).runs["m1"]
    assert {column: getattr(run, column) for column in cells} == {c: float(v) for c, v in cells.items()}


def test_sensors_of_another_size_are_no_neighbours(tmp_path: Path) -> None:
    rows = "".join(f"s{n},{'50,12.7' if n > 2 else '0.02,1'}\n" for n in range(1, 7))
    sensors = f"sensor,sensitivity_mv_per_pa,diameter_mm\n{rows}"
    assert warnings_of(tmp_path, {**SOUND, "config/sensors.csv": sensors}) == []


def test_positions_along_a_train_and_near_its_nose_are_neighbours(tmp_path: Path) -> None:
    positions = "position,x_m\na,0.5\nb,3\nc,60\nd,200\n"
    assert warnings_of(tmp_path, {**SOUND, "config/positions.csv": positions}) == []
