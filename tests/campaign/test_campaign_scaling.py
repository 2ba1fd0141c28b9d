"""Which runs exponents of speed may use, and which length a position's Strouhal number takes."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, write

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.scale import JOB as SCALE
from tapeline.jobs.scale import needs as scale_needs

LENGTHS = "scaling: {length_m: 0.02, lengths: {seam1: 0.008, roof: 0.012, trim: 0.015}}\n"
POSITIONS = (
    "position,x_m,area,cavity\nseam1,0.1,roof,rail\nseam2,0.2,roof,rail\nseam3,0.3,roof,\nseam4,0.4,trim,gap\n"
    "seam5,0.5,door,\n"
)
CAVITIES = "cavity,length_m,depth_m\nrail,0.028,0.02\ngap,,0.02\n"


def plan_of(folder: Path, changed: Files) -> Plan:
    write(folder, {**MINIMAL, **changed})
    return Plan(load_campaign(folder, check=False))


def with_lengths(settings: str) -> Files:
    return {
        "config/campaign.yaml": MINIMAL["config/campaign.yaml"] + settings,
        "config/positions.csv": POSITIONS,
        "config/cavities.csv": CAVITIES,
    }


def test_a_length_is_the_positions_own_its_cavitys_its_areas_or_the_general_one(tmp_path: Path) -> None:
    needs = scale_needs(plan_of(tmp_path, with_lengths(LENGTHS)))
    assert {each.position: (each.length_m, each.source) for each in needs.lengths} == {
        "seam1": (0.008, "scaling.lengths: position seam1"),
        "seam2": (0.028, "cavities: rail"),
        "seam3": (0.012, "scaling.lengths: area roof"),
        "seam4": (0.015, "scaling.lengths: area trim"),
        "seam5": (0.02, "scaling.length_m"),
    }


def test_without_a_length_only_cavities_have_one(tmp_path: Path) -> None:
    needs = scale_needs(plan_of(tmp_path, with_lengths("")))
    assert [(each.position, each.length_m) for each in needs.lengths] == [("seam1", 0.028), ("seam2", 0.028)]


def test_areas_are_known_names_of_lengths(tmp_path: Path) -> None:
    write(tmp_path, {**MINIMAL, **with_lengths("scaling: {lengths: {roof: 0.012, seam3: 0.01}}\n")})
    assert load_campaign(tmp_path).settings.scaling.lengths == {"roof": 0.012, "seam3": 0.01}


def test_runs_are_measurements_with_a_flow(tmp_path: Path) -> None:
    runs = MINIMAL["config/runs.csv"] + "m3,m3.wav,measurement,april,open,0,,\n"
    needs = scale_needs(plan_of(tmp_path, {"config/runs.csv": runs}))
    assert [item.run for item in needs.runs] == ["m1", "m2"]
    assert needs.runs[0].achieved.nominal_mps == pytest.approx(100 / 3.6)


@pytest.mark.parametrize(
    ("settings", "same"),
    [
        ("scaling: {length_m: 0.01}", False),
        ("confidence: 0.9", False),
        ("scaling: {tonal_above_db: 10}", True),
        ("title: Another roof", True),
        ("compare: {practical_threshold_db: 1}", True),
    ],
)
def test_only_what_it_uses_makes_it_run_again(tmp_path: Path, settings: str, same: bool) -> None:
    before = SCALE.digest(plan_of(tmp_path / "a", {}))
    text = MINIMAL["config/campaign.yaml"] + settings + "\n"
    assert (SCALE.digest(plan_of(tmp_path / "b", {"config/campaign.yaml": text})) == before) == same
