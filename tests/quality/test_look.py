"""A first look at recordings on disk, with and without a campaign."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeline.campaign.load import load_campaign
from tapeline.cli import main
from tapeline.recordings.recording import RecordingError
from tapeline.steps.look import LookError, look

RATE = 12_800
TABLES = {
    "campaign.yaml": "campaign: roof\nconditions:\n  open: {applied: []}\n",
    "runs.csv": "run,recording,kind,session,condition,speed_kmh,gain_db\nm1,m1.wav,measurement,april,open,100,20\n",
    "positions.csv": "position\nseam1\nseam2\n",
    "fittings.csv": "session,channel,position,sensor,full_scale_v,gain_db\n"
    "april,1,seam1,s1,10,0\napril,2,seam2,s2,10,0\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,20\ns2,\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\nring,feedback,94,1000\n",
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
    with pytest.raises(LookError, match="session june has no row"):
        look(path, campaign, "june", None)
    with pytest.raises(LookError, match="no raw format box"):
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
