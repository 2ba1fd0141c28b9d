"""Sessions that take their backgrounds from each other: their tables are made one beside the other."""

from __future__ import annotations

from pathlib import Path

import pytest
from sample_runs import run_campaign, two_recordings

pytestmark = [pytest.mark.workflow]

RUNS = """run,recording,kind,session,condition,speed_kmh,background,format
m1,m1.raw,measurement,april,open,100,m4,logger
m2,m2.raw,background,april,,140,,logger
m3,m3.raw,measurement,may,open,140,m2,logger
m4,m4.raw,background,may,,100,,logger
"""


def test_each_session_names_a_background_of_the_other(tmp_path: Path) -> None:
    folder = two_recordings(tmp_path / "van")
    for name, source in (("m3", "m2"), ("m4", "m1")):
        content = (folder / "recordings" / f"{source}.raw").read_bytes()
        (folder / "recordings" / f"{name}.raw").write_bytes(content[::-1][: len(content) // 8 * 4])
    (folder / "config" / "runs.csv").write_text(RUNS, encoding="utf-8")
    fittings = "session,channel,position,unit,mount\napril,1,p1,Pa,tape\nmay,1,p1,Pa,tape\n"
    (folder / "config" / "fittings.csv").write_text(fittings, encoding="utf-8")
    done = run_campaign(folder, 2)
    assert done.status in (0, 3), done.output
    assert (done.results / "report.html").is_file()
    apart = {path.stem for path in (done.results / "steps" / "verdicts").glob("*.json")}
    assert apart == {"april", "may"}, "verdicts come before the tables of either"
    assert done.planned() == {}
