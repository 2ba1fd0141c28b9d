"""From a calibrator recording on disk to sensitivities and reasons."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from calibrator_recordings import SENSITIVITIES_V_PER_PA, channel, recorded, rows_of

APPLICATIONS = [(0, 1.0, 3.2), (2, 4.6, 6.7), (1, 8.2, 10.4)]


def off_db(row: dict[str, object]) -> float:
    """Sensitivity found over the true one."""
    return float(20 * np.log10(float(row["sensitivity_v_per_pa"]) / SENSITIVITIES_V_PER_PA[int(row["channel"]) - 1]))  # type: ignore[arg-type,call-overload]


@pytest.mark.parametrize(("nominal", "hz", "level"), [(1000.0, 996.3, 94.0), (250.0, 250.6, 124.0)])
@pytest.mark.parametrize("rate", [12_800.0, 44_100.0])
def test_every_calibrated_channel_gets_its_sensitivity(
    tmp_path: Path, nominal: float, hz: float, level: float, rate: float
) -> None:
    """Within 0.01 dB, in whatever order they were calibrated; what was not gives no row."""
    recorded(tmp_path / "c.wav", APPLICATIONS, rate=rate, hz=hz, level_db=level)
    rows = rows_of(tmp_path / "c.wav", level_db=level, frequency_hz=nominal)
    assert sorted(rows) == ["p1", "p2", "p3"]
    for number, start, stop in APPLICATIONS:
        row = rows[f"p{number + 1}"]
        assert row["found"] is True
        assert row["reasons"] == []
        assert off_db(row) == pytest.approx(0.0, abs=0.01)
        assert row["tone_frequency_hz"] == pytest.approx(hz, abs=0.01)
        assert start - 0.06 <= row["start_s"] < row["stop_s"] <= stop + 0.06
        assert row["stop_s"] - row["start_s"] > 0.8 * (stop - start)
        volts = 2e-5 * 10 ** (level / 20) * SENSITIVITIES_V_PER_PA[number] * 10.0
        assert row["tone_rms_v"] == pytest.approx(volts, rel=1e-3)


def test_what_should_have_been_calibrated_is_missed(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", APPLICATIONS)
    rows = rows_of(tmp_path / "c.wav", ("p1", "p2", "p3", "p4"))
    assert rows["p4"]["found"] is False
    assert rows["p4"]["reasons"] == ["no-tone"]
    assert "position p4: no steady tone near 1000 Hz" in rows["p4"]["sentences"]


def test_what_was_calibrated_unasked_is_said(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", APPLICATIONS)
    rows = rows_of(tmp_path / "c.wav", ("p1", "p3"))
    assert rows["p2"]["reasons"] == ["not-listed"]
    assert rows["p1"]["reasons"] == rows["p3"]["reasons"] == []


def test_of_two_applications_the_longer_steady_one_counts(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 1.0, 2.4), (0, 4.0, 7.0)])
    row = rows_of(tmp_path / "c.wav")["p1"]
    assert 3.94 <= row["start_s"] < row["stop_s"] <= 7.06
    assert off_db(row) == pytest.approx(0.0, abs=0.01)


def test_only_the_used_part_is_looked_at(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 1.0, 2.4), (0, 4.0, 7.0)])
    row = rows_of(tmp_path / "c.wav", start_s=0.0, stop_s=3.5)["p1"]
    assert 0.94 <= row["start_s"] < row["stop_s"] <= 2.46
    late = rows_of(tmp_path / "c.wav", start_s=3.0, stop_s=8.0)["p1"]
    assert 3.94 <= late["start_s"] < late["stop_s"] <= 7.06


def test_a_single_channel_needs_no_neighbour(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], channels=1, seconds=7.0)
    assert off_db(rows_of(tmp_path / "c.wav", channels=(channel(1),))["p1"]) == pytest.approx(0.0, abs=0.01)


def test_a_sensor_without_a_stated_sensitivity_is_found_too(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", APPLICATIONS)
    fitted = (channel(1), channel(2, sensitivity_v_per_pa=None), channel(3), channel(4))
    assert off_db(rows_of(tmp_path / "c.wav", channels=fitted)["p2"]) == pytest.approx(0.0, abs=0.01)


def test_a_short_application_is_measured_and_doubted(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 2.0, 2.7)], seconds=6.0)
    row = rows_of(tmp_path / "c.wav")["p1"]
    assert row["reasons"] == ["too-short-tone"]
    assert off_db(row) == pytest.approx(0.0, abs=0.02)


def test_another_calibrator_is_seen_by_its_frequency(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], hz=1027.0, seconds=7.0)
    row = rows_of(tmp_path / "c.wav")["p1"]
    assert row["reasons"] == ["off-frequency"]
    assert row["tone_frequency_hz"] == pytest.approx(1027.0, abs=0.01)


def test_too_much_noise_beside_the_tone_is_said(tmp_path: Path) -> None:
    """0.45 Pa up to 6.4 kHz leave 0.15 Pa in the octave about 1 kHz, 707 Hz wide."""
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], noise_pa=0.45, seconds=7.0)
    row = rows_of(tmp_path / "c.wav")["p1"]
    assert "noisy-tone" in row["reasons"]
    assert row["tone_to_noise_db"] == pytest.approx(20 * np.log10(1.0024 / (0.45 * np.sqrt(707 / 6400))), abs=0.4)


def test_a_closed_coupler_follows_static_pressure(tmp_path: Path) -> None:
    """950 hPa: -0.560 dB on the level (20 lg(p / 101.325 kPa)), so the same volts mean a larger sensitivity."""
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], hz=250.0, level_db=124.0 - 0.5599, seconds=7.0)
    known = {"level_db": 124.0, "frequency_hz": 250.0, "closed_coupler": True}
    row = rows_of(tmp_path / "c.wav", static_pressure_hpa=950.0, **known)["p1"]
    assert row["static_pressure_correction_db"] == pytest.approx(-0.5599, abs=1e-4)
    assert row["level_db"] == pytest.approx(123.4401, abs=1e-4)
    assert row["reasons"] == []
    assert off_db(row) == pytest.approx(0.0, abs=0.01)
    unknown = rows_of(tmp_path / "c.wav", **known)["p1"]
    assert unknown["reasons"] == ["static-pressure-missing"]
    assert unknown["standard_uncertainty_db"] == pytest.approx(np.hypot(0.1, 0.3), abs=1e-3)


def test_a_feedback_calibrator_does_not_follow_static_pressure(tmp_path: Path) -> None:
    """IEC 60942 (public texts): a 1 kHz feedback type holds its level within its class."""
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], seconds=7.0)
    row = rows_of(tmp_path / "c.wav", static_pressure_hpa=950.0)["p1"]
    assert row["static_pressure_correction_db"] == 0.0
    assert row["level_db"] == 94.0


def test_adapter_and_chart_response_are_taken_into_account(tmp_path: Path) -> None:
    """An adapter of -0.3 dB, a chart of +0.5 dB at 1 kHz: the sensitivity stands for 0 dB of the chart."""
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], level_db=93.7, seconds=7.0)
    fitted = (channel(1, chart_hz=(100.0, 1000.0, 5000.0), chart_db=(0.0, 0.5, 1.0)),)
    row = rows_of(tmp_path / "c.wav", channels=fitted, adapter_correction_db=-0.3)["p1"]
    assert row["response_db"] == pytest.approx(0.5, abs=0.001)
    assert off_db(row) == pytest.approx(-0.5, abs=0.01)


def test_the_gain_of_the_check_is_taken_off(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], seconds=7.0)
    row = rows_of(tmp_path / "c.wav", channels=(channel(1, gain_db=14.0),))["p1"]
    assert off_db(row) == pytest.approx(6.0, abs=0.01)
    assert row["gain_db"] == 14.0


def test_faults_of_the_recording_are_named_for_every_channel_expected(tmp_path: Path) -> None:
    rows = rows_of(tmp_path / "gone.wav", ("p1", "p2"))
    assert {name: row["reasons"] for name, row in rows.items()} == {
        "p1": ["recording-missing"],
        "p2": ["recording-missing"],
    }
    recorded(tmp_path / "c.wav", [(0, 2.0, 5.0)], channels=2, seconds=7.0)
    rows = rows_of(tmp_path / "c.wav")
    assert [rows[name]["reasons"] for name in ("p1", "p3", "p4")] == [[], ["channel-missing"], ["channel-missing"]]


def test_an_unsteady_tone_widens_the_uncertainty(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", [(0, 1.0, 7.0)], noise_pa=0.08, seconds=9.0)
    row = rows_of(tmp_path / "c.wav")["p1"]
    levels = int((row["stop_s"] - row["start_s"]) / 0.5)
    assert row["unsteadiness_db"] > 0.0
    assert row["background_tone_db"] is None, "noise is no tone"
    fit = dict(zip(row["terms"], row["terms_db"], strict=True))["sine fit"]
    scatter = row["unsteadiness_db"] / np.sqrt(levels)
    assert scatter < fit < 2.0 * scatter, "the trend in it is small"
    assert row["standard_uncertainty_db"] == pytest.approx(np.hypot(0.1, fit), rel=1e-6)
