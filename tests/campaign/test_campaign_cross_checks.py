"""Each kind of fault between tables: where it is, what is said, what is proposed."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, changed, faults_of, write

from tapeline.campaign.load import load_campaign

SETTINGS, RUNS, POSITIONS = "config/campaign.yaml", "config/runs.csv", "config/positions.csv"
FITTINGS, SENSORS, CALIBRATORS = "config/fittings.csv", "config/sensors.csv", "config/calibrators.csv"
RAW = "raw_formats:\n  logger: {sample_type: int16, channels: 2, sample_rate_hz: 25600}\n"
MEASUREMENT = "m1,m1.wav,measurement,april,open,100,,"


def more_runs(*rows: str, column: str = "remark") -> Files:
    """The small campaign with one more column in the run table and more rows (the first in line 6)."""
    header, *old = MINIMAL[RUNS].splitlines()
    return {**MINIMAL, RUNS: "\n".join([f"{header},{column}", *(f"{row}," for row in old), *rows]) + "\n"}


def run_with(column: str, cell: str) -> Files:
    """The small campaign with one more measurement, m3 in line 6, and that cell in one more column."""
    return more_runs(f"m3,m3.wav,measurement,april,open,100,,,{cell}", column=column)


def table(file: str, text: str, **others: str) -> Files:
    return {**MINIMAL, file: text, **others}


def windows(first: tuple[str, str], second: tuple[str, str]) -> Files:
    """Two runs of one recording, each with its own start_s and stop_s."""
    header, *old = MINIMAL[RUNS].splitlines()
    rows = [f"{row},," for row in old]
    for name, (start, stop) in (("w1", first), ("w2", second)):
        rows.append(f"{name},long.wav,measurement,april,open,100,,,{start},{stop}")
    return {**MINIMAL, RUNS: "\n".join([f"{header},start_s,stop_s", *rows]) + "\n"}


UNKNOWN_NAMES = [
    (changed(RUNS, MEASUREMENT, MEASUREMENT.replace("april", "apirl")), RUNS, 4, "session", '"apirl"', "april"),
    (changed(RUNS, MEASUREMENT, MEASUREMENT.replace("april", "April")), RUNS, 4, "session", '"April"', "april"),
    (changed(RUNS, "sealed", "seald"), RUNS, 5, "condition", '"seald"', "sealed"),
    (changed(RUNS, "speaker,before", "speeker,before"), RUNS, 2, "calibrator", '"speeker"', "speaker"),
    (run_with("background", "bg2"), RUNS, 6, "background", '"bg2"', "bg1"),
    (run_with("replaces", "m11"), RUNS, 6, "replaces", '"m11"', "m1"),
    ({**run_with("format", "loger"), SETTINGS: MINIMAL[SETTINGS] + RAW}, RUNS, 6, "format", '"loger"', "logger"),
    (run_with("format", "quartz"), RUNS, 6, "format", '"quartz"', None),
    (
        more_runs("c2,c2.wav,calibration,april,,,speaker,after,seam3", column="positions"),
        RUNS,
        6,
        "positions",
        "3",
        "seam2",
    ),
    (changed(FITTINGS, "2,seam2", "2,seem2"), FITTINGS, 3, "position", '"seem2"', "seam2"),
    (changed(FITTINGS, "seam2,s2", "seam2,S2"), FITTINGS, 3, "sensor", '"S2"', "s2"),
    (table(POSITIONS, "position,mirror\nseam1,seam2\nseam2,sean1\n"), POSITIONS, 3, "mirror", '"sean1"', "seam1"),
    (
        table(POSITIONS, "position,cavity\nseam1,slot\nseam2,slt\n", **{"config/cavities.csv": "cavity\nslot\n"}),
        POSITIONS,
        3,
        "cavity",
        '"slt"',
        "slot",
    ),
    (table(POSITIONS, "position,cavity\nseam1,slot\nseam2,\n"), POSITIONS, 2, "cavity", '"slot"', None),
]

OTHERS = [
    (changed(RUNS, "m2,m2.wav", "m1,m2.wav"), RUNS, 5, "run", '"m1" again', "each run once (it is in line 4 already)"),
    (changed(RUNS, "m2,m2.wav", "M1,m2.wav"), RUNS, 5, "run", '"M1"', 'more than case from "m1" in line 4'),
    (changed(RUNS, "m2,m2.wav", "none,m2.wav"), RUNS, 5, "run", '"none"', "another name"),
    (
        table(POSITIONS, "position\nseam1\nseam2\nseam1\n"),
        POSITIONS,
        4,
        "position",
        "again",
        "(it is in line 2 already)",
    ),
    (table(POSITIONS, "position\nseam1\nseam2\nSeam1\n"), POSITIONS, 4, "position", '"Seam1"', '"seam1" in line 2'),
    (table(SENSORS, "sensor\ns1\ns2\ns2\n"), SENSORS, 4, "sensor", '"s2" again', "(it is in line 3 already)"),
    (table(SENSORS, "sensor\ns1\ns2\nS2\n"), SENSORS, 4, "sensor", '"S2"', '"s2" in line 3'),
    (
        changed(CALIBRATORS, "1000\n", "1000\nspeaker,feedback,94,1000\n"),
        CALIBRATORS,
        3,
        "calibrator",
        '"speaker" again',
        "(it is in line 2 already)",
    ),
    (
        table(POSITIONS, MINIMAL[POSITIONS], **{"config/cavities.csv": "cavity\nslot\nslot\n"}),
        "config/cavities.csv",
        3,
        "cavity",
        '"slot" again',
        "(it is in line 2 already)",
    ),
    (changed(FITTINGS, "april,2", "april,1"), FITTINGS, 3, "channel", "channel 1 again", '"april" (it is in line 2'),
    (changed(FITTINGS, "2,seam2", "2,seam1"), FITTINGS, 3, "position", '"seam1" again', '"april" (it is in line 2'),
    (changed(FITTINGS, "s2\n", "s2\nApril,1,seam1,s1\n"), FITTINGS, 4, "session", '"April"', '"april" in line 2'),
    (
        table(FITTINGS, "session,channel,position,sensor,mount\napril,1,seam1,s1,pad\napril,2,seam2,s2,Pad\n"),
        FITTINGS,
        3,
        "mount",
        '"Pad"',
        '"pad" in line 2',
    ),
    (changed(FITTINGS, "seam2,s2", "seam2,"), FITTINGS, 3, "sensor", "an empty cell", "the sensor, since"),
    (changed(RUNS, "open,100", "open,"), RUNS, 4, "speed_kmh", "an empty cell", "the set speed of the measurement"),
    (
        {**MINIMAL, RUNS: MINIMAL[RUNS].replace("speed_kmh", "speed_mps").replace("open,100", "open,")},
        RUNS,
        4,
        "speed_mps",
        "an empty cell",
        "the set speed of the measurement",
    ),
    (changed(RUNS, "april,open", "april,"), RUNS, 4, "condition", "an empty cell", "the condition of the measurement"),
    (changed(RUNS, "speaker,before", ",before"), RUNS, 2, "calibrator", "an empty cell", "the calibrator used"),
    (changed(RUNS, "speaker,before", "speaker,"), RUNS, 2, "stage", "an empty cell", '"before" or "after"'),
    (
        run_with("background", "m1"),
        RUNS,
        6,
        "background",
        '"m1", a measurement (line 4)',
        "background runs that are used",
    ),
    (
        {
            **MINIMAL,
            RUNS: (
                "run,recording,kind,session,condition,speed_kmh,use,background\n"
                "bg1,bg1.wav,background,april,,100,no,\n"
                "m1,m1.wav,measurement,april,open,100,,bg1\n"
                "m2,m2.wav,measurement,april,sealed,100,,\n"
            ),
        },
        RUNS,
        3,
        "background",
        '"bg1", which is left out by use = no (line 2)',
        "background runs that are used",
    ),
    (run_with("replaces", "m3"), RUNS, 6, "replaces", "the run itself", "an older run"),
    (
        more_runs(
            "x1,x1.wav,measurement,april,open,100,,,x3",
            "x2,x2.wav,measurement,april,open,100,,,x1",
            "x3,x3.wav,measurement,april,open,100,,,x2",
            "x4,x4.wav,measurement,april,open,100,,,x3",
            column="replaces",
        ),
        RUNS,
        6,
        "replaces",
        "x1 -> x3 -> x2 -> x1",
        "an older run",
    ),
    (
        table(POSITIONS, "position,line,line_order\nseam1,roof,1\nseam2,Roof,2\n"),
        POSITIONS,
        3,
        "line",
        '"Roof"',
        'more than case from "roof" in line 2',
    ),
    (
        changed(SETTINGS, "{applied: []}", "{applied: [Tape]}"),
        SETTINGS,
        4,
        22,
        '"tape"',
        'more than case from the treatment "Tape"',
    ),
    (
        more_runs(
            "t1,t1.wav,measurement,april,open,100,,,2024-05-03T10:00:00",
            "t2,t2.wav,measurement,april,open,100,,,2024-05-03T10:05:00+02:00",
            column="recorded_at",
        ),
        RUNS,
        7,
        "recorded_at",
        '"2024-05-03T10:05:00+02:00", with an offset from UTC',
        'the offset in every row or in none (line 6: "2024-05-03T10:00:00")',
    ),
    (windows(("5", "5"), ("6", "")), RUNS, 6, "stop_s", "5 s", "a time after start_s, 5 s"),
    (windows(("0", "10"), ("9", "20")), RUNS, 7, "recording", 'which run "w1" in line 6 uses', "do not overlap"),
    (windows(("9", "20"), ("0", "10")), RUNS, 7, "recording", 'which run "w1" in line 6 uses', "do not overlap"),
    (windows(("", ""), ("9", "20")), RUNS, 7, "recording", 'which run "w1" in line 6 uses', "do not overlap"),
    (changed(RUNS, "m2.wav", "m1.wav"), RUNS, 5, "recording", '"m1.wav", which run "m1" in line 4 uses', "of its own"),
    (changed(RUNS, "m2.wav", "a/../m1.wav"), RUNS, 5, "recording", '"m1.wav", which run "m1"', "of its own"),
    (changed(RUNS, "m2.wav", "m1.wav | m2.wav"), RUNS, 5, "recording", '"m1.wav", which run "m1"', "of its own"),
    (
        changed(RUNS, "m2.wav", "m2.wav | m2.wav"),
        RUNS,
        5,
        "recording",
        '"m2.wav" twice',
        "each part of the recording once",
    ),
    (changed(RUNS, "m2.wav", "/data/m2.wav"), RUNS, 5, "recording", "the absolute path", "below the recordings folder"),
    (changed(RUNS, "m2.wav", "C:/m2.wav"), RUNS, 5, "recording", "the absolute path", "below the recordings folder"),
    (changed(RUNS, "m2.wav", "../m2.wav"), RUNS, 5, "recording", "which leaves", "below the recordings folder"),
    (changed(RUNS, "m2.wav", "a/../../m2.wav"), RUNS, 5, "recording", "which leaves", "below the recordings folder"),
    (changed(RUNS, "m2.wav", "a\\m2.wav"), RUNS, 5, "recording", '"a\\m2.wav"', 'folders separated by "/"'),
    (
        more_runs("c2,c2.wav,calibration,may,,,speaker,after,seam2", column="positions")
        | {FITTINGS: MINIMAL[FITTINGS] + "may,1,seam1,s1\n"},
        RUNS,
        6,
        "positions",
        '"seam2"',
        'positions fitted in session "may"',
    ),
    (
        more_runs("c2,c2.wav,calibration,april,,,speaker,after,seam2 seam1 seam2", column="positions"),
        RUNS,
        6,
        "positions",
        '"seam2" more than once',
        "each position once",
    ),
    (
        table(POSITIONS, "position,mirror\nseam1,seam1\nseam2,\n"),
        POSITIONS,
        2,
        "mirror",
        "the position itself",
        "partner",
    ),
    (table(POSITIONS, "position,line\nseam1,roof\nseam2,\n"), POSITIONS, 2, "line_order", "an empty cell", '"roof"'),
    (
        table(POSITIONS, "position,line,line_order\nseam1,roof,1\nseam2,roof,1\n"),
        POSITIONS,
        3,
        "line_order",
        "1 again",
        "(it is in line 2 already)",
    ),
    (
        table(SENSORS, "sensor,chart\ns1,charts/s1.csv\ns2,\n"),
        SENSORS,
        2,
        "chart",
        'no file "charts/s1.csv"',
        "a file, by its path from the campaign folder",
    ),
    (
        table(SENSORS, "sensor,data_sheet\ns1,sheets/s1.bin\ns2,\n"),
        SENSORS,
        2,
        "data_sheet",
        'no file "sheets/s1.bin"',
        "a file, by its path from the campaign folder",
    ),
    (
        run_with("format", "logger") | {SETTINGS: MINIMAL[SETTINGS] + RAW.replace("channels: 2", "channels: 1")},
        FITTINGS,
        3,
        "channel",
        "channel 2",
        'from 1 to 1: run "m3" is recorded in the raw format "logger"',
    ),
]


@pytest.mark.parametrize(
    ("files", "file", "line", "column", "found", "near"), UNKNOWN_NAMES, ids=[f"{c[3]}-{c[4]}" for c in UNKNOWN_NAMES]
)
def test_unknown_name(
    tmp_path: Path, files: Files, file: str, line: int, column: str, found: str, near: str | None
) -> None:
    write(tmp_path, dict(files))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == (file, line, column)
    assert found in fault.found
    assert fault.mend == (None if near is None else f'did you mean "{near}"?')


@pytest.mark.parametrize(
    ("files", "file", "line", "column", "found", "expected"), OTHERS, ids=[f"{c[3]}-{c[4]}" for c in OTHERS]
)
def test_tables_that_contradict_each_other(
    tmp_path: Path, files: Files, file: str, line: int, column: str, found: str, expected: str
) -> None:
    write(tmp_path, dict(files))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == (file, line, column)
    assert found in fault.found
    assert expected in fault.expected


def test_allowed_sharing_of_a_recording(tmp_path: Path) -> None:
    write(tmp_path, dict(windows(("0", "10"), ("10", ""))))
    assert faults_of(tmp_path) == ()
    files = more_runs("m3,m1.wav,measurement,april,open,100,,,no", column="use")
    write(tmp_path, dict(files))
    assert faults_of(tmp_path) == ()


def test_a_background_run_may_be_named_by_its_first_take(tmp_path: Path) -> None:
    runs = (
        "run,recording,kind,session,condition,speed_kmh,use,background,replaces\n"
        "bg1,bg1.wav,background,april,,100,no,,\n"
        "bg2,bg2.wav,background,april,,100,,,bg1\n"
        "m1,m1.wav,measurement,april,open,100,,bg1,\n"
    )
    write(tmp_path, dict(table(RUNS, runs)))
    assert faults_of(tmp_path) == ()


def test_sensor_without_sensitivity_is_allowed(tmp_path: Path) -> None:
    write(tmp_path, dict(table(SENSORS, "sensor\ns1\ns2\n")))
    assert faults_of(tmp_path) == ()


def test_missing_recordings_are_no_fault(minimal: Path) -> None:
    assert faults_of(minimal, lambda path: pytest.fail(f"{path} does not exist")) == ()


def test_files_of_sensors_that_are_not_fitted_are_not_asked_for(tmp_path: Path) -> None:
    write(tmp_path, dict(table(SENSORS, "sensor,chart\ns1,\ns2,\nspare,charts/none.csv\n")))
    assert faults_of(tmp_path) == ()


def with_recordings(root: Path, **channels: int | None) -> tuple[Path, dict[str, int | None]]:
    write(root, {**MINIMAL, **{f"recordings/{name}.wav": "" for name in channels}})
    return root, {f"{name}.wav": count for name, count in channels.items()}


def test_channel_that_no_recording_of_the_session_has(tmp_path: Path) -> None:
    root, counts = with_recordings(tmp_path, m1=1, m2=1, bg1=None)
    (fault,) = faults_of(root, lambda path: counts[path.name])
    assert (fault.file, fault.line, fault.column, fault.found) == (FITTINGS, 3, "channel", "channel 2")
    assert fault.expected == 'a channel from 1 to 1: no recording of session "april" has more'


@pytest.mark.parametrize("channels", [{"m1": 1, "m2": 2}, {"m1": None, "m2": None}, {"m1": 8}])
def test_channels_that_only_some_recordings_lack_are_found_later(
    tmp_path: Path, channels: dict[str, int | None]
) -> None:
    root, counts = with_recordings(tmp_path, **channels)
    assert faults_of(root, lambda path: counts[path.name]) == ()


def test_reading_of_headers_stops_once_all_channels_are_found(tmp_path: Path) -> None:
    root, counts = with_recordings(tmp_path, cal1=1, bg1=2, m1=2, m2=2)
    asked: list[str] = []

    def count(path: Path) -> int | None:
        asked.append(path.name)
        return counts[path.name]

    assert faults_of(root, count) == ()
    assert asked == ["cal1.wav", "bg1.wav"]


def test_conditions_with_the_same_treatments_are_a_warning(tmp_path: Path) -> None:
    write(tmp_path, dict(changed(SETTINGS, "{applied: []}", "{applied: [tape]}")))
    (warning,) = load_campaign(tmp_path).warnings
    assert (warning.file, warning.line, warning.column) == (SETTINGS, 4, 3)
    assert warning.found == 'the same treatments for "sealed" as for "open"'


def test_condition_that_no_run_uses_is_a_warning(tmp_path: Path) -> None:
    write(tmp_path, dict(changed(SETTINGS, "sealed:", "lip: {applied: [lip]}\n  sealed:")))
    (warning,) = load_campaign(tmp_path).warnings
    assert (warning.file, warning.line, warning.column) == (SETTINGS, 4, 3)
    assert warning.found == 'the condition "lip", which no run has'


def test_sensor_in_two_places_at_once_is_a_warning(tmp_path: Path) -> None:
    write(tmp_path, dict(changed(FITTINGS, "seam2,s2", "seam2,s1")))
    (warning,) = load_campaign(tmp_path).warnings
    assert (warning.file, warning.line, warning.column, warning.found) == (FITTINGS, 3, "sensor", '"s1" again')


def test_calibrations_alone_need_no_run_for_every_condition(tmp_path: Path) -> None:
    header, calibration, *_ = MINIMAL[RUNS].splitlines()
    write(tmp_path, dict(table(RUNS, f"{header}\n{calibration}\n")))
    assert load_campaign(tmp_path).warnings == ()


def stages(*rows: tuple[str, str, str]) -> Files:
    """Calibrations (name, stage, hour) about a measurement at ten o'clock, m1 in line 2."""
    text = "run,recording,kind,session,condition,speed_kmh,calibrator,stage,recorded_at,background\n"
    text += "m1,m1.wav,measurement,april,open,100,,,2024-05-03T10:00:00,none\n"
    text += "m2,m2.wav,measurement,april,sealed,100,,,2024-05-03T11:00:00,none\n"
    for name, stage, hour in rows:
        text += f"{name},{name}.wav,calibration,april,,,speaker,{stage},2024-05-03T{hour}:00:00,\n"
    return table(RUNS, text)


@pytest.mark.parametrize(
    ("rows", "line", "found"),
    [
        ((("c1", "before", "12"),), 4, '"before", recorded after m2 (line 3)'),
        ((("c1", "after", "09"),), 4, '"after", recorded before m1 (line 2)'),
        ((("c1", "after", "10"), ("c2", "before", "11")), 4, '"after", recorded before c2 (line 5)'),
    ],
)
def test_checks_on_the_wrong_side_are_a_warning(
    tmp_path: Path, rows: tuple[tuple[str, str, str], ...], line: int, found: str
) -> None:
    write(tmp_path, dict(stages(*rows)))
    (warning,) = load_campaign(tmp_path).warnings
    assert (warning.file, warning.line, warning.column) == (RUNS, line, "stage")
    assert warning.found == found
    assert warning.expected == "a stage that fits recorded_at"


def test_checks_on_their_side_or_in_between_are_no_warning(tmp_path: Path) -> None:
    write(tmp_path, dict(stages(("c1", "before", "09"), ("c2", "before", "10"), ("c3", "after", "12"))))
    assert load_campaign(tmp_path).warnings == ()


def test_condition_whose_runs_are_all_left_out_is_a_warning(tmp_path: Path) -> None:
    header, *rows = MINIMAL[RUNS].splitlines()
    rows = [f"{row},{'no' if 'sealed' in row else ''}" for row in rows]
    write(tmp_path, dict(table(RUNS, "\n".join([f"{header},use", *rows]) + "\n")))
    (warning,) = load_campaign(tmp_path).warnings
    assert warning.found == 'the condition "sealed", which no used run has'


def test_session_without_a_calibrator_recording_is_a_warning(tmp_path: Path) -> None:
    header, _, *rows = MINIMAL[RUNS].splitlines()
    write(tmp_path, dict(table(RUNS, "\n".join([header, *rows]) + "\n")))
    (warning,) = load_campaign(tmp_path).warnings
    assert (warning.file, warning.line, warning.column) == (RUNS, 3, "session")
    assert "no calibrator recording" in warning.found
    settings = MINIMAL[SETTINGS] + "calibration: {sensitivity: chart}\n"
    write(tmp_path, {SETTINGS: settings})
    assert load_campaign(tmp_path).warnings == ()
