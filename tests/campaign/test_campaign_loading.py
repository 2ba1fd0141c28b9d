"""A campaign without faults: defaults, the documented example, and what the model answers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, changed, write

from tapeline.campaign.load import load_campaign
from tapeline.campaign.settings import Comparison, Settings

EXAMPLE: Files = {
    "config/campaign.yaml": """\
campaign: van-roof-seam                  # identifier; goes into every table
title: Camper van, roof seam, tunnel entry 1
tables: {runs: config/runs.csv, positions: config/positions.csv, fittings: config/fittings.csv,
         sensors: config/sensors.csv, calibrators: config/calibrators.csv}     # these are the defaults
recordings: data-sample/recordings       # folder that the run table's paths start from
results: results                         # default

raw_formats:
  logger:
    sample_type: int16                   # int16 int24 int32 float32 float64
    byte_order: little                   # little | big
    layout: interleaved
    channels: 8
    sample_rate_hz: 25600
    header_bytes: 512                    # default 0

axes: x rearward, y to the right seen from the driver, z up; yaw positive nose to the left

conditions:
  open:      {title: Seam open, applied: []}
  sealed:    {title: Seam taped all along, applied: [front-tape, rear-tape]}
  front:     {title: Front half taped, applied: [front-tape]}

comparisons:
  whole-seam: {reference: sealed, treatment: open}
  front-part: {reference: open, treatment: front}
reference_condition: open

calibration:
  sensitivity: mean
  deviation_limit_db: 1.0
  drift_limit_db: 0.5
  response_correction: true
spectra:
  resolution_hz: 5.0
  window: hann
  overlap: 0.5
  range_hz: [20, 10000]
bands:
  fraction: 3
  method: lines
  range_hz: [25, 8000]
overall: [{weighting: Z, range_hz: [25, 8000]}, {weighting: A, range_hz: [25, 8000]}]
history: {interval_s: 0.125, weighting: [A, Z]}
background: {enough_margin_db: 6.0, least_margin_db: 3.0, no_correction_above_db: 15.0}
operating_point: {speed_tolerance: 0.02, yaw_tolerance_deg: 0.5, nominal_speeds: []}
reference_pressure_pa: 2.0e-5
confidence: 0.95
mains_hz: 50
keep_pressure: false
report: {speed_unit: km/h}
""",
    "config/runs.csv": """\
run,recording,format,kind,session,condition,speed_kmh,speed_mps,yaw_deg,background,calibrator,stage,positions,\
measured_speed_mps,dynamic_pressure_pa,temperature_c,static_pressure_hpa,humidity_pct,recorded_at,replaces,gain_db,\
start_s,stop_s,use,remark
c1,c1.wav,,calibration,april,,,,,,pistonphone,before,roof-1 roof-2,,,21.5,990,40,2024-05-03T08:00:00,,,,,,
b1,b1.raw,logger,background,april,open,100,,,,,,,,,,,,,,,,,,
b2,b2.raw,logger,background,april,,,30,,,,,,,,,,,,,,,,,
m1,m1-a.wav | m1-b.wav,,measurement,april,open,100,,-5,b1 b2,,,,27.6,460,,,,2024-05-03,,20,1.5,11.5,yes,
m2,m2.wav,,measurement,april,sealed,,30,,none,,,,,,,,,,,,,,no,"tape came off,
seen from outside"
m3,m3.wav,,measurement,april,front,,30,,,,,,,,,,,,m2,,,,,
""",
    "config/positions.csv": """\
position,x_m,y_m,z_m,area,flow,mirror,line,line_order,cavity,remark
# the roof seam
roof-1,0.10,0.6,2.1,seam,attached,roof-2,roofline,1,slot,

roof-2,0.20,-0.6,2.1,seam,,roof-1,roofline,2,,near the hinge
""",
    "config/cavities.csv": "cavity,length_m,depth_m,width_m,opening_m2,volume_m3,neck_m\nslot,0.02,0.03,1.2,,,\n",
    "config/fittings.csv": """\
session,channel,position,sensor,mount,full_scale_v,gain_db,polarity,unit
april,2,roof-2,,pad-2,,,,Pa
april,1,roof-1,s1,pad-1,10,20,-,
""",
    "config/sensors.csv": """\
sensor,sensitivity_mv_per_pa,calibrated_on,chart,data_sheet,diameter_mm,sensitivity_uncertainty_db
s1,11.2,2024-01-31,charts/s1.csv,,3.5,0.1
""",
    "config/calibrators.csv": """\
calibrator,kind,level_db,frequency_hz,level_uncertainty_db,adapter_correction_db
pistonphone,closed-coupler,114,250,,-0.05
""",
    "charts/s1.csv": "frequency_hz,response_db\n20,-0.3\n250,0\n8000,0.9\n",
}


def test_minimal_campaign_gets_every_documented_default(minimal: Path) -> None:
    campaign = load_campaign(minimal)
    settings = campaign.settings
    assert settings.title == "roof"
    assert settings.tables.runs == "config/runs.csv"
    assert (settings.recordings, settings.results) == ("recordings", "results")
    assert settings.calibration.sensitivity == "mean"
    assert (settings.calibration.deviation_limit_db, settings.calibration.drift_limit_db) == (1.0, 0.5)
    assert settings.calibration.response_correction is True
    assert settings.calibration.chart_age_limit_days == 730
    assert (settings.spectra.resolution_hz, settings.spectra.window, settings.spectra.overlap) == (1.0, "hann", 0.5)
    assert settings.spectra.range_hz == (20, 10000)
    assert (settings.bands.fraction, settings.bands.method, settings.bands.range_hz) == (3, "lines", (25, 8000))
    assert [(level.weighting, level.range_hz) for level in settings.overall] == [("Z", (25, 8000)), ("A", (25, 8000))]
    assert (settings.history.interval_s, settings.history.weighting) == (0.125, ("A", "Z"))
    margins = settings.background
    assert (margins.least_margin_db, margins.enough_margin_db, margins.no_correction_above_db) == (3.0, 6.0, 15.0)
    grouping = settings.operating_point
    assert (grouping.speed_tolerance, grouping.yaw_tolerance_deg, grouping.nominal_speeds) == (0.02, 0.5, ())
    assert (settings.reference_pressure_pa, settings.confidence, settings.mains_hz) == (2e-5, 0.95, 50)
    assert settings.keep_pressure is False
    assert settings.report.speed_unit == "km/h"
    assert (settings.compare.practical_threshold_db, settings.compare.remount_sd_db) == (0.5, 1.0)
    assert (settings.ranking.weighting, settings.ranking.entries) == ("Z", 20)
    assert settings.reference_condition == "open"
    assert settings.comparisons == {"sealed": Comparison(reference="open", treatment="sealed")}
    run = campaign.runs["m1"]
    assert (run.yaw_deg, run.use, run.background, run.positions, run.temperature_c) == (0.0, True, None, (), None)
    assert run.speed_mps == pytest.approx(100 / 3.6)
    assert campaign.calibrators["speaker"].level_uncertainty_db is None
    assert settings.calibration.calibrator_uncertainty_db == 0.2
    fitting = campaign.fittings[0]
    assert (fitting.gain_db, fitting.polarity, fitting.unit, fitting.mount) == (0.0, 1, "V", None)
    assert campaign.cavities == {}
    assert campaign.charts == {}
    assert campaign.warnings == ()


def test_documented_example_loads(tmp_path: Path) -> None:
    write(tmp_path, dict(EXAMPLE))
    campaign = load_campaign(tmp_path)
    assert (
        campaign.settings.axes == "x rearward, y to the right seen from the driver, z up; yaw positive nose to the left"
    )
    assert campaign.settings.raw_formats["logger"].header_bytes == 512
    assert list(campaign.settings.comparisons) == ["whole-seam", "front-part"]
    assert campaign.settings.conditions["sealed"].applied == ("front-tape", "rear-tape")
    run = campaign.runs["m1"]
    assert campaign.recording_paths(run) == (
        tmp_path / "data-sample/recordings/m1-a.wav",
        tmp_path / "data-sample/recordings/m1-b.wav",
    )
    assert (run.background, run.yaw_deg, run.gain_db, run.start_s, run.stop_s) == (("b1", "b2"), -5.0, 20.0, 1.5, 11.5)
    assert run.recorded_at == "2024-05-03T00:00:00", "written one way, so that texts sort by time"
    assert campaign.runs["m2"].background == ()
    assert campaign.runs["m2"].remark == "tape came off,\nseen from outside"
    assert campaign.runs["m3"].line == 8, "the quoted cell above spans two lines"
    assert campaign.runs["c1"].positions == ("roof-1", "roof-2")
    assert [fitting.channel for fitting in campaign.fittings_of("april")] == [1, 2]
    assert campaign.fittings_of("may") == ()
    assert campaign.fittings_of("april")[0].polarity == -1
    assert campaign.positions["roof-2"].line == 5
    assert (campaign.positions["roof-2"].line_array, campaign.positions["roof-2"].line_order) == ("roofline", 2)
    assert campaign.cavities["slot"].length_m == 0.02
    assert campaign.charts["s1"].frequency_hz == (20, 250, 8000)
    assert campaign.charts["s1"].phase_deg is None
    assert campaign.results == tmp_path / "results"
    assert campaign.sessions == ("april",)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_endings_and_byte_order_mark_change_nothing(tmp_path: Path, mark: bytes, ending: str) -> None:
    plain, other = tmp_path / "plain", tmp_path / "other"
    write(plain, dict(EXAMPLE))
    write(other, {name: mark + text.replace("\n", ending).encode() for name, text in EXAMPLE.items()})
    first, second = load_campaign(plain), load_campaign(other)
    assert first.runs == second.runs
    assert first.positions == second.positions
    assert first.charts == second.charts
    assert first.settings == second.settings


def test_condition_names_that_yaml_1_1_would_turn_into_truth_values_stay_names(tmp_path: Path) -> None:
    files = changed("config/campaign.yaml", "open:", "off:")
    files["config/runs.csv"] = files["config/runs.csv"].replace(",open,", ",off,")
    write(tmp_path, dict(files))
    assert list(load_campaign(tmp_path).settings.conditions) == ["off", "sealed"]


def test_anchors_and_merge_keys_are_followed(tmp_path: Path) -> None:
    settings = MINIMAL["config/campaign.yaml"].replace("{applied: [tape]}", "{<<: *taped, title: Sealed}")
    settings = settings.replace("open: {applied: []}", "front: &taped {title: Front, applied: [tape]}\n  open: {}")
    write(tmp_path, {**MINIMAL, "config/campaign.yaml": settings})
    sealed = load_campaign(tmp_path).settings.conditions["sealed"]
    assert (sealed.title, sealed.applied) == ("Sealed", ("tape",))


def test_jobs_may_skip_the_cross_checks(tmp_path: Path) -> None:
    write(tmp_path, dict(changed("config/runs.csv", "m1,m1.wav,measurement,april,", "m1,m1.wav,measurement,june,")))
    assert load_campaign(tmp_path, check=False).runs["m1"].session == "june"


def test_retaken_runs_are_kept_and_not_used(tmp_path: Path) -> None:
    table = """\
run,recording,kind,session,condition,speed_mps,replaces,use
a1,a1.wav,measurement,april,open,30,,
a2,a2.wav,measurement,april,open,30,a1,
b1,b1.wav,measurement,april,sealed,30,,
b2,b2.wav,measurement,april,sealed,30,b1,no
c1,c1.wav,measurement,april,sealed,30,,
c2,c2.wav,measurement,april,sealed,30,c1,no
c3,c3.wav,measurement,april,sealed,30,c2,
d1,d1.wav,measurement,april,sealed,30,,no
"""
    write(tmp_path, {**MINIMAL, "config/runs.csv": table})
    campaign = load_campaign(tmp_path)
    assert campaign.superseded() == {"a1": "a2", "c1": "c3", "c2": "c3"}
    assert [run.run for run in campaign.used_runs()] == ["a2", "b1", "c3"]
    assert list(campaign.runs) == ["a1", "a2", "b1", "b2", "c1", "c2", "c3", "d1"]


def test_json_schema_describes_every_key_and_forbids_others() -> None:
    schema = json.loads(json.dumps(Settings.json_schema()))
    sections = [schema, *schema["$defs"].values()]
    assert len(sections) > 15
    for section in sections:
        assert section["additionalProperties"] is False
        for name, key in section["properties"].items():
            assert key.get("description"), name
    assert sorted(schema["required"]) == ["campaign", "conditions"]
    assert schema["$defs"]["Bands"]["properties"]["fraction"]["enum"] == [1, 3, 6, 12, 24]
