"""Reasons that only whole recordings and their tables can give: one run through the job that makes pascal."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeline.acoustics.short_time_spectra import block_frames
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.calibrate import run as calibrate
from tapeline.jobs.catalogue import needs as catalogue_needs
from tapeline.jobs.catalogue import run as catalogue
from tapeline.jobs.pressure import needs as pressure_needs
from tapeline.jobs.pressure import pressure_file
from tapeline.jobs.pressure import run as pressure
from tapeline.jobs.sources import STRICT_VARIABLE, FaultyRecordingError
from tapeline.jobs.spectra import quality_file, spectra_file
from tapeline.jobs.spectra import run as spectra
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.verdicts import run as verdicts
from tapeline.jobs.verdicts import verdicts_file
from tapeline.quality.reasons import FILE_FAULTS, REASONS
from tapeline.store import arrow_file, parquet, tables

RATE = 12_800
SENSITIVITY_V_PER_PA = 0.02
TABLES = {
    "campaign.yaml": "campaign: roof\nconditions:\n  open: {applied: []}\n",
    "runs.csv": "run,recording,kind,session,condition,speed_kmh,start_s,stop_s,calibrator,stage\n"
    "bg1,bg1.wav,background,april,,100,,,,\nm1,m1.wav,measurement,april,open,100,{start},{stop},,\n{calibration}",
    "positions.csv": "position,x_m\nseam1,0.1\nseam2,0.2\nseam3,0.3\n",
    "fittings.csv": "session,channel,position,sensor,full_scale_v,gain_db\n"
    "april,1,seam1,s1,10,0\napril,2,seam2,s2,{second_full_scale},0\napril,3,seam3,s3,10,0\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,20\ns2,20\ns3,{third_sensitivity}\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}
KNOWN = {"calibration": "", "start": "", "stop": "", "second_full_scale": "10", "third_sensitivity": "20"}


def volts(channels: int = 3, seconds: float = 2.0) -> np.ndarray:
    """Noise of 1 Pa, (frames, channels)."""
    return SENSITIVITY_V_PER_PA * np.random.default_rng(4).normal(size=(int(seconds * RATE), channels))


def quality_of(root: Path, samples: np.ndarray | None, subtype: str = "PCM_24", **changes: str) -> dict[str, dict]:
    """Rows of the quality table of run m1, by position; samples in volts are written as fractions of 10 V."""
    (root / "config").mkdir(exist_ok=True)
    for name, text in TABLES.items():
        filled = text if name == "campaign.yaml" else text.format(**(KNOWN | changes))
        (root / "config" / name).write_text(filled)
    (root / "recordings").mkdir(exist_ok=True)
    plan = Plan(load_campaign(root, check=False))
    if samples is not None:
        for name in ("bg1", "m1"):
            (target,) = pressure_needs(plan, name).source.paths
            path = root / target
            path.parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(path, samples / 10.0, RATE, subtype=subtype)
    calibrate.run(plan, "april")
    spectra.run(plan, "m1")
    rows = parquet.read_rows(tables.QUALITY, quality_file(plan.campaign.results, "m1"))
    return {row["position"]: row for row in rows}


def test_clean_channels_are_good_and_in_pascal(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, volts())
    assert [row["verdict"] for row in rows.values()] == ["good"] * 3
    assert [row["rms_pa"] for row in rows.values()] == pytest.approx([1.0] * 3, rel=0.03)
    assert [row["frames"] for row in rows.values()] == [2 * RATE] * 3
    plan = Plan(load_campaign(tmp_path, check=False))
    pressure.run(plan, "m1")
    source = arrow_file.PressureFile(pressure_file(plan.campaign.results, "m1"))
    samples = np.concatenate(list(source.blocks()), axis=1)
    assert samples == pytest.approx(volts().T / SENSITIVITY_V_PER_PA, abs=1e-4)


def test_checks_that_contradict_the_sensor_table(tmp_path: Path) -> None:
    """A calibrator of 1 Pa that gives a tenth of the volts on one of three channels."""
    time = np.arange(3 * 3 * RATE) / RATE
    tones = 1e-5 * np.random.default_rng(5).normal(size=(time.size, 3))
    for channel, share in enumerate((1.0, 0.1, 1.0)):
        inside = (time >= 3 * channel + 0.5) & (time < 3 * channel + 2.5)
        tone = SENSITIVITY_V_PER_PA * share * np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * time)
        tones[inside, channel] += tone[inside]
    path = tmp_path / "recordings" / "c1.wav"
    path.parent.mkdir()
    soundfile.write(path, tones / 10.0, RATE, subtype="PCM_24")
    rows = quality_of(tmp_path, volts(), calibration="c1,c1.wav,calibration,april,,,,,speaker,before\n")
    assert rows["seam2"]["reasons"] == ["contradicted"]
    assert rows["seam2"]["sentences"] == [
        "position seam2, channel 2: the checks of sensor s2 contradict the sensor table"
    ]
    assert [rows[name]["verdict"] for name in ("seam1", "seam3")] == ["good", "good"]
    assert rows["seam1"]["rms_pa"] == pytest.approx(1.0, rel=0.03)


def test_a_channel_that_the_recording_lacks(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, volts(2))
    assert rows["seam3"]["reasons"] == ["channel-missing"]
    assert rows["seam3"]["sentences"] == ["position seam3, channel 3: the recording has 2 channels"]
    assert rows["seam1"]["verdict"] == rows["seam2"]["verdict"] == "good"


def test_a_sensor_of_unknown_sensitivity(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, volts(), third_sensitivity="")
    assert rows["seam3"]["reasons"] == ["no-sensitivity"]
    assert rows["seam1"]["verdict"] == "good"


def test_integers_without_a_stated_full_scale(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, volts(), second_full_scale="")
    assert rows["seam2"]["reasons"] == ["full-scale-unknown"]
    assert "24-bit samples need full_scale_v" in rows["seam2"]["sentences"][0]


def test_overload_dropout_and_broken_numbers_side_by_side(tmp_path: Path) -> None:
    samples = volts()
    samples[5_000:5_040, 0] = 10.0
    samples[8_000:8_200, 1] = samples[8_000, 1]
    samples[3, 2] = np.nan
    rows = quality_of(tmp_path, samples, "FLOAT")
    assert [rows[name]["reasons"] for name in ("seam1", "seam2", "seam3")] == [
        ["overload"],
        ["dropout"],
        ["not-finite"],
    ]
    assert rows["seam1"]["overload_s"] == pytest.approx(40 / RATE)
    assert rows["seam1"]["overload_first_s"] == pytest.approx(5_000 / RATE)
    assert rows["seam1"]["range_use_db"] == pytest.approx(0.0, abs=1e-6)
    assert rows["seam2"]["dropout_s"] == pytest.approx(200 / RATE, abs=1.1 / RATE)
    assert rows["seam2"]["verdict"] == "doubtful"
    assert rows["seam3"]["nonfinite_samples"] == 1


def test_samples_too_large_for_a_pressure_reach_no_table(tmp_path: Path) -> None:
    """1e30 V on one channel and an infinite number on another: no level is made of either, the third is untouched."""
    samples = volts()
    samples[5_000, 0] = 1e30
    samples[6_000, 1] = np.inf
    rows = quality_of(tmp_path, samples, "FLOAT")
    assert [row["reasons"] for row in rows.values()] == [["impossible-level"], ["not-finite"], []]
    assert "1 sample lies beyond 2.03e+05 Pa" in rows["seam1"]["sentences"][0]
    numbers = [value for row in rows.values() for value in row.values() if isinstance(value, float)]
    assert np.isfinite(numbers).all()
    assert max(map(abs, numbers)) < 1e6
    assert (rows["seam1"]["rms_pa"], rows["seam1"]["peak_pa"], rows["seam1"]["impossible_samples"]) == (None, None, 1)
    assert rows["seam3"]["rms_pa"] == pytest.approx(1.0, rel=0.03)
    plan = Plan(load_campaign(tmp_path, check=False))
    spectra.run(plan, "m1")
    rows_of_lines = parquet.read_rows(tables.SPECTRA, spectra_file(plan.campaign.results, "m1"))
    lines = {row["position"]: np.array(row["psd_pa2_per_hz"], dtype=np.float64) for row in rows_of_lines}
    assert [bool(np.isfinite(lines[name]).any()) for name in ("seam1", "seam2", "seam3")] == [False, False, True]
    spectra.run(plan, "bg1")
    verdicts.run(plan, "april")


def test_the_lines_of_the_hum_stand_in_the_table(tmp_path: Path) -> None:
    samples = volts(seconds=6.0)
    time = np.arange(samples.shape[0]) / RATE
    for hertz in (50.0, 150.0):
        samples[:, 1] += 0.2 * SENSITIVITY_V_PER_PA * np.sin(2 * np.pi * hertz * time)
    rows = quality_of(tmp_path, samples)
    assert rows["seam2"]["reasons"] == ["hum"]
    assert [rows[name]["hum_hz"] for name in ("seam1", "seam2", "seam3")] == [[], [50.0, 150.0], []]


def test_the_frequency_of_a_sine_is_its_root_mean_square_frequency(tmp_path: Path) -> None:
    time = np.arange(2 * RATE) / RATE
    samples = volts()
    samples[:, 0] = SENSITIVITY_V_PER_PA * np.sin(2 * np.pi * 1000.0 * time)
    rows = quality_of(tmp_path, samples)
    assert rows["seam1"]["rms_frequency_hz"] == pytest.approx(1000.0, rel=1e-3)
    assert rows["seam2"]["rms_frequency_hz"] == pytest.approx(RATE / 4.0, rel=0.02)


def test_a_part_outside_the_recording(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, volts(), start="0.5", stop="3.0")
    assert all(row["reasons"] == ["part-beyond-recording"] for row in rows.values())
    assert "lasts 2.000 s" in rows["seam1"]["sentences"][0]


def test_a_missing_recording_leaves_a_valid_empty_result(tmp_path: Path) -> None:
    rows = quality_of(tmp_path, None)
    assert {row["verdict"] for row in rows.values()} == {"unusable"}
    assert all(row["reasons"] == ["recording-missing"] for row in rows.values())
    plan = Plan(load_campaign(tmp_path, check=False))
    pressure.run(plan, "m1")
    assert arrow_file.PressureFile(pressure_file(plan.campaign.results, "m1")).positions == ()


def test_strict_runs_stop_at_the_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(STRICT_VARIABLE, "1")
    with pytest.raises(FaultyRecordingError, match="run m1: recording-missing: m1.wav is not there"):  # noqa: RUF043
        quality_of(tmp_path, None)


def test_a_run_shorter_than_one_block_is_said_in_the_campaign_table(tmp_path: Path) -> None:
    quality_of(tmp_path, volts(seconds=0.02))
    plan = Plan(load_campaign(tmp_path, check=False))
    needs = catalogue_needs(plan)
    rows = parquet.read_rows(tables.QUALITY, quality_file(plan.campaign.results, "m1"))
    assert rows[0]["frames"] == 256 < block_frames(RATE, needs.resolution_hz)
    spectra.run(plan, "bg1")
    for session in plan.sessions:
        from tapeline.jobs.sensitivity import run as sensitivity

        sensitivity.run(plan, session)
        verdicts.run(plan, session)
    catalogue.run(plan)
    table = parquet.read_rows(tables.QUALITY, campaign_table(plan.campaign.results, "quality"))
    assert {tuple(row["reasons"]) for row in table if row["run"] == "m1"} == {("too-short",)}
    assert "0.020 s are no whole block" in table[0]["sentences"][0]


def test_a_verdict_set_by_hand_counts_and_says_who_and_why(tmp_path: Path) -> None:
    samples = volts()
    samples[8_000:8_200, 1] = samples[8_000, 1]
    quality_of(tmp_path, samples, "FLOAT")
    (tmp_path / "config" / "overrides.csv").write_text(
        "run,position,verdict,reason,who\nm1,seam2,good,the hold lies outside the bands asked for,A. Nyone\n"
        "m1,,unusable,tape came off,B. Body\n"
    )
    plan = Plan(load_campaign(tmp_path, check=False))
    spectra.run(plan, "bg1")
    verdicts.run(plan, "april")
    rows = {
        (row["run"], row["position"]): row
        for row in parquet.read_rows(tables.QUALITY, verdicts_file(plan.campaign.results, "april"))
    }
    one = rows["m1", "seam2"]
    assert (one["verdict"], one["found_verdict"], one["overruled_by"]) == ("good", "doubtful", "A. Nyone")
    assert one["reasons"] == ["dropout", "overruled"]
    assert one["sentences"][1] == (
        "position seam2: doubtful was found, good set by A. Nyone: the hold lies outside the bands asked for"
    )
    assert rows["m1", "seam1"]["verdict"] == rows["m1", "seam3"]["verdict"] == "unusable"
    assert rows["bg1", "seam1"]["verdict"] == "good"
    assert rows["bg1", "seam1"]["overruled_by"] is None


def test_every_reason_is_reached_somewhere() -> None:
    """Codes named in the tests of quality, calibration and recordings are all that there are."""
    tests = Path(__file__).resolve().parents[1]
    folders = ("quality", "calibration", "recordings")
    paths = (path for name in folders for path in (tests / name).glob("*.py"))
    texts = "".join(path.read_text(encoding="utf-8") for path in paths)
    assert {code for code in REASONS if f'"{code}"' not in texts} == set()
    assert set(REASONS) >= FILE_FAULTS
