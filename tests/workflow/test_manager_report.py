"""The workflow manager's own report holds the page, the comparisons and the manifest, and needs no network."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import zipfile
from pathlib import Path

import pytest
from sample_runs import COMMAND, REPOSITORY, CampaignRun

pytestmark = [
    pytest.mark.long,
    pytest.mark.workflow,
    pytest.mark.skipif(
        importlib.util.find_spec("pygments") is None, reason="the manager's reports need the Python package pygments"
    ),
]

HELD = ("report.html", "sheet.html", "manifest.json", "tables/comparisons.parquet", "tables/ranking.parquet")
NOWHERE = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY", "all_proxy"), "http://127.0.0.1:9")
"""Port 9 discards (RFC 863): what a proxy there is asked for never comes."""


@pytest.fixture(scope="module")
def archive(sample: CampaignRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("manager") / "report.zip"
    done = subprocess.run(
        [str(COMMAND), "run", str(sample.folder), "--cores", "1", "--", "--report", str(path)],
        check=False,
        capture_output=True,
        text=True,
        cwd=REPOSITORY.parent,
        env=os.environ | NOWHERE,
    )
    assert path.is_file(), done.stdout + done.stderr
    return path


def test_it_holds_the_page_and_main_tables_to_the_byte(archive: Path, sample: CampaignRun) -> None:
    with zipfile.ZipFile(archive) as opened:
        found = {Path(name).name: opened.read(name) for name in opened.namelist() if "/data/raw/" in name}
    assert found == {Path(name).name: (sample.results / name).read_bytes() for name in HELD}


def test_it_shows_our_captions_and_loads_nothing(archive: Path) -> None:
    with zipfile.ZipFile(archive) as opened:
        (name,) = [name for name in opened.namelist() if name.count("/") == 1 and name.endswith("report.html")]
        text = opened.read(name).decode("utf-8")
    for caption in (REPOSITORY / "workflow" / "report").glob("*.rst"):
        first = " ".join(caption.read_text(encoding="utf-8").split())[:40]
        assert first in " ".join(text.replace("\\n", " ").split()), caption.name
    assert not re.search(r"<(script|link|img)[^>]+(src|href)=[\"']https?:", text)
