"""Where a calibrator's tone lies in the recorder's range, two calibrators of different level, deviations confirmed."""

from __future__ import annotations

from pathlib import Path

import pytest
from calibrator_recordings import SENSITIVITIES_V_PER_PA, recorded, rows_of
from random_applications import Applications, Session

from tapeline.calibration.decision import Limits, decide
from tapeline.calibration.evidence import Check, Evidence, linearity_of
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.calibrate import needs as calibrate_needs
from tapeline.statistics.combined_uncertainty import Term

LIMITS = Limits(1.0, 0.5, 0.2, 0.5, 0.2, 0.2, 0.5)
CHART = Term("chart", 0.2, "certificate")


def check(stage: str, decibels: float, level_db: float, calibrator_db: float = 0.1) -> Check:
    """A check some decibels above 10 mV/Pa at a level."""
    terms = (Term("calibrator", calibrator_db, "certificate"),)
    return Check(stage, 0.01 * 10 ** (decibels / 20), terms, {}, f"r{level_db:g}", f"c{level_db:g}", level_db)  # type: ignore[arg-type]


def test_two_levels_give_the_linearity() -> None:
    found = linearity_of([check("before", 0.0, 94.0), check("before", 0.3, 114.0), check("after", 0.1, 94.0)])
    assert found is not None
    assert (found.difference_db, found.step_db, found.same_stage) == (pytest.approx(0.3), 20.0, True)
    assert linearity_of([check("before", 0.0, 94.0), check("after", 0.3, 94.2)]) is None
    apart = linearity_of([check("before", 0.0, 114.0), check("after", 0.3, 94.0)])
    assert apart is not None
    assert (apart.difference_db, apart.same_stage) == (pytest.approx(-0.3), False)


@pytest.mark.parametrize(
    ("apart_db", "calibrator_db", "named"), [(0.49, 0.1, False), (-0.51, 0.1, True), (0.51, 0.2, False)]
)
def test_more_than_half_a_decibel_between_levels_is_doubted(apart_db: float, calibrator_db: float, named: bool) -> None:
    """Two calibrators of 0.2 dB each may differ by 2 sqrt(2) 0.2 = 0.57 dB."""
    checks = tuple(
        check(stage, value, level, calibrator_db)
        for stage in ("before", "after")
        for value, level in ((0.0, 94.0), (apart_db, 114.0))
    )
    found = decide(Evidence(checks, 0.01, CHART, {}), "mean", LIMITS)
    assert ("not-linear" in found.doubts) == named


@pytest.mark.parametrize(
    ("checks", "policy", "named"),
    [
        ((1.3,), "mean", True),
        ((1.3, 1.25), "mean", False),
        ((1.3, 1.25), "chart", True),
        ((0.9,), "mean", False),
    ],
)
def test_a_deviation_is_confirmed_by_a_second_check(checks: tuple[float, ...], policy: str, named: bool) -> None:
    """Nominal entries may be off by more than a decibel, and two checks that agree are right."""
    made = tuple(check(stage, value, 94.0) for stage, value in zip(("before", "after"), checks, strict=False))
    found = decide(Evidence(made, 0.01, CHART, {}), policy, LIMITS)  # type: ignore[arg-type]
    assert ("deviation-unconfirmed" in found.doubts) == named


@pytest.mark.parametrize(("gain_db", "noted"), [(-6.0, False), (-26.0, True)])
def test_a_tone_far_below_full_scale_is_noted(tmp_path: Path, gain_db: float, noted: bool) -> None:
    """14 CFR 36, A36.3.6.5 to 6 (second-hand): 5 to 30 dB below the upper limit of the range."""
    session = Session(seed=3, channels=3, folder=tmp_path)
    session.gain_db += gain_db
    applications = Applications([0, 1, 2], [0, 1, 2])
    session.write("one", applications)
    rows = session.checks_table([session.check("one", "before", applications)])
    assert all(row["below_full_scale_db"] == -row["range_use_db"] for row in rows)
    table = session.calibration_table(rows)
    assert {"tone-range" in row["reasons"] for row in table.values()} == {noted}
    assert {row["verdict"] for row in table.values()} == {"doubtful"}, "for the missing check alone"


def test_applications_that_differ_widen_the_uncertainty(tmp_path: Path) -> None:
    """The one used may be the wrong one: a rectangle about its end, 0.4 / sqrt 3 = 0.23 dB (GUM 4.3.7)."""

    def second_lower(number: int, _: object, tone: object) -> object:
        return tone * 10 ** (-0.4 / 20) if number == 1 else tone  # type: ignore[operator]

    recorded(tmp_path / "c.wav", [(0, 1.0, 4.5), (0, 6.0, 9.0)], wave=second_lower)  # type: ignore[arg-type]
    row = rows_of(tmp_path / "c.wav", ("p1",))["p1"]
    assert row["reasons"] == ["applications-differ"]
    terms = dict(zip(row["terms"], row["terms_db"], strict=True))
    assert terms["spread of applications"] == pytest.approx(0.4 / 3**0.5, abs=0.005)
    assert row["standard_uncertainty_db"] > terms["spread of applications"]


def test_a_calibrators_level_is_re_20_micropascal_whatever_the_campaign_states(tmp_path: Path) -> None:
    """IEC 60942: 94 dB are 1.0024 Pa; re 1 uPa they would be 26 dB less."""
    (tmp_path / "config").mkdir()
    texts = {
        "campaign.yaml": "campaign: roof\nreference_pressure_pa: 1.0e-6\nconditions:\n  open: {applied: []}\n",
        "runs.csv": "run,recording,kind,session,condition,speed_kmh,calibrator,stage,positions\n"
        "m1,m1.wav,measurement,april,open,100,,,\nc1,c.wav,calibration,april,,,speaker,before,p1\n",
        "positions.csv": "position\np1\n",
        "fittings.csv": "session,channel,position,sensor,full_scale_v,gain_db\napril,1,p1,s1,10,20\n",
        "sensors.csv": "sensor\ns1\n",
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
    }
    for name, text in texts.items():
        (tmp_path / "config" / name).write_text(text)
    plan = Plan(load_campaign(tmp_path, check=False))
    assert plan.campaign.settings.reference_pressure_pa == 1e-6
    needs = calibrate_needs(plan, "april")
    from tapeline.jobs.calibrate.run import check_rows

    (target,) = needs.checks[0].source.paths
    (tmp_path / target).parent.mkdir(exist_ok=True)
    recorded(tmp_path / target, [(0, 1.0, 4.0)], channels=1, seconds=6.0)
    ((row,), _) = check_rows(tmp_path, needs, needs.checks[0])
    assert row["sensitivity_v_per_pa"] == pytest.approx(SENSITIVITIES_V_PER_PA[0], rel=0.002)
