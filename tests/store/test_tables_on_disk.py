"""Tables on disk: the same bytes, the declared schema, readable by the clients that dashboards use."""

from __future__ import annotations

import math
import runpy
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

from tapeline.store import arrow_file, parquet, tables
from tapeline.store.atomic import replacing
from tapeline.store.parquet import SchemaMismatchError
from tapeline.store.schema import Column, Table

STAMP = {"campaign": "c", "digest": "d"}


def spectra_rows() -> list[dict[str, Any]]:
    """Two spectra of four lines, out of order."""
    return [
        {
            "run": run,
            "position": "p1",
            "first_hz": 20.0,
            "step_hz": 5.0,
            "psd_pa2_per_hz": np.arange(4.0) + start,
            "corrected_psd_pa2_per_hz": np.array([1.0, math.nan, 2.0, 3.0]),
            "state": np.array([1, 4, 2, 2], dtype=np.uint8),
        }
        for run, start in (("r2", 10.0), ("r1", 0.0))
    ]


def partition(folder: Path) -> Path:
    """A narrowband partition of one session."""
    path = folder / "narrowband" / "session=april" / "part-0.parquet"
    parquet.write_rows(tables.NARROWBAND, path, spectra_rows(), **STAMP)
    return path


def test_two_writes_give_the_same_bytes(tmp_path: Path) -> None:
    assert partition(tmp_path / "a").read_bytes() == partition(tmp_path / "b").read_bytes()


@pytest.mark.parametrize("table", tables.ALL, ids=lambda table: table.name)
def test_an_empty_table_keeps_its_schema_units_and_metadata(tmp_path: Path, table: tables.Table) -> None:
    parquet.write_rows(table, tmp_path / "t.parquet", [], **STAMP)
    schema = pq.read_schema(tmp_path / "t.parquet")
    assert tuple(schema.names) == ("campaign", *table.column_names())
    assert schema.metadata[b"tapeline.schema"] == f"{table.name}/{table.version}".encode()
    assert schema.metadata[b"tapeline.made_from"] == b"d"
    for column in table.stored_columns:
        metadata = schema.field(column.name).metadata
        assert metadata[b"unit"].decode() == column.unit
        assert metadata[b"description"]
        suffix = "" if "_per_" in column.name else column.name.rsplit("_", 1)[-1]
        assert column.unit == {"hz": "Hz", "s": "s", "mps": "m/s"}.get(suffix, column.unit)


def test_rows_are_sorted_and_lists_split_by_byte(tmp_path: Path) -> None:
    path = partition(tmp_path)
    assert parquet.read(path).column("run").to_pylist() == ["r1", "r2"]
    group = pq.ParquetFile(path).metadata.row_group(0)
    encodings = {group.column(i).path_in_schema: group.column(i).encodings for i in range(group.num_columns)}
    assert "BYTE_STREAM_SPLIT" in encodings["psd_pa2_per_hz.list.element"]
    assert group.column(0).compression == "ZSTD"


def test_missing_and_unknown_columns_are_errors_of_the_program(tmp_path: Path) -> None:
    with pytest.raises(parquet.SchemaMismatchError, match="unknown columns"):
        parquet.write_rows(tables.RUNS, tmp_path / "t.parquet", [{"rnu": "a"}], **STAMP)
    with pytest.raises(parquet.SchemaMismatchError, match="missing columns"):
        parquet.write(tables.RUNS, tmp_path / "t.parquet", {"run": ["a"]}, **STAMP)
    assert list(tmp_path.iterdir()) == []


def test_three_clients_read_the_session_and_unnest_the_lists(tmp_path: Path) -> None:
    """The lines of docs/reading_tables.md."""
    partition(tmp_path)
    glob = str(tmp_path / "narrowband" / "*" / "*.parquet")
    rows = duckdb.execute(
        "SELECT session, run, first_hz + step_hz * (i - 1) AS frequency_hz, psd_pa2_per_hz[i] AS psd FROM "
        "(SELECT *, unnest(range(1, len(psd_pa2_per_hz) + 1)) AS i "
        "FROM read_parquet($glob, hive_partitioning = true)) ORDER BY run, frequency_hz",
        {"glob": glob},
    ).fetchall()
    expected = [
        ("april", run, 20.0 + 5.0 * i, start + i) for run, start in (("r1", 0.0), ("r2", 10.0)) for i in range(4)
    ]
    assert rows == expected
    frame = pd.read_parquet(tmp_path / "narrowband")
    assert set(frame.session) == {"april"}
    long = frame[["run", "first_hz", "step_hz", "psd_pa2_per_hz"]].explode("psd_pa2_per_hz")
    long["frequency_hz"] = long.first_hz + long.step_hz * long.groupby("run").cumcount()
    assert long.frequency_hz.tolist() == [row[2] for row in expected]
    spread = (
        pl.read_parquet(glob)
        .select("run", "first_hz", "step_hz", "psd_pa2_per_hz")
        .explode("psd_pa2_per_hz")
        .with_columns(frequency_hz=pl.col("first_hz") + pl.col("step_hz") * pl.int_range(pl.len()).over("run"))
    )
    assert spread["frequency_hz"].to_list() == [row[2] for row in expected]
    assert spread["psd_pa2_per_hz"].to_list() == [row[3] for row in expected]


def test_the_lines_of_the_reading_page_give_sessions_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sessions called by numbers, which every reader guesses otherwise; the very lines of docs/reading_tables.md."""
    folder = tmp_path / "results" / "tables"
    monkeypatch.chdir(tmp_path)
    two_campaigns(tmp_path)
    for session in ("01", "2"):
        for name in ("narrowband", "bands", "band_history", "spectrogram", "cross_spectra"):
            table = {**tables.MADE_ON_REQUEST, "narrowband": tables.NARROWBAND, "bands": tables.BANDS}[name]
            rows = spectra_rows() if name == "narrowband" else [{"run": "r1", "position": "p1"}]
            parquet.write_rows(table, folder / name / f"session={session}" / "part-0.parquet", rows, **STAMP)
    for table in (tables.CALIBRATION, tables.BUDGETS):
        parquet.write_rows(table, folder / f"{table.name}.parquet", [], **STAMP)
    page = (Path(__file__).parents[2] / "docs" / "reading_tables.md").read_text(encoding="utf-8")
    blocks = [block.partition("\n")[::2] for block in page.split("```")[1::2]]
    space: dict[str, Any] = {}
    for language, lines in blocks:
        if language == "sql":
            found = duckdb.sql(lines).to_arrow_table()
            assert set(found["session"].to_pylist()) == {"01", "2"}
            if "condition" in found.column_names:
                assert found.num_rows == len(OF_TWO_CAMPAIGNS)
            continue
        script = tmp_path / "lines.py"
        script.write_text(lines, encoding="utf-8")
        space = runpy.run_path(str(script), init_globals=space)
        for name in ("bands", "spectra", "rows", "gram", "pairs", "joined"):
            if name in space:
                assert set(space[name]["session"]) == {"01", "2"}, (name, lines)
        if "joined" in space:
            joined = space.pop("joined")[["campaign", "run", "level_db", "condition"]].to_numpy().tolist()
            assert sorted(joined) == OF_TWO_CAMPAIGNS
    assert len(blocks) == 8
    assert len(space["rows"]) == 16


OF_TWO_CAMPAIGNS = [
    ["doors", "r1", 80.0, "open"],
    ["doors", "r2", 81.0, "taped"],
    ["roof", "r1", 90.0, "taped"],
    ["roof", "r2", 91.0, "open"],
]
"""Level and condition of runs that are called the same in two campaigns."""


def two_campaigns(folder: Path) -> None:
    """Results of two campaigns side by side, in two sessions each."""
    for campaign, run, level_db, condition in OF_TWO_CAMPAIGNS:
        made = folder / campaign / "results" / "tables"
        stamp = {"campaign": campaign, "digest": "d"}
        bands = [{"run": run, "position": "p1", "band_hz": 500.0, "level_db": level_db}]
        session = {"r1": "01", "r2": "2"}[run]
        parquet.write_rows(tables.BANDS, made / "bands" / f"session={session}" / "part-0.parquet", bands, **stamp)
        runs = [
            {"run": run, "session": session, "condition": condition}
            for name, run, _, condition in OF_TWO_CAMPAIGNS
            if name == campaign
        ]
        parquet.write_rows(tables.RUNS, made / "runs.parquet", runs, **stamp)


def test_runs_of_one_name_in_two_campaigns_stay_apart(tmp_path: Path) -> None:
    two_campaigns(tmp_path)
    bands, runs = (str(tmp_path / "*/results/tables" / name) for name in ("bands/*/*.parquet", "runs.parquet"))
    found = duckdb.execute(
        "SELECT campaign, run, level_db, condition FROM read_parquet($bands) AS bands "
        "JOIN read_parquet($runs) AS runs USING (campaign, run) ORDER BY campaign, run",
        {"bands": bands, "runs": runs},
    ).fetchall()
    assert [list(row) for row in found] == OF_TWO_CAMPAIGNS
    frames = (pl.read_parquet(path) for path in (bands, runs))
    joined = next(frames).join(next(frames), on=["campaign", "run"]).sort("campaign", "run")
    assert joined.select("campaign", "run", "level_db", "condition").rows() == [tuple(row) for row in OF_TWO_CAMPAIGNS]


def test_the_writer_names_the_campaign_in_every_row_and_steps_read_without_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet, "ROW_GROUP_ROWS", 2)
    rows = [{"run": f"r{n}", "position": "p1", "weighting": "A", "time_s": 0.0} for n in range(5)]
    whole, parts = tmp_path / "whole.parquet", tmp_path / "parts.parquet"
    parquet.write_rows(tables.HISTORY, whole, rows, **STAMP)
    with parquet.writing_parts(tables.HISTORY, parts, **STAMP) as writer:
        writer.write_rows(rows[:3])
        writer.write_table(parquet.to_arrow(tables.HISTORY, parquet.rows_to_columns(tables.HISTORY, rows[3:])))
    for path in (whole, parts):
        made = pq.read_table(path)
        assert made.column_names[0] == "campaign"
        assert made["campaign"].to_pylist() == ["c"] * 5
        assert not made.schema.field("campaign").nullable
        assert "RLE_DICTIONARY" in pq.ParquetFile(path).metadata.row_group(0).column(0).encodings
        for read in (parquet.read(path), parquet.read_where(path, [("run", ">=", "r0")])):
            assert tuple(read.column_names) == tables.HISTORY.column_names()


def test_rows_keep_their_order_and_are_all_looked_at_however_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet, "ROWS_AT_ONCE", 2)
    pair = Table("t", 1, "a table", ("name",), (Column("name", "text", "a name"), Column("level_db", "real", "", "dB")))
    rows: list[dict[str, Any]] = [{"name": "c"}, {"name": "a", "level_db": 1.0}, {"level_db": 2.0}]
    assert parquet.rows_to_columns(pair, iter(rows)) == {"name": ["c", "a", None], "level_db": [None, 1.0, 2.0]}
    with pytest.raises(SchemaMismatchError, match="unknown columns \\['lvel_db'\\]"):
        parquet.rows_to_columns(pair, [*rows, {"lvel_db": 3.0}])


def test_parts_are_sorted_as_one_and_each_is_checked() -> None:
    single = Table("t", 1, "a table", ("name",), (Column("name", "text", "a name"),))
    assert parquet.to_arrow(single, {"name": ["b", "d"]}, {"name": ["c", "a"]})["name"].to_pylist() == list("abcd")
    assert parquet.to_arrow(single).num_rows == 0
    with pytest.raises(SchemaMismatchError, match="unknown \\['nam'\\]"):
        parquet.to_arrow(single, {"name": ["b"]}, {"nam": ["c"]})


def test_many_small_parts_are_few_row_groups(tmp_path: Path) -> None:
    """A row group a run makes a footer of 6 kB a run, which is read before the first row."""
    path = tmp_path / "bands.parquet"
    with parquet.writing_parts(tables.BANDS, path, campaign="van", digest="d") as writer:
        for run in range(5000):
            writer.write_rows([{"run": f"r{run}", "position": f"p{i}", "band_hz": 100.0} for i in range(20)])
    written = pq.ParquetFile(path).metadata
    assert (written.num_rows, written.num_row_groups) == (100_000, 3)
    assert written.serialized_size < 50_000


def test_long_rows_are_written_before_they_fill_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "spectra.parquet"
    row = {"run": "r", "position": "p", "psd_pa2_per_hz": np.ones(500_000, dtype=np.float32)}
    with parquet.writing_parts(tables.SPECTRA, path, campaign="van", digest="d") as writer:
        for _ in range(24):
            writer.write_rows([row])
    assert pq.ParquetFile(path).metadata.num_row_groups == 3


def test_a_writer_that_fails_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "kept.txt"
    path.write_text("old")
    with pytest.raises(RuntimeError, match="half way"), replacing(path) as temporary:
        temporary.write_text("new")
        raise RuntimeError("half way")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_pressure_comes_back_as_written(tmp_path: Path) -> None:
    blocks = [np.random.default_rng(i).normal(size=(2, 100 + i)).astype(np.float32) for i in range(3)]
    with arrow_file.writing(tmp_path / "p.arrow", ["a", "b"], 25_600.0, {"tapeline.run": "r"}) as writer:
        for block in blocks:
            writer.write(block)
    source = arrow_file.PressureFile(tmp_path / "p.arrow")
    assert (source.positions, source.sample_rate_hz) == (("a", "b"), 25_600.0)
    assert np.array_equal(np.concatenate(list(source.blocks()), axis=1), np.concatenate(blocks, axis=1))


def test_an_empty_pressure_file_is_valid(tmp_path: Path) -> None:
    with arrow_file.writing(tmp_path / "p.arrow", [], 0.0, {}):
        pass
    source = arrow_file.PressureFile(tmp_path / "p.arrow")
    assert source.positions == ()
    assert list(source.blocks()) == []


@pytest.mark.parametrize("odd", [math.nan, math.inf, -math.inf])
def test_neither_nan_nor_infinity_stands_in_a_table(odd: float) -> None:
    columns = (Column("name", "text", "a name"), Column("level_db", "real", "a level", "dB"))
    gapless = Column("lines_db", "reals", "levels of lines", "dB")
    single = Table("t", 1, "a table", ("name",), columns)
    lists = Table("t", 1, "a table", ("name",), (columns[0], gapless))
    with_gaps = Table("t", 1, "a table", ("name",), (columns[0], replace(gapless, gap="silent")))
    with pytest.raises(SchemaMismatchError, match="level_db"):
        parquet.to_arrow(single, {"name": ["a"], "level_db": [odd]})
    with pytest.raises(SchemaMismatchError, match="lines_db"):
        parquet.to_arrow(lists, {"name": ["a"], "lines_db": [np.array([1.0, odd])]})
    if math.isnan(odd):
        assert parquet.to_arrow(single, {"name": ["a"], "level_db": np.array([odd])})["level_db"].to_pylist() == [None]
        made = parquet.to_arrow(with_gaps, {"name": ["a"], "lines_db": [np.array([1.0, odd])]})
        assert made["lines_db"].to_pylist() == [[1.0, None]]
    else:
        with pytest.raises(SchemaMismatchError, match="lines_db"):
            parquet.to_arrow(with_gaps, {"name": ["a"], "lines_db": [np.array([1.0, odd])]})
