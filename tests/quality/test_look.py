"""A first look at recordings on disk, with and without a campaign."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeline.acoustics.bands import bands_between
from tapeline.campaign.load import load_campaign
from tapeline.cli import main
from tapeline.cli.look_repeats import Asked
from tapeline.cli.recording_look import LookError, look
from tapeline.jobs.table_files import session_table
from tapeline.recordings.recording import RecordingError
from tapeline.store import parquet, tables

RATE = 12_800
TABLES = {
    "campaign.yaml": "campaign: roof\nconditions:\n  open: {applied: []}\n",
    "runs.csv": "run,recording,kind,session,condition,speed_kmh,gain_db\nm1,m1.wav,measurement,april,open,100,20\n",
    "positions.csv": "position\nseam1\nseam2\n",
    "fittings.csv": "session,channel,position,sensor,full_scale_v,gain_db\n"
    "april,1,seam1,s1,10,0\napril,2,seam2,s2,10,0\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,20\ns2,\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}


def campaign_with(root: Path, pascal: np.ndarray, name: str = "m1.wav", **tables: str) -> Path:
    """A campaign and one recording of samples in pascal (frames, channels), taken with 20 mV/Pa and a gain of 20 dB."""
    for folder in ("config", "recordings"):
        (root / folder).mkdir(exist_ok=True)
    for table, text in (TABLES | tables).items():
        (root / "config" / table).write_text(text)
    soundfile.write(root / "recordings" / name, pascal * 0.02 * 10.0 / 10.0, RATE, subtype="PCM_24")
    return root / "recordings" / name


def tone(channels: int = 2, seconds: float = 3.0) -> np.ndarray:
    """1 Pa of a 1 kHz tone and a little noise, another phase on each channel."""
    time = np.arange(int(seconds * RATE)) / RATE
    noise = np.random.default_rng(2).normal(0.0, 0.05, (time.size, channels))
    phases = np.arange(channels) * 1.1
    return np.sqrt(2.0) * np.sin(2.0 * np.pi * 1003.0 * time[:, None] + phases) + noise


def test_levels_with_the_campaigns_sensitivity_and_the_runs_gain(tmp_path: Path) -> None:
    """1 Pa is 93.98 dB (definition), the A-weighting at 1 kHz 0 dB (IEC 61672-1)."""
    path = campaign_with(tmp_path, tone())
    seen = look(path, load_campaign(tmp_path, check=False), None, None)
    assert seen.taken_for == "run m1 of session april"
    assert seen.channels[0].levels_db == pytest.approx({"Z": 93.99, "A": 93.99}, abs=0.03)
    assert [channel.verdict for channel in seen.channels] == ["good", "unusable"]
    assert seen.channels[1].findings[0].code == "no-sensitivity"
    assert seen.channels[1].levels_db == {}
    assert seen.worst == "unusable"


def test_without_a_campaign_levels_are_re_full_scale(tmp_path: Path) -> None:
    path = campaign_with(tmp_path, tone())
    seen = look(path, None, None, None)
    assert seen.unit == "dB re full scale"
    assert seen.channels[0].levels_db["Z"] == pytest.approx(20 * np.log10(0.02), abs=0.03)
    assert seen.channels[0].range_use_db == pytest.approx(20 * np.log10(0.02 * np.sqrt(2)), abs=1.0)
    assert "every channel is good" in "\n".join(seen.lines())


def test_a_recording_that_is_in_no_row_yet_needs_its_session(tmp_path: Path) -> None:
    two = TABLES["fittings.csv"] + "may,1,seam2,s1,10,20\n"
    path = campaign_with(tmp_path, tone(), "new.wav", **{"fittings.csv": two})
    campaign = load_campaign(tmp_path, check=False)
    with pytest.raises(LookError, match="name its session, --session april or may"):
        look(path, campaign, None, None)
    seen = look(path, campaign, "may", None)
    assert [channel.name for channel in seen.channels] == ["seam2"]
    assert seen.unfitted == 1
    assert seen.channels[0].levels_db["Z"] == pytest.approx(93.99, abs=0.03)
    with pytest.raises(LookError, match='found session "june", expected one of april, may in the fittings table'):
        look(path, campaign, "june", None)
    with pytest.raises(LookError, match='found raw format "box", expected '):
        look(path, campaign, "may", "box")


def test_fewer_channels_than_fitted(tmp_path: Path) -> None:
    path = campaign_with(tmp_path, tone(1))
    seen = look(path, load_campaign(tmp_path, check=False), None, None)
    assert [f.sentence for f in seen.channels[1].findings] == ["position seam2 is on channel 2 of 1"]


def test_short_and_broken_recordings(tmp_path: Path) -> None:
    path = campaign_with(tmp_path, tone(seconds=0.02))
    assert look(path, None, None, None).channels[0].levels_db == {}
    path.write_bytes(path.read_bytes()[:600])
    with pytest.raises(RecordingError):
        look(path, None, None, None)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pascal = tone()
    pascal[2000:2100, 0] = 400.0
    path = campaign_with(tmp_path, pascal)
    assert main(["look", str(path)]) == 3
    shown = capsys.readouterr()
    assert "overload: position channel 1 overloaded for 7.8 ms in 1 place" in shown.out
    assert main(["look", str(path), str(tmp_path / "gone.wav"), "--campaign", str(tmp_path)]) == 2
    shown = capsys.readouterr()
    assert "run m1 of session april" in shown.out
    assert "recording-missing: gone.wav is not there" in shown.err


RUNS = TABLES["runs.csv"] + "m2,m2.wav,measurement,april,open,100,20\nm3,m3.wav,measurement,april,open,130,20\n"


def with_results(root: Path, levels: dict[str, float], **changed: object) -> Path:
    """The campaign with overall levels of some runs at seam1, summed over all bands of the first overall level."""
    path = campaign_with(root, tone(), **{"runs.csv": RUNS})
    campaign = load_campaign(root, check=False)
    wanted = campaign.settings.overall[0]
    bands = bands_between(campaign.settings.bands.fraction, *wanted.range_hz)
    rows = [
        {"run": run, "position": "seam1", "weighting": weighting, "level_db": level, "quality": "good"}
        | {
            "lowest_band_hz": wanted.range_hz[0],
            "highest_band_hz": wanted.range_hz[1],
            "calibration": "good",
            "marks": [],
        }
        | {"lower_hz": float(bands.lower_hz[0]), "upper_hz": float(bands.upper_hz[-1])}
        | changed
        for run, level in levels.items()
        for weighting in ("A", "Z")
    ]
    table = session_table(campaign.results, "overall", "april")
    parquet.write_rows(tables.OVERALL, table, rows, campaign="roof", digest="none")
    return path


def test_a_run_is_held_against_its_repeats_and_no_other_run(tmp_path: Path) -> None:
    path = with_results(tmp_path, {"m1": 50.0, "m2": 93.0, "m3": 60.0})
    seen = look(path, load_campaign(tmp_path, check=False), None, None)
    assert seen.repeats == "compared with run m2 (session april, open, 100 km/h, yaw 0°)"
    against = seen.channels[0].against
    assert against is not None
    assert against.repeats_db == {"m2": 93.0}
    assert against.difference_db == pytest.approx(0.99, abs=0.03)
    assert seen.channels[1].against is None
    assert "+1.0" in seen.lines()[2]
    assert not any("limit" in line for line in seen.lines())


def test_a_level_far_from_the_repeats_is_told(tmp_path: Path) -> None:
    """The gain of 0 dB is the fitting's, since no row names the 20 dB that the recording has."""
    path = with_results(tmp_path, {"m1": 104.0, "m2": 106.0})
    new, asked = path.rename(path.with_name("new.wav")), Asked("open", 100 / 3.6)
    seen = look(new, load_campaign(tmp_path, check=False), "april", None, asked)
    assert seen.repeats.startswith("compared with runs m1, m2 (")
    assert "position seam1: LA is 9.0 dB above the repeats (104.0 to 106.0 dB; limit 6 dB" in seen.lines()[-1]


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        (Asked(), "name what it is, --condition NAME --speed-kmh SPEED"),
        (Asked("open"), "name what it is"),
        (Asked("open", 200 / 3.6), "the run table has no other used run of session april, open, 200 km/h, yaw 0°"),
        (Asked("open", 100 / 3.6, 5.0), "no other used run of session april, open, 100 km/h, yaw 5°"),
        (Asked("open", 130 / 3.6), "the results have no level of run m3"),
    ],
)
def test_why_it_is_not_compared(tmp_path: Path, asked: Asked, why: str) -> None:
    path = with_results(tmp_path, {"m1": 84.0, "m2": 86.0})
    seen = look(path.rename(path.with_name("new.wav")), load_campaign(tmp_path, check=False), "april", None, asked)
    assert seen.repeats.startswith("not compared with repeats: ")
    assert why in seen.repeats
    assert seen.repeats in seen.lines()[-1]
    assert all(channel.against is None for channel in seen.channels)


@pytest.mark.parametrize("changed", [{"quality": "unusable"}, {"calibration": "unusable"}, {"absent_bands_hz": [50.0]}])
def test_levels_that_do_not_count_or_lack_bands_are_no_repeats(tmp_path: Path, changed: dict[str, object]) -> None:
    path = with_results(tmp_path, {"m2": 93.0}, **changed)
    seen = look(path, load_campaign(tmp_path, check=False), None, None)
    assert "the results have no level of run m2" in seen.repeats


def test_the_command_names_a_condition_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = with_results(tmp_path, {"m2": 93.0})
    there = ["look", str(path), "--campaign", str(tmp_path), "--condition"]
    assert main([*there, "opne"]) == 2
    assert (
        'found condition "opne", expected one of open in the campaign\'s settings; did you mean "open"?'
        in capsys.readouterr().err
    )
    assert main([*there, "open", "--speed-kmh", "100"]) == 3, "seam2 has no sensitivity"
    assert "compared with run m2" in capsys.readouterr().out
