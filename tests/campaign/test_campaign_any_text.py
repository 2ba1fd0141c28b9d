"""Whatever stands in the files, the outcome is a campaign or a list of faults."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_campaign import MINIMAL, write

from tapeline.campaign.faults import CampaignFaults
from tapeline.campaign.load import load_campaign
from tapeline.campaign.table_columns import RUNS

FILES = [*MINIMAL, "config/cavities.csv", "charts/s1.csv", "config/top.csv", "config/side.svg"]
WITH_CHART = {
    **MINIMAL,
    "config/campaign.yaml": MINIMAL["config/campaign.yaml"]
    + "report: {outlines: [{file: config/top.csv}, {file: config/side.svg, plane: x-z}]}\n",
    "config/top.csv": "x_m,y_m\n0,0\n1,1\n",
    "config/side.svg": '<svg><path d="M0 0h1"/></svg>',
    "config/sensors.csv": "sensor,chart\ns1,charts/s1.csv\ns2,\n",
    "charts/s1.csv": "frequency_hz,response_db\n20,0\n30,0\n",
}
KEYS = st.sampled_from(
    ["campaign", "conditions", "open", "bands", "fraction", "tables", "runs", "overall", "<<", "a b"]
)
SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.sampled_from(["open", "&a x", "*a"])
)
TREES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=5), max_leaves=12
)
CELLS = st.one_of(
    st.text(max_size=6),
    st.sampled_from(["m1", "bg1", "open", "april", "measurement", "background", "none", "no", "1", "-5", "a | b", '"']),
)
COLUMNS = st.lists(st.sampled_from([column.name for column in RUNS.columns]), min_size=4, max_size=26)


def outcome(files: dict[str, str | bytes]) -> CampaignFaults | None:
    """The faults of these files; anything else that is raised fails the test."""
    with tempfile.TemporaryDirectory() as folder:
        write(Path(folder), files)
        try:
            load_campaign(Path(folder), lambda path: None)
        except CampaignFaults as faults:
            assert faults.faults
            for fault in faults:
                assert "\n" not in str(fault)
                assert fault.line is None or fault.line >= 1
            return faults
    return None


@pytest.mark.parametrize("file", FILES)
@settings(max_examples=60)
@given(content=st.binary(max_size=200))
def test_any_bytes(file: str, content: bytes) -> None:
    faults = outcome({**WITH_CHART, file: content})
    assert file == "config/cavities.csv" or faults is not None


@pytest.mark.parametrize("file", FILES)
@settings(max_examples=60)
@given(text=st.text(max_size=200), cut=st.integers(0, 200))
def test_any_text_after_a_good_beginning(file: str, text: str, cut: int) -> None:
    beginning = WITH_CHART.get(file, "cavity,length_m\n")[:cut]
    outcome({**WITH_CHART, file: (beginning + text).encode("utf-8", "surrogatepass")})


@settings(max_examples=150)
@given(tree=TREES)
def test_any_yaml_tree(tree: object) -> None:
    outcome({**WITH_CHART, "config/campaign.yaml": repr(tree).replace("None", "null").encode()})


@settings(max_examples=150)
@given(header=COLUMNS, rows=st.lists(st.lists(CELLS, max_size=12), max_size=6))
def test_any_run_table(header: list[str], rows: list[list[str]]) -> None:
    lines = [",".join(cells) for cells in (header, *rows)]
    outcome({**WITH_CHART, "config/runs.csv": "\n".join(lines).encode("utf-8", "surrogatepass")})
