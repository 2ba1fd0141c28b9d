"""What an edit makes run again, read from dry runs of the real workflow."""

from __future__ import annotations

import os

import numpy as np
import pytest
import soundfile
from sample_runs import CampaignRun, tapeline

pytestmark = pytest.mark.workflow

SETTINGS = "config/campaign.yaml"
PRODUCTS = {"catalogue": 1, "compare": 1, "scale": 1, "tones": 1, "repeat": 1, "manifest": 1, "report": 1}


def test_nothing_to_do_after_a_complete_run(sample: CampaignRun) -> None:
    assert sample.planned() == {}


def test_touching_the_config_files_runs_nothing(sample: CampaignRun) -> None:
    for path in (sample.folder / "config").iterdir():
        os.utime(path)
    assert sample.planned() == {}


def test_reordered_rows_and_comments_run_nothing(sample: CampaignRun) -> None:
    runs = sample.folder / "config" / "runs.csv"
    kept = runs.read_text(encoding="utf-8")
    comments = [line for line in kept.splitlines() if line.startswith("#")]
    header, *rows = [line for line in kept.splitlines() if not line.startswith("#")]
    try:
        runs.write_text("\n".join(["# another word", header, *reversed(rows), *comments]) + "\n", encoding="utf-8")
        assert sample.planned() == {}
    finally:
        runs.write_text(kept, encoding="utf-8")


def test_a_number_written_otherwise_runs_nothing(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("drift_limit_db: 0.5", "drift_limit_db: 0.50")}):
        assert sample.planned() == {}


def test_a_new_condition_runs_its_recordings_its_session_and_the_products(sample: CampaignRun) -> None:
    noise = np.random.default_rng(5).normal(0.0, 0.05, (40_000, 8))
    added = [sample.folder / "data-sample" / "recordings" / f"lip{i}.wav" for i in (1, 2)]
    for path in added:
        soundfile.write(path, noise, 12_800, subtype="PCM_24")
        noise = -noise
    header_line = next(
        line for line in (sample.folder / "config/runs.csv").read_text(encoding="utf-8").splitlines() if line[0] != "#"
    )
    width = header_line.count(",")
    rows = [f"lip{i},lip{i}.wav,,measurement,april,lip,100" for i in (1, 2)]
    rows = [row + "," * (width - row.count(",")) for row in rows]
    changes = {
        SETTINGS: ("conditions:\n", "conditions:\n  lip: {title: Lip added, applied: [lip]}\n"),
        "config/runs.csv": (header_line + "\n", "\n".join([header_line, *rows]) + "\n"),
    }
    try:
        with sample.edited(changes):
            assert sample.planned() == {"spectra": 2, "verdicts": 1, "tables": 1, **PRODUCTS}
    finally:
        for path in added:
            path.unlink()


def test_a_judged_recording_whose_verdicts_are_gone_is_read_again(sample: CampaignRun) -> None:
    """A job that fails takes its outputs away; what was made of them before still stands there."""
    path = sample.results / "quality" / "m05.parquet"
    aside = path.with_suffix(".aside")
    path.rename(aside)
    try:
        planned = sample.planned()
    finally:
        aside.rename(path)
    assert (planned["spectra"], planned["report"]) == (1, 1)
    assert sample.planned() == {}


def test_a_changed_band_fraction_makes_tables_only(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("fraction: 3", "fraction: 6")}):
        planned = sample.planned()
    assert planned == {"tables": 2, "compare": 1, "scale": 1, "tones": 1, "repeat": 1, "manifest": 1, "report": 1}


def test_a_changed_resolution_reads_all_recordings(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("resolution_hz: 4 ", "resolution_hz: 3.125 ")}):
        planned = sample.planned()
    assert planned == {"spectra": 26, "verdicts": 2, "tables": 2, **PRODUCTS}


def test_a_changed_calibration_limit_reads_no_recording(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("drift_limit_db: 0.5", "drift_limit_db: 0.4")}):
        planned = sample.planned()
    assert planned == {"sensitivity": 2, "tables": 2, **PRODUCTS}


def test_a_dry_run_says_what_would_be_done_and_does_nothing(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("drift_limit_db: 0.5", "drift_limit_db: 0.4")}):
        done = tapeline("run", sample.folder, "--cores", "2", "--dry-run")
        planned = sample.planned()
    assert done.returncode == 0, done.stderr
    said = ", ".join(f"{name} {count}" for name, count in planned.items())
    assert f"would be computed, at most: {said}" in done.stdout.splitlines()
    assert done.stdout.splitlines()[-1] == "dry run: nothing was computed"
    assert "Building DAG of jobs" not in done.stdout + done.stderr
    assert sample.planned() == {}


def test_a_changed_confidence_needs_tables_and_comparisons_only(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("confidence: 0.95", "confidence: 0.9")}):
        planned = sample.planned()
    assert planned == {"tables": 2, "compare": 1, "scale": 1, "tones": 1, "repeat": 1, "manifest": 1, "report": 1}


def test_a_corrected_sensitivity_runs_the_chain_of_its_session_only(sample: CampaignRun) -> None:
    sensors = (sample.folder / "config/sensors.csv").read_text(encoding="utf-8")
    row = next(line for line in sensors.splitlines() if line.startswith("s09,"))
    cells = row.split(",")
    corrected = ",".join([cells[0], str(float(cells[1]) * 1.01), *cells[2:]])
    with sample.edited({"config/sensors.csv": (row, corrected)}):
        planned = sample.planned()
    own = {"calibrate": 1, "sensitivity": 1, "spectra": 10, "verdicts": 1, "tables": 1}
    assert planned == {**own, **PRODUCTS}


def test_a_verdict_set_by_hand_makes_the_tables_of_its_session_only(sample: CampaignRun) -> None:
    overrides = sample.folder / "config" / "overrides.csv"
    overrides.write_text(
        "run,position,verdict,reason,who\na05,line-1,doubtful,tape lifted,A. Nyone\n", encoding="utf-8"
    )
    try:
        assert sample.planned() == {"verdicts": 1, "tables": 1, **PRODUCTS}
    finally:
        overrides.unlink()
    assert sample.planned() == {}


def test_a_changed_limit_across_runs_reads_no_recording(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("calibration:\n", "quality: {odd_level_db: 5}\ncalibration:\n")}):
        assert sample.planned() == {"verdicts": 2, "tables": 2, **PRODUCTS}


def test_a_limit_of_repeatability_holds_repeats_together_only(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("confidence: 0.95", "repeatability: {excess_db: 0.5}\nconfidence: 0.95")}):
        assert sample.planned() == {"repeat": 1, "manifest": 1, "report": 1}


def test_a_changed_title_makes_the_report_only(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("title: Camper van", "title: Motor home")}):
        assert sample.planned() == {"report": 1}
    with sample.edited({SETTINGS: ("title: Roof seam open", "title: Seam open")}):
        assert sample.planned() == {"report": 1}


def test_an_edited_outline_makes_the_report_only(sample: CampaignRun) -> None:
    with sample.edited({"config/outline-top.csv": ("body,4.93,0.80", "body,4.95,0.80")}):
        assert sample.planned() == {"report": 1}
    with sample.edited({"config/outline-side.svg": ("synthetic: the", "synthetic, the")}):
        assert sample.planned() == {}


def test_a_recording_that_is_gone_is_noticed(sample: CampaignRun) -> None:
    path = sample.folder / "data-sample" / "recordings" / "a05.wav"
    away = path.with_suffix(".away")
    path.rename(away)
    try:
        assert sample.planned().get("spectra") == 1
    finally:
        away.rename(path)
    assert sample.planned() == {}


def test_the_profile_is_in_use(sample: CampaignRun) -> None:
    said = (sample.results / "logs" / "workflow.log").read_text(encoding="utf-8")
    assert "Using profile" in said
    assert "workflow/profiles/default" in said


def test_campaign_faults_stop_everything(sample: CampaignRun) -> None:
    before = {path: path.stat().st_mtime_ns for path in sample.results.rglob("*") if path.is_file()}
    with sample.edited({"config/runs.csv": ("measurement,april,open", "measurement,april,opne")}):
        done = tapeline("run", sample.folder)
    assert done.returncode == 2
    assert 'column "condition": found "opne"' in done.stderr
    assert 'did you mean "open"?' in done.stderr
    assert before == {path: path.stat().st_mtime_ns for path in sample.results.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    ("section", "value"),
    [("uncertainty", "{speed_pct: 0.8}"), ("operating_point", "{held: dynamic-pressure, nominal_speeds: [100, 130]}")],
)
def test_what_is_uncertain_reads_no_spectrum_again(sample: CampaignRun, section: str, value: str) -> None:
    text = (sample.folder / SETTINGS).read_text(encoding="utf-8")
    old = next((line for line in text.splitlines() if line.startswith(f"{section}:")), "confidence: 0.95")
    kept = "" if old.startswith(section) else f"\n{old}"
    with sample.edited({SETTINGS: (old, f"{section}: {value}{kept}")}):
        assert sample.planned() == {
            "tables": 2,
            "compare": 1,
            "scale": 1,
            "tones": 1,
            "repeat": 1,
            "manifest": 1,
            "report": 1,
        }


def test_a_background_limit_finds_other_runs_and_makes_levels_only(sample: CampaignRun) -> None:
    old = "background: {enough_margin_db: 6.0"
    with sample.edited({SETTINGS: (old, "background: {most_hours: 0.5, enough_margin_db: 6.0")}):
        assert sample.planned() == {"tables": 2, **PRODUCTS}, "the run table says which were refused"


def test_a_length_makes_exponents_and_strouhal_numbers_only(sample: CampaignRun) -> None:
    with sample.edited({SETTINGS: ("confidence: 0.95", "confidence: 0.95\nscaling: {length_m: 0.012}")}):
        assert sample.planned() == {"scale": 1, "tones": 1, "manifest": 1, "report": 1}


def test_reference_sensors_go_through_the_spectra(sample: CampaignRun) -> None:
    old = "background: {enough_margin_db: 6.0"
    with sample.edited({SETTINGS: (old, "background: {references: [line-1], enough_margin_db: 6.0")}):
        planned = sample.planned()
    assert {name: planned[name] for name in ("spectra", "tables")} == {"spectra": 26, "tables": 2}
