"""Every figure of the page as two files: the drawing, and its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from tapeline.report.charts.figure import Figure
from tapeline.report.figure_data import csv_text
from tapeline.store.file_records import forget_written, require_as_written, result_file

STYLE = Path(__file__).parent / "charts.css"


def write_figures(folder: Path, figures: Sequence[Figure]) -> None:
    """Write the drawings and numbers that are not there as they would be written, and take away what is left of others.

    An old figure beside new ones would mislead.
    """
    style = STYLE.read_text(encoding="utf-8")
    wanted: set[str] = set()
    for figure in figures:
        for name, content in (
            (f"{figure.stem}.svg", drawing_text(figure, style)),
            (f"{figure.stem}.csv", csv_text(figure.data)),
        ):
            if name in wanted:
                raise ValueError(f"two figures of the page have one name: {figure.stem}")
            wanted.add(name)
            write_changed(folder / name, content.encode("utf-8"))
    for path in sorted(folder.glob("*")):
        if path.suffix in (".svg", ".csv", ".png") and path.name not in wanted:
            path.unlink()
            forget_written(path)


def drawing_text(figure: Figure, style: str) -> str:
    """A drawing that stands alone, with the style that the page has, in its light colours."""
    opening, rest = figure.drawing.split(">", 1)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{opening}><style>{style}</style>{rest}\n'


def write_changed(path: Path, content: bytes) -> None:
    """Write a file that is not there as it would be written; one that is keeps its time."""
    if path.is_file() and path.read_bytes() == content and require_as_written(path) is not None:
        return
    with result_file(path, flushed=False) as temporary:
        temporary.write_bytes(content)
