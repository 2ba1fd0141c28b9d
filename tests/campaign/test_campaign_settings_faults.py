"""Each kind of fault in campaign.yaml: where it is, what is said, what is proposed."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, faults_of, write

SETTINGS = "config/campaign.yaml"
BASE = MINIMAL[SETTINGS]
END = BASE.count("\n") + 1

# Text put at the end of the small campaign's settings; line (from the first one added), column, found, expected, mend.
APPENDED = [
    ("titel: x", 1, 1, 'the unknown key "titel"', "one of the keys campaign, title", 'did you mean "title"?'),
    ("zzzzzz: x", 1, 1, 'the unknown key "zzzzzz"', "one of the keys", None),
    ("spectra:\n  overlpa: 0.5", 2, 3, 'the unknown key "overlpa"', "resolution_hz, window", 'did you mean "overlap"?'),
    ("bands: {Fraction: 3}", 1, 9, 'the unknown key "Fraction"', "one of the keys", 'did you mean "fraction"?'),
    (
        "raw_formats:\n  logger: {sample_type: int16, channels: 2, rate: 5, sample_rate_hz: 5}",
        2,
        45,
        '"rate"',
        "keys",
        None,
    ),
    (
        "raw_formats:\n  logger: {sample_type: int16, channels: 2}",
        2,
        3,
        "nothing",
        'the key "sample_rate_hz" (sampling rate in Hz)',
        None,
    ),
    ("spectra: {resolution_hz: fast}", 1, 26, '"fast"', "a number (Hz", "without unit or quotes"),
    ("spectra: {resolution_hz: 5 Hz}", 1, 26, '"5 Hz"', "a number", "without unit"),
    ("spectra: {resolution_hz: yes}", 1, 26, '"yes"', "a number", "without unit"),
    ("spectra: {resolution_hz: true}", 1, 26, "true", "a number", None),
    ("spectra: {resolution_hz: .inf}", 1, 26, "inf", "a finite number", None),
    ("spectra: {resolution_hz: 0}", 1, 26, "0", "a number of at least 0.001", "a block lasts 1/spacing seconds"),
    ("spectra: {resolution_hz: }", 1, 26, "nothing", "a number", None),
    ("spectra: {window: han}", 1, 19, '"han"', 'one of "hann", "flattop" or "rectangular"', 'did you mean "hann"?'),
    ("compare: {lines: sealde}", 1, 18, '"sealde"', "the name of a comparison", 'did you mean "sealed"?'),
    ("compare: {best_condition: seled}", 1, 27, '"seled"', "one of the conditions", 'did you mean "sealed"?'),
    ("compare: {best_condition: open}", 1, 27, '"open", the untreated condition', "a condition with treatments", None),
    ("compare: {adjustment: none}", 1, 23, '"none"', 'one of "false-discovery" or "family-wise"', None),
    ("ranking: {range_hz: [500, 100]}", 1, 21, "a list of 2", "two increasing frequencies above 0 Hz", None),
    ("ranking: {draws: 10}", 1, 18, "10", "a number of at least 100", None),
    ("spectra: {overlap: 0.8}", 1, 20, "0.8", "a number of at most 0.75", None),
    ("spectra: {overlap: -0.1}", 1, 20, "-0.1", "a number of at least 0", "check whether it is a share of 1"),
    ("report: {level_axis_db: [90, 40]}", 1, 25, "a list of 2", "two levels in dB, the second at least 1 dB", None),
    ("spectra: {range_hz: [100, 50]}", 1, 21, "a list of 2", "two increasing frequencies above 0 Hz", None),
    ("spectra: {range_hz: [0, 50]}", 1, 21, "a list of 2", "two increasing frequencies above 0 Hz", None),
    ("spectra: {range_hz: [100]}", 1, 21, "a list of 1", "two values", None),
    ("spectra: {range_hz: [100, 200, 300]}", 1, 21, "a list of 3", "at most 2 values", None),
    ("spectra: {range_hz: 100}", 1, 21, "100", "a list in brackets", None),
    ("bands: {fraction: 2}", 1, 19, "2", "one of 1, 3, 6, 12 or 24", None),
    ("bands: {method: filter}", 1, 17, '"filter"', "one of", 'did you mean "filters"?'),
    ("bands: 3", 1, 8, "3", 'a section of "key: value" lines', None),
    ("scaling: {length_m: 0}", 1, 21, "0", "a number of at least 1e-09", "check the unit"),
    ("scaling: {length_m: 8 mm}", 1, 21, '"8 mm"', "a number (m, length l of St = f l / U", "without unit"),
    ("scaling: {reference_speed_mps: -30}", 1, 32, "-30", "a number of at least 1e-06", "it is in m/s"),
    ("scaling: {lengths: {seam1: -0.1}}", 1, 28, "-0.1", "a number of at least 1e-09", "check the unit"),
    ("scaling: {lengths: [0.1]}", 1, 20, "a list of 1", 'a section of "key: value" lines', None),
    ("scaling: {lengths: {saem1: 0.1}}", 1, 21, '"saem1"', "a position or an area", 'did you mean "seam1"?'),
    ("scaling: {tonal_share: 1}", 1, 24, "1", "a number below 1", None),
    ("scaling: {least_bands: 4}", 1, 24, "4", "a number of at least 5", "check the number and its unit"),
    ("scaling: {lenght_m: 0.1}", 1, 11, 'the unknown key "lenght_m"', "length_m", 'did you mean "length_m"?'),
    ("ranking: {operating_points: [[120, 0]]}", 1, 30, "[120, 0]", "yaw in degrees] of a measurement: [100, 0]", None),
    ("ranking: {operating_points: [[100, 5]]}", 1, 30, "[100, 5]", "of a measurement: [100, 0]", None),
    ("ranking: {operating_points: [[100, 0], [101, 0]]}", 1, 40, "which stands there before", "[100, 0]", None),
    ("ranking: {operating_points: all}", 1, 29, '"all"', "a list in brackets (operating points", None),
    ("ranking: {operating_points: [100]}", 1, 30, "100", "a list in brackets", None),
    ("ranking: {operating_points: [[-100, 0]]}", 1, 31, "-100", "a number of at least 0", "check entered_speed_unit"),
    ("overall: []", 1, 10, "an empty list", "at least 1", None),
    ("overall:\n  - {weighting: B}", 2, 17, '"B"', 'one of "A", "C" or "Z"', None),
    ("calibration: {chart_age_limit_days: 1.5}", 1, 37, "1.5", "a whole number", None),
    ("calibration: {sensitivity: Mean}", 1, 28, '"Mean"', "one of", 'did you mean "mean"?'),
    (
        "background: {enough_margin_db: 20}",
        1,
        13,
        "a section",
        "least_margin_db <= enough_margin_db <= no_correction_above_db",
        None,
    ),
    ("background: {least_margin_db: 7}", 1, 13, "a section", "least_margin_db <= enough_margin_db", None),
    ("confidence: 95", 1, 13, "95", "a number of at most 0.999999", "95 % are 0.95"),
    ("confidence: 0.5", 1, 13, "0.5", "a number above 0.5", "check whether it is a share"),
    ("keep_pressure: maybe", 1, 16, '"maybe"', "true or false", None),
    ("title: 2024", 1, 8, "2024", "text", "put it in quotes"),
    ('recordings: ""', 1, 13, '""', "text that is not empty", None),
    ("tables: {runs: config/runs.csv, run: x}", 1, 33, 'the unknown key "run"', "keys runs", 'did you mean "runs"?'),
    ("report: {speed_unit: kmh}", 1, 22, '"kmh"', 'one of "km/h" or "m/s"', 'did you mean "km/h"?'),
    ("operating_point: {nominal_speeds: [100, fast]}", 1, 41, '"fast"', "a number", "without unit"),
    ("history: {weighting: [A, X]}", 1, 26, '"X"', 'one of "A", "C" or "Z"', None),
    ("comparisons:\n  a: {reference: open}", 2, 3, "nothing", 'the key "treatment" (the condition compared)', None),
    (
        "comparisons:\n  a: {reference: open, treatment: seled}",
        2,
        35,
        '"seled"',
        "conditions",
        'did you mean "sealed"?',
    ),
    ("comparisons:\n  a: {reference: Open, treatment: sealed}", 2, 18, '"Open"', "conditions", 'did you mean "open"?'),
    (
        "comparisons:\n  a: {reference: open, treatment: open}",
        2,
        35,
        '"open" compared with itself',
        "a condition other than the reference",
        None,
    ),
    ("reference_condition: opn", 1, 22, '"opn"', "one of the conditions", 'did you mean "open"?'),
    (
        "comparisons:\n  a b: {reference: open, treatment: sealed}",
        2,
        3,
        '"a b"',
        "a name of letters, digits",
        None,
    ),
    (
        "comparisons:\n  a: {reference: open, treatment: sealed}\n  A: {reference: open, treatment: sealed}",
        3,
        3,
        '"A"',
        f'a name that differs by more than case from "a" in line {END + 1}',
        None,
    ),
    ("campaign: roof", 1, 1, 'the key "campaign" again', "it once (it stands in line 1 already)", None),
    ("[a]: 3", 1, 1, "a list or section as a key", "a word as a key", None),
    ("bands: !special 3", 1, 8, 'the tag "!special"', "plain text, numbers", None),
    ("bands: {<<: 3}", 1, 13, 'a "<<" without a section', "an alias of a section", None),
    ("bands: {fraction: 3", 2, 1, "text that is not YAML", "YAML", "bracket and brace"),
    ("\tbands: 3", 1, 1, "text that is not YAML", "YAML", "not tabs"),
    ("title: Roof: seam", 1, 12, "text that is not YAML", "YAML", "in quotes"),
]


@pytest.mark.parametrize(
    ("text", "line", "column", "found", "expected", "mend"), APPENDED, ids=lambda value: str(value)[:40]
)
def test_fault_in_settings(
    tmp_path: Path, text: str, line: int, column: int, found: str, expected: str, mend: str | None
) -> None:
    write(tmp_path, {**MINIMAL, SETTINGS: f"{BASE}{text}\n"})
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == (SETTINGS, END + line - 1, column)
    assert found in fault.found
    assert expected in fault.expected
    assert (fault.mend or "") == "" if mend is None else mend in str(fault.mend)


WHOLE = [
    ("conditions: {open: {}, sealed: {}}\n", 1, 1, "nothing", 'the key "campaign" (identifier of the campaign'),
    ("campaign: roof\n", 1, 1, "nothing", 'the key "conditions"'),
    ("campaign: a b\nconditions: {open: {}, sealed: {}}\n", 1, 11, '"a b"', "a name of letters"),
    ("campaign: roof\nconditions: {}\n", 2, 13, "a section", "at least 1"),
    ("campaign: roof\nconditions: {open: {}, sealed: {}, '-x': {}}\n", 2, 36, '"-x"', "a name of letters"),
    ("campaign: roof\nconditions: {open: {}, sealed: {}, Open: {}}\n", 2, 36, '"Open"', "differs by more than case"),
    ("campaign: roof\nconditions: {open: {titel: x}, sealed: {}}\n", 2, 21, '"titel"', "title, applied"),
    ("campaign: roof\nconditions: {open: {applied: tape}, sealed: {}}\n", 2, 30, '"tape"', "a list in brackets"),
    ("- campaign\n", 1, 1, "a list of 1", "the settings of a campaign"),
    ("roof\n", 1, 1, '"roof"', "the settings of a campaign"),
    ("", None, None, "an empty file", "the settings of a campaign"),
    ("# nothing yet\n", None, None, "an empty file", "the settings of a campaign"),
    ("campaign: roof\n---\na: 1\n", 2, 1, "text that is not YAML", "YAML"),
    ("campaign: &a [*a]\nconditions: {open: {}, sealed: {}}\n", 1, 11, "nested or repeated without end", "levels"),
    ("campaign: ro\x07of\n", 1, 13, r"the control character '\x07'", "printable text"),
    (b"campaign: roof\ntitle: caf\xe9\n", 2, None, "the byte 0xE9, which is not UTF-8", "text in UTF-8"),
    ("campaign: roof".encode("utf-16"), 1, None, "text in UTF-16", "text in UTF-8"),
]


@pytest.mark.parametrize(("text", "line", "column", "found", "expected"), WHOLE, ids=lambda value: str(value)[:40])
def test_fault_of_the_settings_as_a_whole(
    tmp_path: Path, text: str | bytes, line: int | None, column: int | None, found: str, expected: str
) -> None:
    write(tmp_path, {**MINIMAL, SETTINGS: text})
    faults = faults_of(tmp_path)
    at_place = [fault for fault in faults if (fault.file, fault.line, fault.column) == (SETTINGS, line, column)]
    assert [fault for fault in at_place if found in fault.found and expected in fault.expected]
    assert {fault.file for fault in faults} == {SETTINGS}


def test_missing_settings_are_one_fault(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.found) == (SETTINGS, None, "no such file")
    assert fault.mend == "name the campaign folder that holds it"


def test_settings_faults_do_not_hide_table_faults(tmp_path: Path) -> None:
    files = {
        **MINIMAL,
        SETTINGS: BASE.replace("{applied: []}", "{aplied: []}") + "confidence: 2\nreference_condition: shut\n",
        "config/runs.csv": MINIMAL["config/runs.csv"]
        .replace("open,100", "opn,fast")
        .replace("april,sealed", "mai,sealed"),
        "config/sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,-1\ns2,1\n",
    }
    write(tmp_path, dict(files))
    places = [(fault.file, fault.line, fault.column) for fault in faults_of(tmp_path)]
    assert places == [
        (SETTINGS, 3, 10),
        (SETTINGS, 5, 13),
        (SETTINGS, 6, 22),
        ("config/runs.csv", 4, "condition"),
        ("config/runs.csv", 4, "speed_kmh"),
        ("config/runs.csv", 5, "session"),
        ("config/sensors.csv", 2, "sensitivity_mv_per_pa"),
    ]


def test_unreadable_settings_do_not_hide_table_faults(tmp_path: Path) -> None:
    runs = MINIMAL["config/runs.csv"].replace("open,100", "open,fast")
    write(tmp_path, {**MINIMAL, SETTINGS: "campaign: [\n", "config/runs.csv": runs})
    assert [(fault.file, fault.column) for fault in faults_of(tmp_path)] == [
        (SETTINGS, 1),
        ("config/runs.csv", "speed_kmh"),
    ]


def test_repeated_aliases_do_not_blow_up(tmp_path: Path) -> None:
    lines = ["a0: &a0 [x, x]"] + [f"a{level}: &a{level} [*a{level - 1}, *a{level - 1}]" for level in range(1, 30)]
    write(tmp_path, {**MINIMAL, SETTINGS: "\n".join(lines)})
    assert "nested or repeated without end" in " ".join(fault.found for fault in faults_of(tmp_path))
