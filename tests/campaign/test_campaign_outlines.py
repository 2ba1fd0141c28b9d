"""Outlines of the body: tables and drawings, what is refused, and what an edit makes run again."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_campaign import MINIMAL, faults_of, write

from tapeline.campaign import outlines
from tapeline.campaign.load import load_campaign
from tapeline.campaign.outlines import Outline
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.limits import OUTLINE_FILE_BYTES

CSV, SVG = "config/body.csv", "config/side.svg"
BOX = '<svg xmlns="http://www.w3.org/2000/svg">{}</svg>'
SETTINGS = MINIMAL["config/campaign.yaml"]


def with_outlines(entries: str, **files: str) -> dict[str, str | bytes]:
    """The small campaign with outlines in its settings and their files, "csv" or "svg"."""
    named = {{"csv": CSV, "svg": SVG}[kind]: text for kind, text in files.items()}
    return {**MINIMAL, "config/campaign.yaml": f"{SETTINGS}report:\n  outlines: [{entries}]\n", **named}


def loaded(root: Path, files: dict[str, str | bytes]) -> tuple[Outline, ...]:
    write(root, files)
    assert load_campaign(root, check=False).outlines == load_campaign(root).outlines
    return load_campaign(root).outlines


def test_a_table_serves_the_planes_whose_columns_it_has(tmp_path: Path) -> None:
    flat = "# seen from above\nline,x_m,y_m\nbody,0,-1\nrail,2,0.9\nbody,4,1\nrail,3,0.9\n"
    entry = f"{{file: {CSV}}}"
    drawn = (((0.0, -1.0), (4.0, 1.0)), ((2.0, 0.9), (3.0, 0.9)))
    assert loaded(tmp_path, with_outlines(entry, csv=flat)) == (Outline("x-y", drawn),)
    solid = "x_m,y_m,z_m\n0,1,2\n3,4,5\n"
    found = loaded(tmp_path, with_outlines(entry, csv=solid))
    assert {each.plane: each.lines for each in found} == {
        "x-y": (((0.0, 1.0), (3.0, 4.0)),),
        "x-z": (((0.0, 2.0), (3.0, 5.0)),),
        "y-z": (((1.0, 2.0), (4.0, 5.0)),),
    }
    one = loaded(tmp_path, with_outlines(f"{{file: {CSV}, plane: y-z}}", csv=solid))
    assert one == (Outline("y-z", (((1.0, 2.0), (4.0, 5.0)),)),)


def test_up_in_a_drawing_is_up_on_the_body(tmp_path: Path) -> None:
    text = BOX.format('<path d="M0,0 V-2.5 H4"/>')
    (found,) = loaded(tmp_path, with_outlines(f"{{file: {SVG}, plane: x-z}}", svg=text))
    assert found == Outline("x-z", (((0.0, 0.0), (0.0, 2.5), (4.0, 2.5)),))


@pytest.mark.parametrize(
    ("entry", "line", "found", "expected", "mend"),
    [
        (f"{{file: {SVG}}}", 6, "without its plane", 'the key "plane"', None),
        ("{file: config/bodi.csv}", 6, 'no file "config/bodi.csv"', "by its path from the campaign folder", CSV),
        ("{file: config/body.dxf}", 6, '"config/body.dxf"', "ends in .csv or .svg", "save polylines as CSV"),
        (f"{{file: {CSV}, plane: z-x}}", 6, '"z-x"', '"x-y", "x-z" or "y-z"', None),
        (f"{{file: {CSV}, plan: x-z}}", 6, 'the unknown key "plan"', "plane", '"plane"'),
        ("{plane: x-z}", 6, "nothing", 'the key "file"', None),
        ("7", 6, "7", "a section", None),
    ],
)
def test_a_fault_of_the_settings(
    tmp_path: Path, entry: str, line: int, found: str, expected: str, mend: str | None
) -> None:
    write(tmp_path, with_outlines(entry, csv="x_m,y_m\n0,0\n1,1\n", svg=BOX.format("")))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line) == ("config/campaign.yaml", line)
    assert isinstance(fault.column, int)
    assert found in fault.found
    assert expected in fault.expected
    assert mend is None or mend in (fault.mend or "")


@pytest.mark.parametrize(
    ("text", "plane", "line", "column", "found", "expected"),
    [
        ("x_m\n0\n", None, 1, "y_m", 'no column "y_m" or "z_m"', "header"),
        ("x_m,y_m\n0,0\n1,1\n", "x-z", 1, "z_m", 'no column "z_m"', "header"),
        ("x_m,y_m,w_m\n0,0,0\n1,1,0\n", None, 1, "w_m", "unknown column", "line, x_m, y_m, z_m"),
        ("x_m,y_m\n0,0\n1,\n", None, 3, "y_m", "an empty cell", "a number of m"),
        ("x_m,y_m\n0,0\n1,high\n", None, 3, "y_m", '"high"', "a number of m"),
        ("x_m,y_m\n0,0\n4800,1\n", None, 3, "x_m", "4800", "from -1000 to 1000 m"),
        ("x_m,y_m\n0,0\n1e999,1\n", None, 3, "x_m", "1e999", "from -1000 to 1000 m"),
        ("line,x_m,y_m\na,0,0\nb,1,1\na,0,1\n", None, 3, "line", 'a single point of "b"', "at least two points"),
        ("x_m,y_m\n0,0\n", None, 2, "line", "a single point", "at least two points"),
        ("x_m,y_m\n", None, None, None, "no rows", "the points of the outline"),
        ("x_m;y_m\n0;0\n", None, 1, None, "semicolons", "commas"),
        ("", None, None, None, "an empty file", "a header row"),
    ],
)
def test_a_fault_of_a_table(
    tmp_path: Path, text: str, plane: str | None, line: int | None, column: str | None, found: str, expected: str
) -> None:
    entry = f"{{file: {CSV}, plane: {plane}}}" if plane else f"{{file: {CSV}}}"
    write(tmp_path, with_outlines(entry, csv=text))
    fault = faults_of(tmp_path)[0]
    assert (fault.file, fault.line, fault.column) == (CSV, line, column)
    assert found in fault.found
    assert expected in fault.expected


def test_millimetres_are_told_from_metres(tmp_path: Path) -> None:
    drawn = BOX.format('\n<g transform="scale(1)">\n<path d="M0 0H4800"/></g>')
    write(tmp_path, with_outlines(f"{{file: {SVG}, plane: x-z}}", svg=drawn))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.found) == (SVG, "a point at 4800, 0")
    assert "scale(0.001)" in (fault.mend or "")
    write(tmp_path, with_outlines(f"{{file: {CSV}}}", csv="x_m,y_m\n0,0\n4800,0\n"))
    (fault,) = faults_of(tmp_path)
    assert fault.mend == "4800 mm are 4.8 m"


def test_a_huge_file_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, with_outlines(f"{{file: {SVG}, plane: x-z}}", svg=BOX.format(" " * OUTLINE_FILE_BYTES)))
    monkeypatch.setattr(outlines, "read_text", lambda *_: pytest.fail("the file was read"))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.expected) == (SVG, "at most 1,000,000")
    assert fault.mend is not None


def test_a_table_of_too_many_points(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outlines, "MOST_POINTS", 3)
    write(tmp_path, with_outlines(f"{{file: {CSV}}}", csv="x_m,y_m\n" + "0,0\n1,1\n" * 2))
    (fault,) = faults_of(tmp_path)
    assert (fault.line, fault.found) == (5, "more than 3 points")


def test_an_edited_outline_runs_the_report_only(tmp_path: Path) -> None:
    def digests(text: str) -> dict[tuple[str, str], str]:
        write(tmp_path, with_outlines(f"{{file: {CSV}}}", csv=text))
        plan = Plan(load_campaign(tmp_path))
        return {(job.name, key): job.digest(plan, key) for job in JOBS.values() for key in job.keys(plan)}

    before = digests("x_m,y_m\n0,0\n4,1\n")
    assert digests("# a word\ny_m,x_m,line\n0,0.0,\n1.0,4,\n") == before
    after = digests("x_m,y_m\n0,0\n4.1,1\n")
    assert {place for place in before if before[place] != after[place]} == {("report", "")}
    assert before.keys() == after.keys()


def test_the_examples_of_the_documentation_are_read(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "outlines.md").read_text(encoding="utf-8")
    settings_text, table, drawing = (block.split("\n", 1)[1] for block in page.split("```")[1::2])
    names = {"config/outline-top.csv": table, "config/outline-side.svg": drawing}
    found = loaded(tmp_path, {**MINIMAL, "config/campaign.yaml": f"{SETTINGS}{settings_text}", **names})
    assert [each.plane for each in found] == ["x-y", "x-z"]
    assert [len(line) for line in found[0].lines] == [5, 2]
    body, wheel = found[1].lines
    assert body[1] == pytest.approx((4.9, 0.32))
    assert min(z for _, z in wheel) == pytest.approx(0.0)


COORDINATES = st.floats(-1000, 1000, allow_nan=False)
POLYLINES = st.lists(st.lists(st.tuples(COORDINATES, COORDINATES), min_size=2, max_size=5), min_size=1, max_size=4)


@settings(max_examples=60)
@given(lines=POLYLINES)
def test_what_is_written_is_read_from_both_kinds(lines: list[list[tuple[float, float]]]) -> None:
    rows = [f"p{number},{x!r},{z!r}\n" for number, line in enumerate(lines) for x, z in line]
    shapes = ["<polyline points='" + " ".join(f"{x!r},{0.0 - z!r}" for x, z in line) + "'/>" for line in lines]
    entries = f"{{file: {CSV}}}, {{file: {SVG}, plane: x-z}}"
    texts = {"csv": "line,x_m,z_m\n" + "".join(rows), "svg": BOX.format("".join(shapes))}
    with tempfile.TemporaryDirectory() as folder:
        table, drawing = loaded(Path(folder), with_outlines(entries, **texts))
    assert table == drawing == Outline("x-z", tuple(map(tuple, lines)))
