"""The sections on trust where there is nothing to trust: sentences instead of faults."""

from __future__ import annotations

from pathlib import Path

import pytest
from built_results import built_campaign, write_empty

from tapeline.report.blocks import Bullets, Prose, figures
from tapeline.report.finished_tables import read_finished
from tapeline.report.page_table import plain
from tapeline.report.sections.attention import attention_sections
from tapeline.report.sections.calibration import calibration_sections
from tapeline.report.sections.coverage import coverage_sections
from tapeline.report.sections.quality import quality_sections
from tapeline.report.sections.repeatability import repeatability_sections


@pytest.mark.parametrize(
    ("sections", "said"),
    [
        (attention_sections, "No condition was measured in two sessions at one operating point"),
        (coverage_sections, "Record next, the most useful first:"),
        (repeatability_sections, "No run has a level: how well levels repeat is not known."),
        (calibration_sections, "There is no calibration table."),
        (quality_sections, "No recording was looked at."),
    ],
)
def test_empty_tables_are_said_to_be_empty(tmp_path: Path, sections: object, said: str) -> None:
    write_empty(tmp_path)
    assert callable(sections)
    (made,) = sections(read_finished(tmp_path), built_campaign())
    words = [plain(block.words) for block in made.blocks if isinstance(block, Prose)]
    words += [plain(item) for block in made.blocks if isinstance(block, Bullets) for item in block.items]
    assert [text for text in words if text.startswith(said)]
    assert not list(figures(made.blocks))
