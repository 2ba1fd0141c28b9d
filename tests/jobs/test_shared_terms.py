"""What repeats do not lessen: terms that all runs of a session share, and the drift within it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from small_cubes import Given, Small

from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair, repeat_pools
from tapeline.jobs.compare.level_means import calibration_variance, level_mean
from tapeline.jobs.compare.non_averaging_terms import non_averaging_terms
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.statistics.comparison import RunLevels, condition_mean

STATED = {"response": 0.2, "environment": 0.3, "mounting": 0.5, "speed": 0.1, "steadiness": 0.05}
SHARED = ("response", "environment", "mounting")


def job_of(runs: int, *, drift_db: float = 0.0, sessions: tuple[str, str] = ("a", "b")) -> ComparisonJob:
    """`runs` of open in the first session, as many of sealed in the second; other sensors and mounts in the second."""
    sides = zip(sessions, ("open", "sealed"), strict=True)
    given = [Given(f"{s}-{c}-{k}", (80.0 + 0.1 * k, 82.0)) for s, c in sides for k in range(runs)]
    job = Small(given, uncertainties=STATED, calibration_db=0.4).job()
    rows = {key: row | {"sensor": f"{key}", "drift_db": drift_db} for key, row in job.calibration.items()}
    mounts = tuple((s, p, f"{s} {p}") for s in sorted(set(sessions)) for p in job.cube.positions)
    return dataclasses.replace(job, calibration=rows, needs=dataclasses.replace(job.needs, mounts=mounts))


def terms_of(job: ComparisonJob) -> dict[str, float]:
    """Variances of the terms of the only difference, at the first position."""
    sides = [tuple(r for r in job.needs.runs if r.condition == name) for name in ("open", "sealed")]
    pair = Pair(sides[0], sides[1], (30.0, 0.0))
    pools = repeat_pools(job)
    scatters = pools.of_session(pair.sessions[0]), pools.of_session(pair.sessions[1])
    terms = non_averaging_terms(job, pair, scatters, session_changes(job, pools))
    return {name: float(np.broadcast_to(variance, (2, 2))[0, 0]) for name, (variance, _) in terms.items()}


@pytest.mark.parametrize("runs", [1, 2, 5])
def test_terms_of_two_sessions_are_the_same_with_any_number_of_runs(runs: int) -> None:
    found = terms_of(job_of(runs))
    for name in SHARED:
        assert found[name] == pytest.approx(2.0 * STATED[name] ** 2), name
    assert found["calibration"] == pytest.approx(2.0 * 0.4**2)


@pytest.mark.parametrize("runs", [1, 2, 5])
def test_terms_of_a_mean_are_those_of_one_run_but_for_what_each_run_has_of_its_own(runs: int) -> None:
    job = job_of(runs)
    own = tuple(run for run in job.needs.runs if run.condition == "open")
    mean = level_mean(job, own, dataclasses.replace(repeat_pools(job).of_session("a"), excess=np.zeros((2, 2))))
    for name in (*SHARED, "speed"):
        assert mean.terms[name][0][1] == pytest.approx(np.full(2, STATED[name] ** 2)), name
    assert mean.terms["steadiness"][0][1] == pytest.approx(np.full(2, STATED["steadiness"] ** 2 / runs))
    assert mean.terms["random error"][0][1] == pytest.approx(np.full(2, 0.1**2 / runs))
    assert calibration_variance(job, "a").ravel() == pytest.approx([0.4**2] * 2)


@pytest.mark.parametrize("runs", [1, 2, 5])
def test_what_repeats_share_of_a_background_stays_and_its_own_part_is_kept_apart(runs: int) -> None:
    """0.5 dB of which 0.3 dB are each run's own: 0.4 dB stay, however many runs."""
    shape = (runs, 1, 1)
    levels, background, own = (np.full(shape, value) for value in (80.0, 0.5, 0.3))
    cell = condition_mean(RunLevels(levels, own, background, np.full(shape, np.nan), np.zeros(shape, np.int8), own))
    assert cell.background_db[0, 0] == pytest.approx(0.4)
    assert cell.background_own[0, 0] == pytest.approx(0.09)


def test_a_drift_counts_as_two_times_anywhere_within_it() -> None:
    """The sensitivity at either run lies anywhere between the two checks: d^2 / 12 each (GUM, 4.3.7), d^2 / 6 both."""
    found = terms_of(job_of(2, drift_db=0.6, sessions=("a", "a")))
    times = np.random.default_rng(4).uniform(0.0, 0.6, (2, 200_000))
    assert found["drift"] == pytest.approx(np.var(times[1] - times[0]), rel=0.02)
