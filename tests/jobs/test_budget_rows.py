"""What uncertainty is made of, for the mean of repeats and for differences between sessions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from comparison_needs import PLAIN
from made_cubes import made_cube

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.budget_rows import absolute_rows, difference_rows
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair, repeat_pools
from tapeline.jobs.compare.non_averaging_terms import non_averaging_terms
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.levels.level_array import COLUMNS, Item
from tapeline.statistics.comparison import difference
from tapeline.statistics.uncertainty_terms import ASSUMED_BETWEEN_SESSIONS

ASSUMED = ASSUMED_BETWEEN_SESSIONS.name
BAND = Item("band", "Z", 891.3, 1122.0, 1000.0, 1000.0)
STATED = {"response": 0.2, "environment": 0.3, "mounting": 2.0, "speed": 0.1, "steadiness": 0.05}


@dataclass(frozen=True)
class Given:
    """Levels by run, at two positions; runs are named `session-condition-number`."""

    levels: dict[str, tuple[float, float]]
    sensors: tuple[str, str] = ("s1", "s1")
    mounts: tuple[str | None, str | None] = ("m", "m")
    mounting_db: float = STATED["mounting"]
    mounting_stated: bool = True

    @property
    def runs(self) -> tuple[CompareRun, ...]:
        parts = [(name, *name.split("-")[:2]) for name in sorted(self.levels)]
        return tuple(CompareRun(n, session, condition, 30.0, 0.0, ("b",), True) for n, session, condition in parts)

    def job(self) -> ComparisonJob:
        shape = (len(self.levels), 2, 1)
        values = {name: np.zeros(shape) for name in COLUMNS}
        values |= {f"{name}_uncertainty_db": np.full(shape, value) for name, value in STATED.items()}
        values["mounting_uncertainty_db"] = np.full(shape, self.mounting_db)
        values["random_uncertainty_db"] = np.full(shape, 0.1)
        values["upper_bound_db"] = np.full(shape, np.nan)
        values["corrected_level_db"] = np.array([self.levels[run.run] for run in self.runs])[:, :, None]
        state = np.full(shape, background.CORRECTED, dtype=np.int8)
        cells = [(run.session, run.condition, run.speed_mps) for run in self.runs]
        cube = made_cube(
            [run.run for run in self.runs], ("p", "q"), (BAND,), values, state, cells=cells, background_source=state
        )
        sessions = sorted({run.session for run in self.runs})
        calibration: dict[tuple[str, str], dict[str, Any]] = {
            (session, place): {
                "standard_uncertainty_db": 0.12,
                "drift_db": 0.0,
                "sensor": self.sensors[i % 2],
                "terms": ["calibrator", "adapter"],
                "terms_db": [0.1, np.sqrt(0.12**2 - 0.01)],
                "terms_evidence": ["certificate", "default"],
            }
            for i, session in enumerate(sessions)
            for place in ("p", "q")
        }
        needs = replace(
            PLAIN,
            runs=self.runs,
            mounts=tuple((s, place, self.mounts[i % 2]) for i, s in enumerate(sessions) for place in ("p", "q")),
            stated_settings=("mounting_db",) if self.mounting_stated else (),
        )
        return ComparisonJob(needs, cube, calibration, MarginLimits(15.0, 6.0, 3.0, 1.96))

    def differences(self) -> dict[str, dict[str, Any]]:
        """Budgets of open in the first session against sealed in the last, by position, with terms as a mapping."""
        job = self.job()
        sides = [tuple(r for r in self.runs if r.condition == condition) for condition in ("open", "sealed")]
        pair = Pair(sides[0], sides[1], (30.0, 0.0))
        pools = repeat_pools(job)
        scatters = pools.of_session(pair.sessions[0]), pools.of_session(pair.sessions[1])
        cells = job.cell(sides[0]), job.cell(sides[1])
        terms = non_averaging_terms(job, pair, scatters, session_changes(job, pools))
        result = difference(*cells, scatters, terms, 0.95, same_background=True, one_pool=True)
        return {row["position"]: as_mapping(row) for row in difference_rows(job, "c", pair, result, {"p": "", "q": ""})}

    def absolute(self) -> dict[str, dict[str, Any]]:
        """Budgets of the only condition, by position."""
        job = self.job()
        parts = absolute_rows(job, repeat_pools(job))
        return {row["position"]: as_mapping(row) for part in parts for row in part}


def as_mapping(row: dict[str, Any]) -> dict[str, Any]:
    terms = dict(zip(row["terms"], row["terms_db"], strict=True))
    return row | {"terms": terms, "evidence": dict(zip(row["terms"], row["terms_evidence"], strict=True))}


def test_terms_of_a_single_run_stand_as_they_are() -> None:
    found = Given({"a-open-1": (90.0, 80.0)}).absolute()["p"]
    assert found["level_db"] == 90.0
    assert {name: found["terms"][name] for name in STATED} == pytest.approx(STATED)
    assert found["terms"]["calibration: calibrator"] == pytest.approx(0.1)
    assert found["terms"]["repeats"] == 0.0
    whole = sum(value**2 for value in STATED.values()) + 0.1**2 + 0.12**2
    assert found["standard_uncertainty_db"] == pytest.approx(np.sqrt(whole))
    assert found["upper_db"] - found["level_db"] == pytest.approx(1.96 * np.sqrt(whole), rel=1e-3)
    assert found["evidence"] | {"speed": "measured"} == found["evidence"]
    assert found["evidence"]["response"] == "default"
    assert found["evidence"]["mounting"] == "stated"
    assert Given({"a-open-1": (90.0, 80.0)}, mounting_stated=False).absolute()["p"]["evidence"]["mounting"] == "default"


def test_a_position_that_scatters_more_by_itself_keeps_its_own_scatter() -> None:
    """q repeats by 1.5 dB in one of six groups, the rest by 0.05 dB: that group stands alone, and q has its own."""
    random = np.random.default_rng(5)
    levels = {
        f"a-open-{i}": (90.0 + 0.05 * float(random.normal()), 80.0 + value)
        for i, value in enumerate((1.5, -1.5, 1.4, -1.4))
    }
    quiet = {
        f"a-c{group}-{i}": (90.0 + 0.05 * float(random.normal()), 80.0 + 0.05 * float(random.normal()))
        for group in range(5)
        for i in range(4)
    }
    job = Given(levels | quiet)
    parts = absolute_rows(job.job(), repeat_pools(job.job()))
    rows = {row["position"]: as_mapping(row) for part in parts for row in part if row["condition"] == "open"}
    own = np.var([1.5, -1.5, 1.4, -1.4], ddof=1)
    of_runs = np.hypot(rows["q"]["terms"]["repeats"], rows["q"]["terms"]["random error"])
    assert of_runs == pytest.approx(np.sqrt(own / 4.0), rel=0.02)
    assert rows["p"]["terms"]["repeats"] < 0.5 * rows["q"]["terms"]["repeats"]
    assert rows["q"]["terms"]["steadiness"] == 0.0, "how steady a run was is among its repeats"


def test_levels_of_one_session_share_what_cancels() -> None:
    found = Given({"a-open-1": (90.0, 80.0), "a-sealed-1": (85.0, 80.0)}).differences()["p"]
    assert found["level_db"] == pytest.approx(-5.0)
    for name in ("calibration", "response", "environment", "mounting"):
        assert found["terms"][name] == 0.0
    assert found["terms"]["speed"] == pytest.approx(0.1 * np.sqrt(2.0)), "no repeats show it"
    assert "between sessions" not in found["terms"]


def test_levels_of_two_sessions_share_nothing_and_say_what_is_assumed() -> None:
    two = {"a-open-1": (90.0, 80.0), "b-sealed-1": (85.0, 80.0)}
    stayed = Given(two).differences()["p"]
    assert stayed["terms"]["calibration"] == pytest.approx(0.12 * np.sqrt(2.0))
    assert stayed["evidence"]["calibration"] == "certificate"
    assert stayed["terms"]["environment"] == pytest.approx(0.3 * np.sqrt(2.0))
    assert stayed["terms"]["response"] == 0.0, "the same sensor"
    assert stayed["terms"][ASSUMED] == pytest.approx(Compare().session_sd_db * np.sqrt(2.0))
    assert stayed["evidence"][ASSUMED] == "default"
    assert "between sessions" not in stayed["terms"]
    anew = Given(two, sensors=("s1", "s2"), mounts=("m", "n")).differences()["p"]
    assert anew["terms"]["response"] == pytest.approx(0.2 * np.sqrt(2.0))
    assert anew["terms"]["mounting"] == pytest.approx(2.0 * np.sqrt(2.0))
    assert anew["terms"][ASSUMED] == pytest.approx(Compare().session_sd_db * np.sqrt(2.0)), "mounting stands apart"


@pytest.mark.parametrize("mounting_db", [0.0, 0.2, 0.8, 2.0])
def test_a_default_mounting_is_not_counted_beside_the_remounting_that_holds_it(mounting_db: float) -> None:
    """Both together are the assumed remounting, or where the mounting is larger, the mounting and what sessions do."""
    two = {"a-open-1": (90.0, 80.0), "b-sealed-1": (85.0, 80.0)}
    anew = Given(two, mounts=("m", "n"), mounting_db=mounting_db, mounting_stated=False).differences()["p"]
    together = anew["terms"]["mounting"] ** 2 + anew["terms"][ASSUMED] ** 2
    of_remounting, of_session = Compare().remount_sd_db ** 2, Compare().session_sd_db ** 2 + mounting_db**2
    assert together == pytest.approx(2.0 * max(of_remounting, of_session))
    stayed = Given(two, mounting_db=mounting_db, mounting_stated=False).differences()["p"]
    assert stayed["terms"]["mounting"] == 0.0, "one mount in both sessions: it cancels"
    assert stayed["terms"][ASSUMED] == pytest.approx(Compare().session_sd_db * np.sqrt(2.0))


def test_a_condition_measured_in_both_sessions_measures_the_change() -> None:
    levels = {"a-open-1": (90.0, 80.0), "b-sealed-1": (85.0, 80.0), "a-both-1": (70.0, 70.0), "b-both-1": (71.0, 71.0)}
    found = Given(levels, mounts=("m", "n")).differences()["p"]
    assert found["evidence"]["between sessions"] == "measured"
    measured, assumed = (1.0 - 2 * 0.1**2) / 2.0, Compare().remount_sd_db ** 2
    together = (measured + 2.0 * assumed) / 3.0
    assert found["terms"]["between sessions"] == pytest.approx(np.sqrt(2.0 * together), rel=0.02), "one change is few"
    assert ASSUMED not in found["terms"]
    assert found["terms"]["mounting"] == 0.0, "the measured change holds it"
