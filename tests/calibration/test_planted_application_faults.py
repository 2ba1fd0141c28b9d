"""Every fault planted into synthetic calibrator recordings is named where it is, and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
import soundfile
from random_applications import FULL_SCALE_V, Applications, Session

from tapeline.campaign.plan import Channel, Source

CHANNELS = 6
ASKED = list(range(CHANNELS))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session(seed=11, channels=CHANNELS, folder=tmp_path)


def reasons(rows: list[dict[str, Any]]) -> dict[str, list[str]]:
    """Reasons by position, of those that have any."""
    return {row["position"]: row["reasons"] for row in rows if row["reasons"]}


def sentences(rows: list[dict[str, Any]]) -> str:
    return "\n".join(sentence for row in rows for sentence in row["sentences"])


def rows_with(session: Session, applications: Applications, **changes: Any) -> list[dict[str, Any]]:
    """Rows of the checks table of one recording."""
    session.write("check", applications)
    return session.checks_table([session.check("check", "before", applications, **changes)])


def test_a_healthy_recording_has_no_reason(session: Session) -> None:
    assert reasons(rows_with(session, Applications(ASKED, ASKED))) == {}


def test_a_short_application(session: Session) -> None:
    rows = rows_with(session, Applications(ASKED, ASKED, lengths_s={2: 0.8}))
    assert reasons(rows) == {"p3": ["too-short-tone"]}
    assert "s of steady tone, 1 s are needed" in sentences(rows)


def wandering(time: np.ndarray, tone: np.ndarray) -> np.ndarray:
    return tone * 10.0 ** (0.8 * np.sin(2.0 * np.pi * 1.1 * time) / 20.0)


def test_a_wandering_application(session: Session) -> None:
    rows = rows_with(session, Applications(ASKED, ASKED, waves={2: wandering}, lengths_s={2: 4.0}))
    assert reasons(rows) == {"p3": ["unsteady-tone"]}


def test_an_application_in_too_much_noise(session: Session) -> None:
    """The octave about 250 Hz is 177 of 6,400 Hz wide and holds 15.6 dB less than all: 18 dB below the tone."""
    rows = rows_with(session, Applications([1], [1], noise_pa=10.0 ** (-2.4 / 20.0) * session.pascals()))
    assert "noisy-tone" in reasons(rows)["p2"]
    assert rows[0]["tone_to_noise_db"] == pytest.approx(18.0, abs=1.0)


def changed(session: Session, name: str, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> None:
    """Rewrite a recording: `change` gets time and samples in volts over the tone's crest, shape (frames, channels)."""
    path = session.folder / f"{name}.wav"
    samples, rate = soundfile.read(path, always_2d=True)
    crest = np.sqrt(2.0) * session.pascals() * session.sensitivity * 10.0 ** (session.gain_db / 20.0) / FULL_SCALE_V
    time = np.arange(len(samples)) / rate
    soundfile.write(path, change(time[:, None], samples / crest) * crest, rate, subtype="FLOAT")


@pytest.mark.parametrize("share_db", [-10.0, 0.0, 10.0])
def test_rumble_far_below_the_tone_does_no_harm(session: Session, share_db: float) -> None:
    """Noise below 30 Hz, up to 10 dB louder than the tone; and mains hum at 50 Hz as loud as it."""
    session.gain_db -= 20.0
    applications = Applications(ASKED, ASKED)
    session.write("check", applications)
    lowpass = scipy.signal.butter(4, 30.0, fs=session.rate_hz, output="sos")

    def with_rumble(time: np.ndarray, samples: np.ndarray) -> np.ndarray:
        rumble = scipy.signal.sosfilt(lowpass, np.random.default_rng(1).normal(size=samples.shape), axis=0)
        hum = np.sin(2.0 * np.pi * 50.0 * time)
        return samples + 10.0 ** (share_db / 20.0) * (rumble / rumble.std() / np.sqrt(2.0) + hum)

    changed(session, "check", with_rumble)
    rows = session.checks_table([session.check("check", "before", applications)], float_channels(session))
    assert reasons(rows) == {}
    assert largest_error_db(session, rows) < 0.02


def float_channels(session: Session) -> list[Channel]:
    return [session.channel(c) for c in ASKED]


def largest_error_db(session: Session, rows: list[dict[str, Any]]) -> float:
    found = np.array([row["sensitivity_v_per_pa"] for row in sorted(rows, key=lambda row: row["channel"])])
    return float(np.abs(20.0 * np.log10(found / session.sensitivity)).max())


@pytest.mark.parametrize(("share_db", "named"), [(-37.0, True), (-50.0, False)])
def test_hum_at_the_calibrators_frequency(session: Session, share_db: float, named: bool) -> None:
    """The fifth harmonic of 50 Hz is 250 Hz: 37 dB below the tone it moves a level by up to 0.12 dB."""
    session.tone_hz = 250.4
    applications = Applications(ASKED, ASKED)
    session.write("check", applications)
    changed(session, "check", lambda t, x: x + 10.0 ** (share_db / 20.0) * np.sin(2.0 * np.pi * 250.0 * t))
    rows = session.checks_table([session.check("check", "before", applications)])
    assert reasons(rows) == ({session.position(c): ["background-tone"] for c in ASKED} if named else {})
    terms = dict(zip(rows[0]["terms"], rows[0]["terms_db"], strict=True))
    assert terms["background tone"] == pytest.approx(8.686 * 10.0 ** (share_db / 20.0) / np.sqrt(2.0), rel=0.3)
    assert rows[0]["background_tone_db"] == pytest.approx(share_db, abs=3.0)


def test_samples_that_are_no_numbers_harm_only_their_channel(session: Session) -> None:
    applications = Applications([0, 1, 3, 4, 5], ASKED)
    session.write("check", applications)

    def broken(_: np.ndarray, samples: np.ndarray) -> np.ndarray:
        samples[:, 2] = np.nan
        samples[100, 4] = np.inf
        return samples

    changed(session, "check", broken)
    rows = session.checks_table([session.check("check", "before", applications)])
    assert reasons(rows) == {"p3": ["no-tone", "tone-not-finite"], "p5": ["tone-not-finite"]}
    assert "position p5: 1 of " in sentences(rows)
    assert {row["position"] for row in rows if row["found"]} == {"p1", "p2", "p4", "p5", "p6"}


def test_two_channels_calibrated_together(session: Session) -> None:
    """Both hang on one input, or two couplers are fed at once: neither can be told from the other's leak."""
    applications = Applications([0, 1, 2, 3, 4], ASKED)
    session.write("check", applications)

    def joined(_: np.ndarray, samples: np.ndarray) -> np.ndarray:
        samples[:, 5] = samples[:, 1]
        return samples

    changed(session, "check", joined)
    rows = session.checks_table([session.check("check", "before", applications)])
    assert reasons(rows) == {"p2": ["tone-on-two-channels"], "p6": ["tone-on-two-channels"]}
    assert "position p2: it carried the tone at the same time as p6" in sentences(rows)


def test_integer_samples_of_unknown_full_scale_give_no_sensitivity(session: Session) -> None:
    channels = [session.channel(c, full_scale_v=None if c == 1 else FULL_SCALE_V) for c in ASKED]
    applications = Applications(ASKED, ASKED)
    session.write("check", applications)
    rows = session.checks_table([session.check("check", "before", applications)], channels)
    assert reasons(rows) == {"p2": ["full-scale-unknown"]}
    assert "position p2: 24-bit samples need full_scale_v in the fittings table" in sentences(rows)
    row = session.calibration_table(rows, channels)["p2"]
    assert (row["source"], row["before_v_per_pa"]) == ("chart", None)


def test_a_calibrator_above_half_the_sampling_rate(session: Session) -> None:
    rows = rows_with(session, Applications([0], [0]), frequency_hz=8000.0)
    assert "position p1: 12800 samples a second hold no tone of 8000 Hz" in sentences(rows)


def test_a_used_part_shorter_than_an_application(session: Session) -> None:
    source = Source("check", ("check.wav",), None, 1.5, 1.6, None)
    rows = rows_with(session, Applications([0], [0]), source=source)
    assert "position p1: the used part lasts 0.1 s, 1 s of tone are needed" in sentences(rows)


def test_unstated_sensors_with_a_strong_leak_keep_their_own_applications(session: Session) -> None:
    """50, 4, 20 and 8 mV/Pa without a table, each hearing the others at -15 dB: a long leak is no application."""
    session.sensitivity[:4] = 0.05, 0.004, 0.02, 0.008
    session.gain_db = -10.0
    applications = Applications([0, 1, 2, 3], [0, 1, 2, 3], lengths_s={0: 5.0, 1: 2.5, 2: 5.0, 3: 2.5}, leak_db=-15.0)
    session.write("check", applications)
    channels = [session.channel(c, sensitivity_v_per_pa=None) for c in range(4)]
    rows = session.checks_table([session.check("check", "before", applications)], channels)
    assert reasons(rows) == {}
    session.sensitivity = session.sensitivity[:4]
    assert largest_error_db(session, rows) < 0.03


def test_a_tone_beside_the_calibrators_frequency(session: Session) -> None:
    rows = rows_with(session, Applications(ASKED, ASKED, nominal_hz=257.0))
    assert reasons(rows) == {session.position(c): ["off-frequency"] for c in ASKED}
    assert "calibrator gives 250 Hz" in sentences(rows)


def distorted(time: np.ndarray, tone: np.ndarray) -> np.ndarray:
    largest = np.abs(tone).max()
    return tone + 0.045 * (2.0 * tone**2 / largest - largest * np.sign(np.abs(tone)))


def test_a_distorted_tone(session: Session) -> None:
    rows = rows_with(session, Applications(ASKED, ASKED, waves={4: distorted}))
    assert reasons(rows) == {"p5": ["distorted-tone"]}
    assert next(row for row in rows if row["position"] == "p5")["distortion_pct"] == pytest.approx(4.5, abs=1.3)


@pytest.mark.parametrize("share", [0.97, 0.94, 0.7])
def test_a_tone_cut_off_below_full_scale(session: Session, share: float) -> None:
    """A conditioner that limits: crests at a share of the tone's own."""
    rows = rows_with(session, Applications(ASKED, ASKED, cut_at={3: share}))
    assert list(reasons(rows)) == ["p4"]
    assert reasons(rows)["p4"][0] == "clipped-tone"


def test_a_tone_cut_off_by_the_recorder(session: Session) -> None:
    crest = np.sqrt(2.0) * session.pascals() * session.sensitivity
    over = np.ceil(20.0 * np.log10(10.0 / crest[1])) + 1.0
    session.gain_db = float(over)
    rows = rows_with(session, Applications([1], [1]))
    assert reasons(rows)["p2"][0] == "clipped-tone"


def test_another_calibrator_than_named(session: Session) -> None:
    """250 Hz is stated, 1 kHz is heard: the frequency tells, and which calibrator of the table has it."""
    rows = rows_with(session, Applications(ASKED, ASKED, nominal_hz=998.0, level_off_db=-30.0))
    assert reasons(rows) == {session.position(c): ["no-tone", "wrong-tone"] for c in ASKED}
    assert "the tone of calibrator spare; calibrator main gives 250 Hz" in sentences(rows)
    table = session.calibration_table(rows)
    assert {row["source"] for row in table.values()} == {"chart"}
    assert table["p1"]["reasons"] == ["no-tone", "wrong-tone", "no-check"]
    assert (
        table["p1"]["why"]
        == "sensor table's sensitivity: there is no usable check; refused before: no-tone, wrong-tone"
    )


@pytest.mark.parametrize("stated", [ASKED, []])
def test_a_recording_without_any_tone(session: Session, stated: list[int]) -> None:
    rows = rows_with(session, Applications(ASKED, stated, silent=True))
    assert reasons(rows) == {session.position(c): ["no-tone"] for c in ASKED}
    assert not any(row["found"] for row in rows)


def test_nothing_left_makes_the_channel_unusable(session: Session) -> None:
    applications = Applications(ASKED, ASKED, silent=True)
    session.write("check", applications)
    channels = [session.channel(c, sensitivity_v_per_pa=None) for c in ASKED]
    rows = session.checks_table([session.check("check", "before", applications)], channels)
    table = session.calibration_table(rows, channels)
    assert {row["verdict"] for row in table.values()} == {"unusable"}
    assert table["p1"]["sensitivity_v_per_pa"] is None
    assert table["p1"]["reasons"] == ["no-tone", "no-sensitivity", "no-chart"]


def test_fewer_channels_than_fitted(session: Session) -> None:
    rows = rows_with(session, Applications([0, 1, 2, 3], ASKED, channels_written=4))
    assert reasons(rows) == {"p5": ["channel-missing"], "p6": ["channel-missing"]}
    assert "position p6: it is on channel 6 of 4" in sentences(rows)


@pytest.mark.parametrize("off_db", [-20.0, -10.0, -6.0, 6.0])
def test_a_gain_that_is_not_the_one_entered(session: Session, off_db: float) -> None:
    """Less gain on every channel than the tables say: whether in the runs too, nobody can tell."""
    applications = Applications(ASKED, ASKED, level_off_db=off_db)
    rows = rows_with(session, applications)
    assert reasons(rows) == {session.position(c): ["level-off"] for c in ASKED}
    assert "dB from what the sensor table, full scale and gain let expect" in sentences(rows)
    table = session.calibration_table(rows)
    assert {row["source"] for row in table.values()} == {"none"}
    assert {row["verdict"] for row in table.values()} == {"unusable"}
    assert table["p1"]["reasons"] == ["level-off", "contradicted"]
    assert "correct gain_db, full_scale_v or the sensitivity" in table["p1"]["sentences"][1]


def test_one_sound_check_settles_a_contradiction(session: Session) -> None:
    good, off = Applications(ASKED, ASKED), Applications(ASKED, ASKED, level_off_db=-20.0)
    session.write("one", off)
    session.write("two", good)
    rows = session.checks_table([session.check("one", "before", off), session.check("two", "after", good)])
    table = session.calibration_table(rows)
    assert {row["source"] for row in table.values()} == {"after"}
    assert table["p1"]["reasons"] == ["level-off", "no-check-before"]


def test_checks_of_one_stage_that_differ(session: Session) -> None:
    """1.5 dB between two recordings before: named, in the uncertainty, and not blamed on drift."""
    good, low = Applications(ASKED, ASKED), Applications([1], [1], level_off_db=-1.5)
    session.write("one", good)
    session.write("two", low)
    session.write("three", good)
    checks = (("one", "before", good), ("two", "before", low), ("three", "after", good))
    table = session.calibration_table(session.checks_table([session.check(*check) for check in checks]))
    assert table["p2"]["reasons"] == ["checks-differ"]
    assert table["p2"]["sentences"][0].startswith("position p2: checks before the runs differ: -1.50 dB in two against")
    terms = dict(zip(table["p2"]["terms"], table["p2"]["terms_db"], strict=True))
    assert terms["spread of checks"] == pytest.approx(0.75 / np.sqrt(3.0) / 2.0, abs=0.003)
    assert {name for name, row in table.items() if row["reasons"]} == {"p2"}


def leaky(time: np.ndarray, tone: np.ndarray) -> np.ndarray:
    return tone * 10.0 ** ((-0.9 + 0.11 * np.sin(2.0 * np.pi * 0.35 * time)) / 20.0)


def test_a_leaky_fit_is_low_and_unsteady(session: Session) -> None:
    rows = rows_with(session, Applications(ASKED, ASKED, waves={1: leaky}, lengths_s={1: 5.0}))
    assert list(reasons(rows)) == ["p2"]
    assert "leak" in reasons(rows)["p2"]
    assert "the coupler may leak" in sentences(rows)


def test_a_sensor_that_is_low_but_steady_is_no_leak(session: Session) -> None:
    session.sensitivity[1] = session.chart[1] * 10.0 ** (-0.9 / 20.0)
    assert reasons(rows_with(session, Applications(ASKED, ASKED))) == {}


@pytest.mark.parametrize(
    ("calibrated", "named"),
    [
        ([0, 2, 1, 3, 4, 5], {"p2": ["swapped"], "p3": ["swapped"]}),
        ([0, 1, 2, 2, 4, 5], {"p3": ["calibrated-twice"], "p4": ["no-tone", "calibrator-on-another-channel"]}),
        ([0, 1, 3, 4, 5], {"p3": ["no-tone"]}),
        ([0, 1, 2, 3, 0, 4, 5], {"p1": ["calibrated-twice"]}),
        ([5, 4, 3, 2, 1, 0], {"p6": ["other-order"]}),
        ([4, 3, 2, 1, 0], {"p5": ["other-order"], "p6": ["no-tone"]}),
        ([2, 1, 0], {"p3": ["other-order"], "p4": ["no-tone"], "p5": ["no-tone"], "p6": ["no-tone"]}),
    ],
)
def test_the_sequence_against_the_list(session: Session, calibrated: list[int], named: dict[str, list[str]]) -> None:
    assert reasons(rows_with(session, Applications(calibrated, ASKED))) == named


def test_one_not_listed_in_place_of_one_listed(session: Session) -> None:
    rows = rows_with(session, Applications([0, 1, 5, 3, 4], [0, 1, 2, 3, 4]))
    assert reasons(rows) == {
        "p3": ["no-tone", "calibrator-on-another-channel"],
        "p6": ["calibrator-on-another-channel"],
    }
    assert "position p6 was calibrated when p3 was due" in sentences(rows)
    table = session.calibration_table(rows)
    assert table["p6"]["source"] == table["p3"]["source"] == "chart", "whose tone it was, nobody can tell"
    assert "positions-exchanged" in table["p3"]["reasons"]
    assert "positions-exchanged" in table["p6"]["reasons"]


def test_two_applications_of_one_channel_that_differ(session: Session) -> None:
    turns = iter((0.0, -0.4))

    def second_lower(_: np.ndarray, tone: np.ndarray) -> np.ndarray:
        return tone * 10.0 ** (next(turns) / 20.0)

    applications = Applications([0, 1, 2, 3, 1, 4, 5], ASKED, waves={1: second_lower})
    assert reasons(rows_with(session, applications)) == {"p2": ["applications-differ", "calibrated-twice"]}


def test_a_closed_coupler_without_static_pressure(session: Session) -> None:
    session.static_pressure_hpa = None
    rows = rows_with(session, Applications(ASKED, ASKED))
    assert reasons(rows) == {session.position(c): ["static-pressure-missing"] for c in ASKED}
    assert all(dict(zip(r["terms"], r["terms_db"], strict=True))["static pressure"] == 0.3 for r in rows)
    table = session.calibration_table(rows, None, common_deviation_limit_db=0.2)
    assert "common-deviation" in table["p1"]["reasons"], "-0.25 dB of air pressure lie on all sensors alike"


def both_stages(session: Session, drift_db: dict[int, float]) -> dict[str, dict[str, Any]]:
    applications = Applications(ASKED, ASKED)
    session.write("one", applications)
    session.write("two", applications, drift_db)
    rows = session.checks_table(
        [session.check("one", "before", applications), session.check("two", "after", applications)]
    )
    return session.calibration_table(rows)


def test_drift_of_one_sensor(session: Session) -> None:
    table = both_stages(session, {3: -0.8})
    assert {name: row["reasons"] for name, row in table.items() if row["reasons"]} == {"p4": ["drift"]}
    assert table["p4"]["drift_db"] == pytest.approx(-0.8, abs=0.01)


def test_drift_of_all_sensors_together_is_not_blamed_on_them(session: Session) -> None:
    table = both_stages(session, dict.fromkeys(ASKED, -0.7) | {3: 0.1})
    assert {name: row["reasons"] for name, row in table.items()} == {
        name: ["drift", "common-shift"] if name == "p4" else ["common-shift"] for name in table
    }
    assert table["p1"]["session_drift_db"] == pytest.approx(-0.7, abs=0.01)
    assert "suspect the calibrator or the air pressure, not the sensors" in table["p1"]["sentences"][0]
    assert table["p4"]["sentences"][0].endswith("; all in the median -0.70 dB, beside them +0.80 dB")


@pytest.mark.parametrize(
    ("other", "named"),
    [(0.0045, ["deviation", "charts-exchanged"]), (0.006, ["level-off", "contradicted", "charts-exchanged"])],
)
def test_sensors_that_fit_each_others_charts(session: Session, other: float, named: list[str]) -> None:
    session.chart[2], session.chart[4] = 0.003, other
    session.sensitivity[2], session.sensitivity[4] = 1.02 * other, 0.00305
    table = both_stages(session, {})
    assert table["p3"]["reasons"] == table["p5"]["reasons"] == named
    assert "fits the chart of the one at p5" in table["p3"]["sentences"][-1]
    assert [row["reasons"] for name, row in table.items() if name not in ("p3", "p5")] == [[]] * 4


def test_a_chart_that_does_not_reach_the_tone(session: Session) -> None:
    channels = [session.channel(c) for c in ASKED]
    channels[2] = session.channel(2, chart_hz=(400.0, 8000.0), chart_db=(0.0, 1.0))
    applications = Applications(ASKED, ASKED)
    session.write("check", applications)
    rows = session.checks_table([session.check("check", "before", applications)], channels)
    assert reasons(rows) == {"p3": ["chart-misses-tone"]}
    row = next(row for row in rows if row["position"] == "p3")
    assert row["found"]
    assert row["terms"][-1] == "chart between tone and reference"
