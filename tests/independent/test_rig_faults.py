"""Planted faults: each is found with a fitting reason, and no clean channel gets one."""

import pandas as pd
import pyarrow as pa
import pytest
from rig_campaign import POSITIONS
from rig_faults import FaultTruth
from rig_judgement import session_tables, table

from conftest import Finished
from tapeline.quality.reasons import REASONS

pytestmark = [pytest.mark.workflow, pytest.mark.long]

CHANNEL_REASONS = {
    ("mixed", "duct-a"): ("overload", "unusable"),
    ("mixed", "duct-b"): ("limiting", "unusable"),
    ("mixed", "duct-c"): ("dropout", "doubtful"),
    ("mixed", "slot-a"): ("dead", "unusable"),
    ("still", "slot-b"): ("dead", "unusable"),
    ("still", "slot-c"): ("dead", "unusable"),
    ("holes", "slot-c"): ("not-finite", "unusable"),
}
RECORDING_REASONS = {
    "short": "recording-cut",
    "missing": "recording-missing",
    "empty": "recording-empty",
    "text": "recording-unreadable",
    "channels": "recording-cut",
    "flac": "recording-unreadable",
    "novolts": "full-scale-unknown",
}
SUBTLE = "subtle"
"""Hum, spikes, a level that drifts within the run and a channel far from its neighbours."""


@pytest.fixture(scope="module")
def bad_day(bad_day_run: tuple[FaultTruth, Finished]) -> FaultTruth:
    truth, finished = bad_day_run
    assert (truth.folder / "results" / "report.html").exists(), finished.output[-3000:]
    return truth


@pytest.fixture(scope="module")
def quality(bad_day: FaultTruth) -> pd.DataFrame:
    return table(bad_day.folder, "quality").set_index(["run", "position"])


def test_status_is_three_where_recordings_were_left_out(bad_day_run: tuple[FaultTruth, Finished]) -> None:
    _, finished = bad_day_run
    assert finished.status == 3, finished.output[-3000:]


def test_planted_channel_faults_are_found(bad_day: FaultTruth, quality: pd.DataFrame) -> None:
    planted = {place for place in bad_day.channels if place[0] != SUBTLE}
    assert planted == set(CHANNEL_REASONS)
    found = {place: (*quality.reasons[place], quality.verdict[place]) for place in CHANNEL_REASONS}
    assert found == CHANNEL_REASONS
    assert all(len(quality.sentences[place]) == 1 for place in CHANNEL_REASONS)


def test_numbers_behind_the_reasons_are_the_planted_ones(quality: pd.DataFrame) -> None:
    assert quality.dropout_s["mixed", "duct-c"] == pytest.approx(0.020, abs=0.0002)
    assert quality.dropout_first_s["mixed", "duct-c"] == pytest.approx(3.0, abs=0.001)
    assert quality.dropout_count["mixed", "duct-c"] == 1
    assert quality.nonfinite_samples["holes", "slot-c"] == 10
    assert quality.range_use_db["mixed", "duct-a"] == pytest.approx(0.0, abs=0.01)


def test_no_reason_on_clean_channels(bad_day: FaultTruth, quality: pd.DataFrame) -> None:
    clean = [(run, p) for run in bad_day.readable for p in POSITIONS if (run, p) not in bad_day.channels]
    assert len(clean) == 7 * 6 - 4 - 2 - 4 - 1
    assert {place: list(quality.reasons[place]) for place in clean} == {place: [] for place in clean}


@pytest.mark.parametrize(
    ("position", "reason"),
    [("duct-a", "hum"), ("duct-b", "spikes"), ("duct-c", "unsteady"), ("slot-a", "outlier-level")],
)
def test_subtle_channel_faults_are_found(quality: pd.DataFrame, position: str, reason: str) -> None:
    doubts = [code for code in quality.reasons[SUBTLE, position] if REASONS[code].verdict != "good"]
    assert doubts == [reason]
    assert quality.verdict[SUBTLE, position] == "doubtful"


def test_faulty_recordings_are_named_and_left_out(bad_day: FaultTruth, quality: pd.DataFrame) -> None:
    assert set(bad_day.recordings) == set(RECORDING_REASONS)
    for run, reason in RECORDING_REASONS.items():
        rows = quality.loc[run]
        assert all(list(reasons) == [reason] for reasons in rows.reasons), run
        assert set(rows.verdict) == {"unusable"}
        sentence = rows.sentences.iloc[0][0]
        assert run in sentence or reason == "full-scale-unknown"
    bands = session_tables(bad_day.folder, "bands")
    assert not set(bands[bands.level_db.notna()].run) & set(RECORDING_REASONS)


def test_runs_table_calls_lost_recordings_unusable(bad_day: FaultTruth) -> None:
    status = table(bad_day.folder, "runs").set_index("run").status
    assert {run: status[run] for run in RECORDING_REASONS} == dict.fromkeys(RECORDING_REASONS, "unusable")


def test_unusable_channels_enter_no_comparison(bad_day: FaultTruth) -> None:
    comparisons = table(bad_day.folder, "comparisons")
    assert len(comparisons) > 0
    named = {(run, row.position) for row in comparisons.itertuples() for run in row.reference_runs}
    lost = {place for place, (_, verdict) in CHANNEL_REASONS.items() if verdict == "unusable"}
    assert not named & lost
    assert ("mixed", "slot-b") in named
    assert comparisons[comparisons.position == "duct-c"].doubtful.all(), "a doubtful channel took part"


def test_calibration_faults_are_found(bad_day: FaultTruth) -> None:
    calibration = table(bad_day.folder, "calibration").set_index(["session", "position"])
    assert list(calibration.reasons["mishap", "slot-b"]) == ["drift"]
    assert calibration.drift_db["mishap", "slot-b"] == pytest.approx(0.8, abs=0.01)
    # half the drift is the largest error of the mean: a rectangle of that half-width has 0.8 / sqrt(12) dB
    assert calibration.standard_uncertainty_db["mishap", "slot-b"] >= 0.8 / 12**0.5
    assert list(calibration.reasons["mishap", "slot-c"]) == ["no-check"]
    assert calibration.source["mishap", "slot-c"] == "chart"
    for position in POSITIONS[:4]:
        assert list(calibration.reasons["mishap", position]) == []


@pytest.mark.parametrize("position", POSITIONS[:5])
def test_pressure_has_the_true_sign_and_size(bad_day: FaultTruth, position: str) -> None:
    """slot-a is wired with negative polarity. 16-bit samples and a sensitivity within 0.02 dB leave 0.5 %."""
    with pa.OSFile(str(bad_day.folder / "results" / "pressure" / "clean-open.arrow")) as source:
        pressure = pa.ipc.open_file(source).read_all()[position].to_numpy().astype(float)
    true = bad_day.pressure_pa["clean-open", position]
    assert len(pressure) == len(true)
    pressure = pressure - pressure.mean()
    slope = float(pressure @ true / (true @ true))
    assert slope == pytest.approx(1.0, abs=0.005)
    assert float(((pressure - slope * true) ** 2).mean() / (true**2).mean()) < 1e-6
