"""What of the frequencies and of the time is not there, or depends on how it is computed."""

from __future__ import annotations

from collections.abc import Iterable

from tapeline.report.attention_item import Attention
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.wording import counted, listed, printable

WHY_ABSENT = {
    "few-lines": ("they hold too few spectral lines", "lower spectra.resolution_hz"),
    "short-record": ("bandwidth times recording time is too small", "record for longer"),
    "high-pass": ("the high-pass filter before the recorder weakens them", "read from the next band on"),
    "anti-alias": ("they reach beyond what the sampling rate allows", "sample faster, or ask for fewer bands"),
    "chart-ends": ("the sensor's chart ends before", "have the sensor calibrated there, or ask for fewer bands"),
}
"""In words why a band has no level, and what to do."""


def range_lines(tables: FinishedTables) -> list[Attention]:
    """Bands without a level, bands where two ways of computing differ, comparisons of a part, stretches left out."""
    return [*_absent(tables), *_differ(tables), *_beyond_background(tables), *_in_part(tables), *_left_out(tables)]


def _marked(tables: FinishedTables) -> dict[tuple[str, str], dict[float, set[str]]]:
    """Positions by band, of each session and mark."""
    found: dict[tuple[str, str], dict[float, set[str]]] = {}
    for session, table in tables.bands.items():
        columns = (table.column(name).to_pylist() for name in ("position", "band_hz", "marks"))
        for position, band, marks in zip(*columns, strict=True):
            for mark in marks or ():
                found.setdefault((session, mark), {}).setdefault(band, set()).add(position)
    return found


def _where(by_band: dict[float, set[str]]) -> str:
    bands = sorted(by_band)
    span = f"{bands[0]:g} Hz" if len(bands) == 1 else f"{bands[0]:g} to {bands[-1]:g} Hz"
    positions = set().union(*by_band.values())
    return f"{counted(len(bands), 'band')}, {span}, at {listed(sorted(positions), 4)}"


def _absent(tables: FinishedTables) -> list[Attention]:
    return [
        Attention(
            "note", f"session {session}", f"no level: {_where(by_band)}: {WHY_ABSENT[mark][0]}", WHY_ABSENT[mark][1]
        )
        for (session, mark), by_band in sorted(_marked(tables).items())
        for why, action in [WHY_ABSENT.get(mark, ("", ""))]
        if why
    ]


def _differ(tables: FinishedTables) -> list[Attention]:
    return [
        Attention(
            "note",
            f"session {session}",
            f"summed lines and band filters differ: {_where(by_band)}: a tone near an edge, or a steep spectrum",
            "see filters_minus_lines_db in the table of bands; state the method with the level",
        )
        for (session, mark), by_band in sorted(_marked(tables).items())
        if mark == "methods-differ"
    ]


def _beyond_background(tables: FinishedTables) -> list[Attention]:
    return [
        Attention(
            "note",
            f"session {session}",
            f"nothing subtracted: {_where(by_band)}: the background runs do not reach there",
            "record the background at the same sampling rate",
        )
        for (session, mark), by_band in sorted(_marked(tables).items())
        if mark == "background-narrower"
    ]


def _gathered(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    together: dict[str, list[str]] = {}
    for text, place in pairs:
        places = together.setdefault(text, [])
        if place not in places:
            places.append(place)
    return together


def _in_part(tables: FinishedTables) -> list[Attention]:
    rows = [row for row in tables.comparisons if row["common_part"]]
    said = _gathered((f"{row['comparison']}: {row['common_part']}", row["position"]) for row in rows)
    return [
        Attention("note", f"comparison {text.partition(': ')[0]}, {listed(sorted(places), 4)}", text.partition(": ")[2],
                  "measure both conditions with the same band range, or name a range that both have")
        for text, places in sorted(said.items())
    ]  # fmt: skip


def _left_out(tables: FinishedTables) -> list[Attention]:
    return [
        Attention(
            "note", f"run {row['run']}", printable(f"not averaged: {listed(row['left_out'], 6)}"), "nothing: so asked"
        )
        for row in tables.runs
        if row["left_out"]
    ]
