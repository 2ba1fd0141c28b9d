"""`tapeline report --format pdf`: a PDF, or a sentence that says what to do; the file is whole or as it was."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from built_report import Report

from tapeline.cli import main
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS
from tapeline.report import paper
from tapeline.report.paper import PAPERS

CAMPAIGN = """campaign: on-paper
conditions: {open: {applied: []}, sealed: {applied: [tape]}}
reference_condition: open
"""
WHOLE = b"%PDF-1.4 whole %%EOF"


@pytest.fixture
def campaign(tmp_path: Path, report: Report, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A campaign folder with a report that is newer than its manifest, in a place with an odd name."""
    folder = tmp_path / 'it\'s "odd" #1 %41 ü'
    (folder / "results").mkdir(parents=True)
    (folder / "config").mkdir()
    (folder / "config" / "campaign.yaml").write_text(CAMPAIGN, encoding="utf-8")
    for name, head in TABLES.items():
        (folder / "config" / name).write_text(head + "\n", encoding="utf-8")
    (folder / "results" / "manifest.json").write_text("{}", encoding="utf-8")
    page = folder / "results" / "report.html"
    shutil.copy(report.results / "report.html", page)
    later = (folder / "results" / "manifest.json").stat().st_mtime + 5
    os.utime(page, (later, later))
    return folder


TABLES = {
    "runs.csv": "run,recording,kind,session,speed_kmh\nb1,b1.wav,background,one,0",
    "positions.csv": "position\np",
    "fittings.csv": "session,channel,position,unit\none,1,p,Pa",
    "sensors.csv": "sensor",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz",
}


def fake_browser(folder: Path, code: str) -> Path:
    """A program that is called as a browser is; `out` is where it should print to."""
    path = folder / "fake-browser"
    path.write_text(
        f"#!{sys.executable}\nimport sys, time\n"
        "out = next(a.partition('=')[2] for a in sys.argv if a.startswith('--print-to-pdf='))\n" + code,
        encoding="utf-8",
    )
    path.chmod(0o755)
    return path


def report_on_paper(campaign: Path, *more: str) -> int:
    return main(["report", "--campaign", str(campaign), "--format", "pdf", *more])


def left_over(campaign: Path) -> list[str]:
    return sorted(path.name for path in (campaign / "results").iterdir())


@pytest.mark.browser
@pytest.mark.parametrize("size", PAPERS)
def test_it_prints_the_page_that_is_there(chromium: str, campaign: Path, size: str) -> None:
    from pypdf import PdfReader

    assert report_on_paper(campaign, "--browser", chromium, "--paper", size) == 0
    reader = PdfReader(campaign / "results" / "report.pdf")
    assert len(reader.pages) > 3
    width_mm = {"A4": 210.0, "Letter": 215.9}[size]
    assert float(reader.pages[0].mediabox.width) / 72 * 25.4 == pytest.approx(width_mm, abs=0.6)
    assert "Camper van" in reader.pages[0].extract_text()
    assert left_over(campaign) == ["manifest.json", "report.html", "report.pdf"]


def test_the_browser_is_asked_for_no_network_and_a_profile_of_its_own(
    campaign: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    browser = fake_browser(
        campaign.parent,
        "import json, pathlib\n"
        f"pathlib.Path({str(campaign.parent / 'asked.json')!r}).write_text(json.dumps(sys.argv[1:]))\n"
        "page = pathlib.Path(out).parent\n"
        f"pathlib.Path(out).write_bytes({WHOLE!r})\n",
    )
    assert report_on_paper(campaign, "--browser", str(browser)) == 0
    assert "report.pdf" in capsys.readouterr().out
    asked = (campaign.parent / "asked.json").read_text(encoding="utf-8")
    for word in ("--headless", "--disable-background-networking", "MAP * ~NOTFOUND", "--user-data-dir=", "file:///"):
        assert word in asked
    assert ("--no-sandbox" in asked) == (os.getuid() == 0)
    assert (campaign / "results" / "report.pdf").read_bytes() == WHOLE


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("sys.exit('no display')", "made no PDF (status 1): no display"),
        ("pass", "made no PDF (status 0)"),
        ("open(out, 'wb').write(b'%PDF-1.4 cut')", "made no PDF"),
        ("open(out, 'wb').write(b'<html>%%EOF')", "made no PDF"),
        ("time.sleep(600)", "took longer than 1 s"),
    ],
)
def test_what_goes_wrong_is_said_and_an_earlier_pdf_stays(
    campaign: Path, code: str, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if "sleep" in code:
        monkeypatch.setattr(paper, "PRINTING_S", 1.0)
    earlier = campaign / "results" / "report.pdf"
    earlier.write_bytes(b"earlier")
    assert report_on_paper(campaign, "--browser", str(fake_browser(campaign.parent, code))) == EXIT_FAILED
    errors = capsys.readouterr().err
    assert said in errors
    assert "--browser PATH" in errors
    assert "Traceback" not in errors
    assert earlier.read_bytes() == b"earlier"
    assert left_over(campaign) == ["manifest.json", "report.html", "report.pdf"]


def test_without_a_browser_it_says_which_to_install(
    campaign: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(campaign))
    assert report_on_paper(campaign) == EXIT_FAILED
    assert "no Chromium on PATH (chromium, chromium-browser, google-chrome); install one" in capsys.readouterr().err


@pytest.mark.parametrize("named", ["no-such-browser", "."])
def test_a_named_browser_that_is_none_is_a_fault_of_the_call(
    campaign: Path, named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert report_on_paper(campaign, "--browser", named) == EXIT_FAULTS
    assert f"{named} is no program that can be run" in capsys.readouterr().err


def test_a_program_that_cannot_be_started_is_said(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    browser = campaign.parent / "not-a-program"
    browser.write_bytes(b"\x00\x01")
    browser.chmod(0o755)
    assert report_on_paper(campaign, "--browser", str(browser)) == EXIT_FAILED
    assert "cannot be started" in capsys.readouterr().err


def test_without_results_it_says_which_step_is_missing(
    campaign: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (campaign / "results" / "manifest.json").unlink()
    monkeypatch.setattr(sys, "meta_path", list(sys.meta_path))
    assert report_on_paper(campaign, "--browser", sys.executable) == EXIT_FAILED
    assert "manifest.json is not there" in capsys.readouterr().err


def test_paper_without_pdf_is_refused(campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--campaign", str(campaign), "--paper", "Letter"]) == EXIT_FAULTS
    assert "--format pdf" in capsys.readouterr().err
