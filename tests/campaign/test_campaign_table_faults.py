"""Each kind of fault inside one table: where it is, what is said, what is proposed."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, changed, faults_of, write

RUNS, POSITIONS = "config/runs.csv", "config/positions.csv"
FITTINGS, SENSORS, CALIBRATORS = "config/fittings.csv", "config/sensors.csv", "config/calibrators.csv"

SPEED_ROW = "m1,m1.wav,measurement,april,open,100,,"


def run_cell(column: str, cell: str) -> tuple[str, str]:
    """The run table with one more column, and that row's cell in the measurement m1 (line 4)."""
    header, *rows = MINIMAL[RUNS].splitlines()
    lines = [f"{header},{column}", *(f"{row},{cell}" if row.startswith("m1,") else f"{row}," for row in rows)]
    return RUNS, "\n".join(lines) + "\n"


def column_cell(file: str, column: str, cell: str) -> tuple[str, str]:
    """Another table with one more column, and that cell in its first row (line 2)."""
    header, first, *rest = MINIMAL[file].splitlines()
    return file, "\n".join([f"{header},{column}", f"{first},{cell}", *(f"{row}," for row in rest)]) + "\n"


def edited(file: str, old: str, new: str) -> tuple[str, str]:
    return file, changed(file, old, new)[file]


CELLS = [
    (edited(RUNS, "open,100", "open,fast"), 4, "speed_kmh", '"fast"', "a number of km/h", None),
    (edited(RUNS, "open,100", 'open,"99,5"'), 4, "speed_kmh", '"99,5"', "a number of km/h", "the decimal point: 99.5"),
    (edited(RUNS, "open,100", "open,nan"), 4, "speed_kmh", '"nan"', "a number of km/h", None),
    (edited(RUNS, "open,100", "open,1e999"), 4, "speed_kmh", "1e999", "a number from 0 to 1200 km/h", None),
    (edited(RUNS, "open,100", "open,-100"), 4, "speed_kmh", "-100", "a number from 0 to 1200 km/h", None),
    (edited(RUNS, "open,100", "open,\u2212100"), 4, "speed_kmh", '"\u2212100"', "km/h", "a plain minus: -100"),
    (run_cell("speed_mps", "30"), 4, "speed_mps", "30 m/s beside 100 km/h", "the set speed in one of", None),
    (run_cell("yaw_deg", "181"), 4, "yaw_deg", "181", "a number from -180 to 180 degrees", None),
    (
        run_cell("temperature_c", "293"),
        4,
        "temperature_c",
        "293",
        "from -200 to 150 degrees Celsius",
        "293 K are 19.85",
    ),
    (
        run_cell("static_pressure_hpa", "101325"),
        4,
        "static_pressure_hpa",
        "101325",
        "200 to 20000 hPa",
        "are 1013.25 hPa",
    ),
    (run_cell("static_pressure_hpa", "98.5"), 4, "static_pressure_hpa", "98.5", "hPa", "98.5 kPa are 985 hPa"),
    (run_cell("static_pressure_hpa", "29.9"), 4, "static_pressure_hpa", "29.9", "from 200 to 20000 hPa", None),
    (run_cell("positions", '"seam1, seam2"'), 4, "positions", '"seam1, seam2"', "spaces", 'write "seam1 seam2"'),
    (run_cell("humidity_pct", "101"), 4, "humidity_pct", "101", "from 0 to 100 %", None),
    (run_cell("measured_speed_mps", "-1"), 4, "measured_speed_mps", "-1", "from 0 to 340 m/s", None),
    (run_cell("dynamic_pressure_pa", "q"), 4, "dynamic_pressure_pa", '"q"', "a number of Pa", None),
    (run_cell("recorded_at", "3.5.2024"), 4, "recorded_at", '"3.5.2024"', "an ISO 8601 date and time", None),
    (run_cell("start_s", "-1"), 4, "start_s", "-1", "at least 0 s", None),
    (run_cell("stop_s", "0"), 4, "stop_s", "0", "a number above 0 s", None),
    (run_cell("gain_db", "20dB"), 4, "gain_db", '"20dB"', "a number of dB", None),
    (run_cell("use", "nope"), 4, "use", '"nope"', 'one of "yes", "no"', 'did you mean "no"?'),
    (run_cell("background", "none bg1"), 4, "background", '"none bg1"', 'names of background runs or "none"', None),
    (run_cell("background", "bg,1".replace(",", ";")), 4, "background", '"bg;1"', "a name of letters", '"bg-1"'),
    (run_cell("format", "a/b"), 4, "format", '"a/b"', "a name of letters", '"a-b"'),
    (edited(RUNS, "m1,m1.wav", "m 1,m1.wav"), 4, "run", '"m 1"', "a name of letters", 'for example "m-1"'),
    (edited(RUNS, "m1,m1.wav", "m\u00e91,m1.wav"), 4, "run", '"m\u00e91"', "a name of letters", 'for example "m-1"'),
    (edited(RUNS, "m1,m1.wav", ",m1.wav"), 4, "run", "an empty cell", "identifier of the run", None),
    (edited(RUNS, "m1.wav,", ","), 4, "recording", "an empty cell", "path below `recordings`", None),
    (edited(RUNS, "m1.wav", "a.wav | | b.wav"), 4, "recording", '"a.wav | | b.wav"', 'separated by " | "', None),
    (edited(RUNS, "m1.wav", "a.wav|b.wav"), 4, "recording", '"a.wav|b.wav"', 'separated by " | "', None),
    (edited(RUNS, "measurement", "mesurement"), 4, "kind", '"mesurement"', "one of", 'did you mean "measurement"?'),
    (edited(RUNS, "measurement", "Measurement"), 4, "kind", '"Measurement"', "one of", 'did you mean "measurement"?'),
    (edited(RUNS, "speaker,before", "speaker,befor"), 2, "stage", '"befor"', 'one of "before", "after"', '"before"?'),
    (edited(POSITIONS, "seam1,0.1", "seam1,left"), 2, "x_m", '"left"', "a number of m", None),
    (column_cell(POSITIONS, "flow", "attach"), 2, "flow", '"attach"', "one of", 'did you mean "attached"?'),
    (column_cell(POSITIONS, "line_order", "1.5"), 2, "line_order", "1.5", "a whole number from 0", None),
    (edited(FITTINGS, "april,1", "april,0"), 2, "channel", "0", "a whole number from 1", None),
    (edited(FITTINGS, "april,1", "april,one"), 2, "channel", '"one"', "a whole number from 1", None),
    (column_cell(FITTINGS, "full_scale_v", "0"), 2, "full_scale_v", "0", "above 0 up to 1000 V", None),
    (column_cell(FITTINGS, "polarity", "minus"), 2, "polarity", '"minus"', 'one of "+", "-"', None),
    (column_cell(FITTINGS, "unit", "pa"), 2, "unit", '"pa"', 'one of "V", "Pa"', 'did you mean "Pa"?'),
    (edited(SENSORS, "s1,10", "s1,0"), 2, "sensitivity_mv_per_pa", "0", "a number above 0 up to 100000 mV/Pa", None),
    (column_cell(SENSORS, "calibrated_on", "2024-13-01"), 2, "calibrated_on", '"2024-13-01"', "ISO 8601 date", None),
    (column_cell(SENSORS, "diameter_mm", "-3"), 2, "diameter_mm", "-3", "above 0 up to 100 mm", None),
    (column_cell(SENSORS, "response_kind", "freefield"), 2, "response_kind", "freefield", "one of", '"free-field"?'),
    (edited(CALIBRATORS, "feedback", "feed"), 2, "kind", '"feed"', "one of", 'did you mean "feedback"?'),
    (edited(CALIBRATORS, "94,", ","), 2, "level_db", "an empty cell", "level re 20 uPa", None),
    (edited(CALIBRATORS, "94", "1"), 2, "level_db", "1", "a number from 40 to 180 dB", None),
    (column_cell(CALIBRATORS, "level_uncertainty_db", "-1"), 2, "level_uncertainty_db", "-1", "from 0 to 20 dB", None),
    (("config/cavities.csv", "cavity,length_m\nslot,0\n"), 2, "length_m", "0", "a number above 0 m", None),
]

STRUCTURE = [
    (edited(RUNS, "session,condition", "session,condtion"), 1, "condtion", '"condtion"', "one of", '"condition"?'),
    (edited(RUNS, "session,condition", "session,session"), 1, "session", '"session" twice', "each column once", None),
    (edited(CALIBRATORS, "level_db,", "level,"), 1, "level", "unknown column", "one of", 'did you mean "level_db"?'),
    (edited(CALIBRATORS, "level_db,", "level,"), 1, "level_db", 'no column "level_db"', "header row", None),
    (
        edited(RUNS, SPEED_ROW, SPEED_ROW + ",,left over"),
        4,
        None,
        '"left over" beyond',
        "the 8 columns",
        "double quotes",
    ),
    (edited(RUNS, SPEED_ROW, SPEED_ROW.replace("m1.wav", '"m1.wav')), 4, None, "never closed", "commas", '""'),
    (edited(RUNS, SPEED_ROW, SPEED_ROW.replace("m1.wav", '"m1".wav')), 4, None, "after a closing", "commas", '""'),
    ((POSITIONS, "position,\nseam1,0.1\nseam2,0.2\n"), 1, None, "no name over column 2", "a name for each", None),
    ((POSITIONS, "position;x_m\nseam1;0,1\n"), 1, None, "semicolons between columns", "commas", "with commas between"),
    ((POSITIONS, "position\tx_m\nseam1\t0.1\n"), 1, None, "tabs between columns", "commas", "with commas between"),
    ((POSITIONS, ""), None, None, "an empty file", "a header row: position, x_m", None),
    ((POSITIONS, "\n# only a remark\n,,\n"), None, None, "an empty file", "a header row", None),
    ((POSITIONS, b"position,x_m\nseam1,1\nse\xe4m2,1\n"), 3, None, "the byte 0xE4", "text in UTF-8", '"UTF-8"'),
    ((POSITIONS, "position,x_m\nseam1,\0\n"), 2, 7, "a NUL character", "a table of text", "CSV"),
    ((POSITIONS, "position\n".encode("utf-16")), 1, None, "text in UTF-16", "text in UTF-8", '"UTF-8"'),
    ((RUNS, "run,recording,kind,session\n"), None, None, "no rows", "at least one run", None),
    (
        (POSITIONS, "x" * 200_000 + "\n"),
        1,
        None,
        "a cell too long to read",
        "at most 131,072 characters",
        "a double quote",
    ),
]


def check(
    tmp_path: Path, change: tuple[str, str | bytes], place: tuple[int | None, str | None], words: list[str]
) -> None:
    file, text = change
    write(tmp_path, {**MINIMAL, file: text})
    at_place = [fault for fault in faults_of(tmp_path) if (fault.file, fault.line, fault.column) == (file, *place)]
    assert len(at_place) == 1
    fault = at_place[0]
    found, expected, mend = words
    assert found in fault.found
    assert expected in fault.expected
    assert mend in (fault.mend or "")
    assert mend or fault.mend is None


@pytest.mark.parametrize(
    ("change", "line", "column", "found", "expected", "mend"), CELLS, ids=lambda value: str(value)[:30]
)
def test_fault_in_a_cell_is_the_only_one(
    tmp_path: Path, change: tuple[str, str], line: int, column: str, found: str, expected: str, mend: str | None
) -> None:
    check(tmp_path, change, (line, column), [found, expected, mend or ""])
    assert len(faults_of(tmp_path)) == 1


@pytest.mark.parametrize(
    ("change", "line", "column", "found", "expected", "mend"), STRUCTURE, ids=lambda value: str(value)[:30]
)
def test_fault_in_the_structure_of_a_table(
    tmp_path: Path,
    change: tuple[str, str | bytes],
    line: int | None,
    column: str | None,
    found: str,
    expected: str,
    mend: str | None,
) -> None:
    check(tmp_path, change, (line, column), [found, expected, mend or ""])


@pytest.mark.parametrize("file", [RUNS, POSITIONS, FITTINGS, SENSORS, CALIBRATORS])
def test_missing_table_is_one_fault(minimal: Path, file: str) -> None:
    (minimal / file).unlink()
    (fault,) = faults_of(minimal)
    assert (fault.file, fault.line, fault.found) == (file, None, "no such file")


@pytest.mark.parametrize("file", [RUNS, POSITIONS, FITTINGS, SENSORS, CALIBRATORS])
def test_folder_in_place_of_a_table_is_one_fault(minimal: Path, file: str) -> None:
    (minimal / file).unlink()
    (minimal / file).mkdir()
    (fault,) = faults_of(minimal)
    assert (fault.file, fault.line, fault.column) == (file, None, None)
    assert "cannot be read" in fault.found


def test_cavities_table_is_missed_only_where_it_is_named(tmp_path: Path) -> None:
    settings = MINIMAL["config/campaign.yaml"] + "tables: {cavities: config/holes.csv}\n"
    write(tmp_path, {**MINIMAL, "config/campaign.yaml": settings})
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == ("config/campaign.yaml", 5, 20)
    assert fault.found == 'no file "config/holes.csv"'


def test_quoted_line_breaks_and_comments_keep_line_numbers_right(tmp_path: Path) -> None:
    text = (
        '# a comment with one " in it\n\nposition,remark,x_m\nseam1,"two\nlines",left\n  # another, "comment\n'
        "seam2,,right\n,,\n"
    )
    write(tmp_path, {**MINIMAL, POSITIONS: text})
    assert [(fault.line, fault.found) for fault in faults_of(tmp_path)] == [(5, '"left"'), (7, '"right"')]


def test_every_fault_of_every_row_is_reported(tmp_path: Path) -> None:
    runs = (
        MINIMAL[RUNS]
        .replace("open,100", "open,fast")
        .replace("sealed,100", "sealed,slow")
        .replace("speaker,", "speeker,")
    )
    write(tmp_path, {**MINIMAL, RUNS: runs, POSITIONS: "position,x_m\nseam1,a\nseam2,b\n"})
    assert [(fault.file, fault.line) for fault in faults_of(tmp_path)] == [
        (POSITIONS, 2),
        (POSITIONS, 3),
        (RUNS, 2),
        (RUNS, 4),
        (RUNS, 5),
    ]
