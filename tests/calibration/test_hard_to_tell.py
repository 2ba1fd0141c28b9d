"""Leaks, hum, wrong gains or a wandering level that might be taken for an application, or one for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from calibrator_recordings import SENSITIVITIES_V_PER_PA, channel, recorded, rows_of

IN_TURN = [(0, 1.0, 3.5), (1, 5.0, 7.5), (2, 9.0, 11.5), (3, 13.0, 15.5)]
LISTED = ("p1", "p2", "p3", "p4")
SECONDS = 17.0


def off_db(row: dict[str, object]) -> float:
    """Sensitivity found over the true one."""
    return float(20 * np.log10(float(row["sensitivity_v_per_pa"]) / SENSITIVITIES_V_PER_PA[int(row["channel"]) - 1]))  # type: ignore[arg-type,call-overload]


@pytest.mark.parametrize("listed", [LISTED, ()])
@pytest.mark.parametrize(("gain_db", "leak_db"), [(26.0, -30.0), (20.0, -20.0), (12.0, -15.0), (-20.0, -20.0)])
def test_one_wrong_gain_harms_no_neighbour(
    tmp_path: Path, gain_db: float, leak_db: float, listed: tuple[str, ...]
) -> None:
    """Its leaks are as loud as applications, or its own as faint as leaks; the loudest of each channel tells."""
    recorded(tmp_path / "c.wav", IN_TURN, seconds=SECONDS, leak_db=leak_db, extra_gain_db={1: gain_db})
    rows = rows_of(tmp_path / "c.wav", listed)
    assert {name: row["reasons"] for name, row in rows.items() if row["reasons"]} == {"p2": ["level-off"]}
    assert off_db(rows["p2"]) == pytest.approx(gain_db, abs=0.02)
    assert all(abs(off_db(rows[name])) < 0.02 for name in ("p1", "p3", "p4"))


def test_a_leak_from_a_channel_that_is_not_fitted_is_no_application(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", IN_TURN[:1] + IN_TURN[2:], seconds=SECONDS, leak_db=-20.0)
    fitted = (channel(2), channel(3), channel(4))
    for listed in (("p3", "p4"), ()):
        rows = rows_of(tmp_path / "c.wav", listed, fitted)
        assert {name: row["reasons"] for name, row in rows.items()} == {"p3": [], "p4": []}


def test_hum_on_a_channel_that_was_not_calibrated_is_no_application(tmp_path: Path) -> None:
    applications = [(0, 1.0, 3.5), (2, 6.0, 8.5), (3, 11.0, 13.5)]
    for hum_db, fitted in ((-25.0, None), (-40.0, channel(2, sensitivity_v_per_pa=None))):
        recorded(tmp_path / "c.wav", applications, seconds=SECONDS, leak_db=-50.0, hum_db={1: hum_db})
        channels = (channel(1), fitted or channel(2), channel(3), channel(4))
        rows = rows_of(tmp_path / "c.wav", (), channels)
        assert {name: row["reasons"] for name, row in rows.items()} == {"p1": [], "p3": [], "p4": []}
        missed = rows_of(tmp_path / "c.wav", LISTED, channels)["p2"]
        assert (missed["found"], missed["reasons"]) == (False, ["no-tone"])


def test_an_unlisted_tone_of_an_unstated_sensor_is_not_used(tmp_path: Path) -> None:
    """The leak of an application whose channel, 30 dB low, is not heard itself."""
    recorded(tmp_path / "c.wav", IN_TURN[1:], seconds=SECONDS, leak_db=-15.0, extra_gain_db={1: -30.0})
    fitted = (channel(1, sensitivity_v_per_pa=None), channel(2), channel(3), channel(4))
    row = rows_of(tmp_path / "c.wav", LISTED[1:], fitted)["p1"]
    assert row["reasons"] == ["calibrator-on-another-channel", "leak-or-application"]
    assert "cannot be told from a neighbour's leak" in row["sentences"][1]


def test_a_level_that_steps_or_climbs_is_unsteady(tmp_path: Path) -> None:
    def stepped(number: int, time: np.ndarray, tone: np.ndarray) -> np.ndarray:
        return np.where((number == 1) & (time < 1.3), 10 ** (-1 / 20), 1.0) * tone

    def climbing(number: int, time: np.ndarray, tone: np.ndarray) -> np.ndarray:
        return 10 ** ((0.25 * (time - 2.5) if number == 1 else 0.0 * time) / 20) * tone

    recorded(tmp_path / "c.wav", IN_TURN, seconds=SECONDS, wave=stepped)
    row = rows_of(tmp_path / "c.wav", LISTED)["p2"]
    assert row["reasons"] == ["unsteady-tone"]
    assert "s of tone are steady, the other" in row["sentences"][0]
    assert "from them (limit 0.2 dB)" in row["sentences"][0]
    recorded(tmp_path / "c.wav", [(0, 1.0, 3.5), (1, 5.0, 9.0)], seconds=SECONDS, wave=climbing)
    assert rows_of(tmp_path / "c.wav", ("p1", "p2"))["p2"]["reasons"] == ["unsteady-tone"]


def test_a_trend_within_the_steady_part_widens_the_uncertainty(tmp_path: Path) -> None:
    """0.2 dB over the application: 0.2 / (2 sqrt 3) = 0.058 dB (GUM, 4.3.7)."""

    def climbing(_: int, time: np.ndarray, tone: np.ndarray) -> np.ndarray:
        return 10 ** (0.05 * time / 20) * tone

    recorded(tmp_path / "c.wav", [(0, 1.0, 5.0)], seconds=7.0, wave=climbing)
    row = rows_of(tmp_path / "c.wav")["p1"]
    fit = dict(zip(row["terms"], row["terms_db"], strict=True))["sine fit"]
    assert row["reasons"] == []
    rectangle = 0.05 * 0.5 * row["level_count"] / (2 * np.sqrt(3))
    assert fit == pytest.approx(np.hypot(rectangle, row["unsteadiness_db"] / np.sqrt(row["level_count"])), rel=0.02)


def test_a_sound_application_is_taken_where_a_longer_one_is_refused(tmp_path: Path) -> None:
    def distorted(number: int, _: np.ndarray, tone: np.ndarray) -> np.ndarray:
        return tone + 0.06 * tone**2 if number == 0 else tone

    recorded(tmp_path / "c.wav", [(0, 1.0, 5.0), (0, 7.0, 9.5)], wave=distorted)
    row = rows_of(tmp_path / "c.wav")["p1"]
    assert row["reasons"] == ["other-application-refused"]
    assert row["sentences"][0].startswith("position p1: a longer application was refused: harmonics make 4.")
    assert off_db(row) == pytest.approx(0.0, abs=0.02)
    assert row["start_s"] > 6.9


@pytest.mark.parametrize("steps", [30, 50, 80, 300])
def test_few_converter_steps_are_no_clipping(tmp_path: Path, steps: int) -> None:
    gain_db = 20 * np.log10(steps / 32768 * 10.0 / (1.0024 * np.sqrt(2) * 0.1))
    recorded(tmp_path / "c.wav", [(0, 1.0, 4.0)], noise_pa=1e-4, extra_gain_db={0: float(gain_db)}, subtype="PCM_16")
    row = rows_of(tmp_path / "c.wav", ("p1",), (channel(1, gain_db=20.0 + float(gain_db)),))["p1"]
    assert row["reasons"] == []
    assert off_db(row) == pytest.approx(0.0, abs=0.03)


def test_an_overloaded_recorder_is_no_contradiction(tmp_path: Path) -> None:
    """All entries are right, the calibrator is 13 dB too much for the range: the tone is low because it is cut."""
    fitted = (channel(1, gain_db=70.0),)
    recorded(tmp_path / "c.wav", [(0, 1.0, 4.0)], extra_gain_db={0: 50.0}, leak_db=-80.0)
    row = rows_of(tmp_path / "c.wav", ("p1",), fitted)["p1"]
    assert off_db(row) < -5.0
    assert row["reasons"][0] == "clipped-tone"
    assert "level-off" not in row["reasons"]


def test_channels_that_a_recording_does_not_list_are_not_missed_in_it(tmp_path: Path) -> None:
    recorded(tmp_path / "c.wav", IN_TURN[:2], channels=2, seconds=SECONDS)
    assert sorted(rows_of(tmp_path / "c.wav", ("p1", "p2"))) == ["p1", "p2"]
    assert sorted(rows_of(tmp_path / "c.wav")) == ["p1", "p2", "p3", "p4"]


def test_another_calibrators_tone_must_stop_to_be_one(tmp_path: Path) -> None:
    """Mains hum of 250 Hz on a forgotten channel beside applications of 1 kHz."""
    recorded(tmp_path / "c.wav", [(0, 1.0, 3.5), (2, 5.0, 7.5)], leak_db=-50.0)
    samples, rate = soundfile.read(tmp_path / "c.wav", always_2d=True)
    samples[:, 1] += 1e-4 * np.sin(2 * np.pi * 250.0 * np.arange(len(samples)) / rate)
    soundfile.write(tmp_path / "c.wav", samples, rate, subtype="PCM_24")
    assert rows_of(tmp_path / "c.wav", ("p1", "p2", "p3"))["p2"]["reasons"] == ["no-tone"]


def test_a_low_sensor_in_noise_is_no_leak(tmp_path: Path) -> None:
    """Alone in its recording and 0.6 dB below the table: the noise beside the tone explains how it scatters."""
    for seconds in (4.0, 8.0):
        recorded(
            tmp_path / "c.wav",
            [(0, 1.0, 1.0 + seconds)],
            hz=250.0,
            noise_pa=0.4,
            extra_gain_db={0: -0.6},
            leak_db=-60.0,
        )
        row = rows_of(tmp_path / "c.wav", ("p1",), frequency_hz=250.0)["p1"]
        assert row["unsteadiness_db"] > 0.05, "as unsteady as a leak"
        assert row["reasons"] == []


@pytest.mark.parametrize(("rate", "hz"), [(8000.0, 250.0), (8000.0, 1000.0), (48_000.0, 1000.0)])
def test_whole_periods_of_few_samples_are_no_clipping(tmp_path: Path, rate: float, hz: float) -> None:
    """8, 32 or 48 samples a period, always at the same moments of it."""
    recorded(tmp_path / "c.wav", [(0, 1.0, 4.0)], hz=hz, rate=rate, seconds=6.0, noise_pa=0.005)
    assert rows_of(tmp_path / "c.wav", ("p1",), frequency_hz=hz)["p1"]["reasons"] == []
