"""Mistakes in the tables: exit status 2, each mistake located by file, line and column, and nothing computed."""

import csv
import io
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from rig_campaign import RigTruth

from conftest import Finished

pytestmark = pytest.mark.workflow

CELLS: list[tuple[str, Mapping[str, str], str, str]] = [
    ("runs", {"run": "sp-a-shut-1"}, "condition", "shutt"),
    ("runs", {"run": "sp-a-shut-1"}, "session", "sprung"),
    ("runs", {"run": "sp-a-shut-1"}, "speed_mps", "fast"),
    ("runs", {"run": "sp-a-shut-1"}, "yaw_deg", "1,5"),
    ("runs", {"run": "sp-a-shut-1"}, "kind", "measure"),
    ("runs", {"run": "sp-a-shut-1"}, "recording", "../elsewhere.wav"),
    ("runs", {"run": "sp-calibrator-after"}, "calibrator", "coupler-251"),
    ("runs", {"run": "sp-calibrator-after"}, "stage", "later"),
    ("runs", {"run": "sp-calibrator-before"}, "positions", "duct-a duct-q"),
    ("runs", {"run": "sp-b-open-1"}, "background", "sp-b-bak"),
    ("runs", {"run": "sp-b-open-1"}, "background", "sp-b-open-0"),
    ("runs", {"run": "sp-a-shut-0"}, "replaces", "nothing"),
    ("runs", {"run": "su-a-open-2"}, "stop_s", "1.0"),
    ("runs", {"run": "au-b-back"}, "format", "tripples"),
    ("fittings", {"session": "summer", "channel": "3"}, "sensor", "r77"),
    ("fittings", {"session": "summer", "channel": "3"}, "position", "duct-z"),
    ("fittings", {"session": "summer", "channel": "3"}, "channel", "9"),
    ("fittings", {"session": "autumn", "channel": "7"}, "channel", "8"),
    ("fittings", {"session": "summer", "channel": "3"}, "gain_db", "20 dB"),
    ("fittings", {"session": "summer", "channel": "3"}, "polarity", "minus"),
    ("fittings", {"session": "pascal", "channel": "1"}, "unit", ""),
    ("sensors", {"sensor": "r03"}, "sensitivity_mv_per_pa", "-4"),
    ("sensors", {"sensor": "r03"}, "chart", "charts/none.csv"),
    ("calibrators", {"calibrator": "coupler-250"}, "kind", "pistonphone"),
    ("positions", {"position": "duct-b"}, "x_m", "0,1"),
]
KEYS = [
    ("resolution_hz: 4.0", "resolutoin_hz: 4.0", "resolutoin_hz"),
    ("report:", "reprt:", "reprt"),
    ("reference_condition: open", "reference_condition: opne", "opne"),
    ("fraction: 3", "fraction: 5", "5"),
    ("sample_type: int24", "sample_type: int25", "int25"),
]


@pytest.fixture
def copied(written_rig: RigTruth, tmp_path: Path) -> Path:
    folder = tmp_path / "copied"
    for part in ("config", "charts"):
        shutil.copytree(written_rig.folder / part, folder / part)
    (folder / "recordings").symlink_to(written_rig.folder / "recordings")
    return folder


def edit_cell(path: Path, key: Mapping[str, str], column: str, value: str) -> int:
    """Put a value into one cell, keeping line ends and byte-order mark; returns the line."""
    raw = path.read_bytes()
    marked, crlf = raw.startswith(b"\xef\xbb\xbf"), b"\r\n" in raw
    rows = list(csv.DictReader(io.StringIO(raw.decode("utf-8-sig"), newline="")))
    number = next(n for n, row in enumerate(rows) if all(row[name] == cell for name, cell in key.items()))
    rows[number][column] = value
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\r\n" if crlf else "\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_bytes((b"\xef\xbb\xbf" if marked else b"") + text.getvalue().encode())
    return number + 2


def nothing_computed(folder: Path, finished: Finished) -> None:
    assert finished.status == 2, finished.output
    assert "Traceback" not in finished.output
    assert not (folder / "results").exists()
    assert not (folder / ".snakemake").exists()


@pytest.mark.parametrize(("name", "key", "column", "value"), CELLS, ids=lambda part: str(part)[:40])
def test_a_wrong_cell_is_located(
    copied: Path,
    call_tapeline: Callable[..., Finished],
    name: str,
    key: Mapping[str, str],
    column: str,
    value: str,
) -> None:
    line = edit_cell(copied / "config" / f"{name}.csv", key, column, value)
    finished = call_tapeline("run", copied, "--cores", 2)
    nothing_computed(copied, finished)
    reported = r'column "(?:sensor|unit)"' if column == "unit" else f'column "{column}"'
    located = re.search(rf"config/{name}\.csv:{line}, {reported}: (.*)", finished.output)
    assert located is not None, finished.output
    shown = value.rsplit(maxsplit=1)[-1] if column == "positions" else value.removesuffix(".0")
    assert shown in located[1]
    assert "expected" in located[1]


def test_a_duplicate_run_is_located_with_its_first_line(copied: Path, call_tapeline: Callable[..., Finished]) -> None:
    table = copied / "config" / "runs.csv"
    edited = edit_cell(table, {"run": "sp-a-shut-1"}, "run", "sp-a-shut-2")
    lines = [n for n, row in enumerate(table.read_text().splitlines(), 1) if row.startswith("sp-a-shut-2,")]
    assert edited in lines
    finished = call_tapeline("run", copied, "--cores", 2)
    nothing_computed(copied, finished)
    pattern = rf'config/runs\.csv:{lines[1]}, column "run": found "sp-a-shut-2" again.*line {lines[0]}'
    assert re.search(pattern, finished.output), finished.output


@pytest.mark.parametrize(("old", "new", "found"), KEYS, ids=lambda part: str(part)[:40])
def test_a_wrong_setting_is_located(
    copied: Path, call_tapeline: Callable[..., Finished], old: str, new: str, found: str
) -> None:
    settings = copied / "config" / "campaign.yaml"
    text = settings.read_text()
    assert text.count(old) == 1
    settings.write_text(text.replace(old, new))
    before = text[: text.index(old)] + new[: new.index(found)]
    line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
    finished = call_tapeline("run", copied, "--cores", 2)
    nothing_computed(copied, finished)
    assert f"config/campaign.yaml:{line}, column {column}: found" in finished.output, finished.output
    assert found in finished.output


def test_all_mistakes_are_told_at_once(copied: Path, run_tapeline: Callable[..., Finished]) -> None:
    edit_cell(copied / "config" / "runs.csv", {"run": "sp-a-shut-1"}, "condition", "shutt")
    edit_cell(copied / "config" / "fittings.csv", {"session": "summer", "channel": "3"}, "sensor", "r77")
    edit_cell(copied / "config" / "calibrators.csv", {"calibrator": "coupler-250"}, "frequency_hz", "low")
    finished = run_tapeline("run", copied, "--cores", 2)
    nothing_computed(copied, finished)
    assert "3 faults" in finished.output, finished.output
