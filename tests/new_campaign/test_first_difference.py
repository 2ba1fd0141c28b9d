"""From eight-channel recordings to a first difference: `new`, what a person fills in, `check`, `run`."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import hall_recordings as hall
import pandas as pd
import pytest

from tapeline.cli import main

COMMAND = Path(sys.executable).parent / "tapeline"
TUTORIAL = Path(__file__).resolve().parents[2] / "docs" / "first_campaign.md"


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder begun from the recordings of the day, which lie beside it."""
    folder = tmp_path_factory.mktemp("hall")
    hall.write_day(folder / "recordings")
    assert main(["new", str(folder / "campaign"), "--from", str(folder / "recordings")]) == 0
    return folder / "campaign"


def rows(path: Path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def filled(path: Path, fill: Callable[[int, dict[str, str]], dict[str, str]]) -> None:
    """Change cells of a table as a person would, from the number of the row and its cells."""
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    comments = "".join(line for line in lines if line.startswith("#"))
    text = io.StringIO()
    changed = [row | fill(number, row) for number, row in enumerate(rows(path), start=1)]
    writer = csv.DictWriter(text, list(changed[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(changed)
    path.write_text(comments + text.getvalue(), encoding="utf-8")


def test_runs_say_what_files_and_names_say(begun: Path) -> None:
    found = {row["recording"]: row for row in rows(begun / "config" / "runs.csv")}
    assert list(found) == list(hall.DAY)
    first, opened, background = (found[name] for name in list(hall.DAY)[:3:2] + list(hall.DAY)[1:2])
    assert (first["kind"], first["calibrator"], first["stage"]) == ("calibration", "calibrator-1000", "before")
    assert first["remark"] == "25.000 s; 1000 Hz tone on channels 3 1 2 8 4 5 7 6 in this order"
    assert found["08_calibrator.wav"]["stage"] == "after"
    assert (opened["kind"], opened["condition"], opened["speed_kmh"]) == ("measurement", "open", "100")
    assert opened["remark"] == "5.000 s; proposed from the file's name: kind condition speed_kmh"
    assert (background["kind"], background["condition"], background["speed_kmh"]) == ("background", "", "100")
    assert {row["session"] for row in found.values()} == {"2025-03-04"}
    assert first["recorded_at"].startswith("2025-03-04T09:09:35")


def test_check_names_every_gap_and_nothing_else(begun: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(begun)]) == 2
    *gaps, last = capsys.readouterr().err.splitlines()
    assert all(": fill this in: " in gap for gap in gaps)
    # Axes, two conditions' treatments and the reference; kind and level of the calibrator; three cells a channel; a
    # name for each position and sensor.
    assert len(gaps) == 4 + 2 + 3 * 8 + 8 + 8
    assert last == f'{len(gaps)} gaps to fill in: begin with config/calibrators.csv:10, column "kind"'
    assert 'config/fittings.csv:12, column "position": fill this in: a row of the positions table' in gaps
    text = (begun / "config" / "campaign.yaml").read_text(encoding="utf-8")
    assert text.startswith("# yaml-language-server: $schema=campaign.schema.json\n")
    schema = json.loads((begun / "config" / "campaign.schema.json").read_text(encoding="utf-8"))
    assert "conditions" in schema["properties"]


def test_the_tutorial_shows_what_the_commands_say(
    begun: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = [line.strip() for line in TUTORIAL.read_text(encoding="utf-8").splitlines()]
    monkeypatch.chdir(begun.parent)
    assert main(["new", "roof-seam", "--from", "recordings"]) == 0
    assert main(["check", "roof-seam"]) == 2
    said = capsys.readouterr()
    gaps = said.err.splitlines()
    for line in [*said.out.splitlines(), *gaps[:3], gaps[-1]]:
        assert line.strip() in shown


@pytest.mark.workflow
def test_the_gaps_filled_give_a_first_difference(begun: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = begun / "config"
    settings = (config / "campaign.yaml").read_text(encoding="utf-8")
    for old, new in (
        ("axes: ???", "axes: x rearward, y to the right, z up; yaw positive nose to the left"),
        ('"open":\n    applied: ???', '"open":\n    applied: []'),
        ('"sealed":\n    applied: ???', '"sealed":\n    applied: [tape]'),
        ("reference_condition: ???", "reference_condition: open"),
    ):
        assert old in settings
        settings = settings.replace(old, new)
    (config / "campaign.yaml").write_text(settings, encoding="utf-8")
    filled(config / "positions.csv", lambda number, _: {"position": f"seam-{number}", "x_m": str(0.1 * number)})
    filled(config / "sensors.csv", lambda number, _: {"sensor": f"s{number}", "sensitivity_mv_per_pa": "10"})
    filled(
        config / "fittings.csv",
        lambda _, row: {"position": f"seam-{row['channel']}", "sensor": f"s{row['channel']}", "full_scale_v": "5"},
    )
    filled(config / "calibrators.csv", lambda *_: {"kind": "feedback", "level_db": "114"})
    assert main(["check", str(begun)]) == 0
    assert "no faults; 6 recordings to measure, 1 session, 1 comparison" in capsys.readouterr().out
    done = subprocess.run(
        [str(COMMAND), "run", str(begun), "--cores", "1"], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-3000:]
    tables = begun / "results" / "tables"
    calibration = pd.read_parquet(tables / "calibration.parquet")
    assert calibration.sensitivity_v_per_pa.to_numpy() == pytest.approx(hall.V_PER_PA, rel=0.01)
    differences = pd.read_parquet(tables / "comparisons.parquet")
    overall = differences[(differences.band_hz.isna()) & (differences.weighting == "Z")]
    assert len(overall) == hall.CHANNELS
    # White noise of half the rms: 6.02 dB less; 5 s of 8 kHz scatter by hundredths of a decibel.
    assert overall.difference_db.to_numpy() == pytest.approx(-6.02, abs=0.1)
