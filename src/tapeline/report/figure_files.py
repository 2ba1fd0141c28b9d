"""Figures as files and as pictures in the page, always the same bytes."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure
from PIL import Image

from tapeline.report.figure_data import FigureData, csv_text
from tapeline.report.figure_letters import Letters
from tapeline.report.wording import file_stem
from tapeline.store.file_records import forget_written, result_file

SVG_BYTES = 125_000
"""A drawing above this size is kept as pixels."""
MANY_PARTS = 780
"""A figure of more parts than this is above that size for sure and is not tried as a drawing."""
PAGE_BYTES = 13_000_000
"""Room for pictures in the page, as text; further figures are named by their file."""
COLOURS = 256


@dataclass(frozen=True)
class Subject:
    """What a figure is about, for readers who choose: empty where it is about all of them."""

    comparison: str = ""
    point: str = ""
    positions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Spot:
    """A place on a figure that says something of its own: its upper left corner and size in percent of the figure's."""

    left: float
    top: float
    width: float
    height: float
    text: str


@dataclass(frozen=True)
class Picture:
    """A figure on the page. `source` is a data URI, None where the page has no more room for it.

    `file` is the drawing, `data_file` the table of its numbers beside it.
    """

    file: str
    data_file: str
    source: str | None
    alt: str
    caption: str
    width_px: int
    height_px: int
    subject: Subject = Subject()
    spots: tuple[Spot, ...] = ()


def svg_bytes(figure: Figure) -> bytes:
    """The figure as SVG without date, creator or any reference to load."""
    stream = io.BytesIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return stream.getvalue()


def png_bytes(figure: Figure, *, full_colour: bool = False) -> bytes:
    """The figure as PNG: of line drawings with a palette, a third of the size and no difference that an eye can see.

    `full_colour` keeps all colours, for figures whose colours carry numbers.
    """
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    if full_colour:
        return stream.getvalue()
    stream.seek(0)
    palette = Image.open(stream).convert("RGB").quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE)
    made = io.BytesIO()
    palette.save(made, format="PNG", optimize=True)
    return made.getvalue()


def file_content(figure: Figure, *, full_colour: bool = False) -> tuple[str, bytes]:
    """A figure's kind, "svg" or "png", and bytes: a drawing where that is small, else pixels."""
    if not full_colour and len(figure.findobj()) <= MANY_PARTS:
        drawing = svg_bytes(figure)
        if len(drawing) <= SVG_BYTES:
            return "svg", drawing
    return "png", png_bytes(figure, full_colour=full_colour)


class FigureShelf:
    """Writes figures into one folder and hands out their pictures while the page has room."""

    def __init__(
        self,
        folder: Path,
        page_bytes: int = PAGE_BYTES,
        letters: Letters | None = None,
        written_by: Callable[[Path], AbstractContextManager[Path]] = result_file,
    ) -> None:
        self.folder = folder
        self.written_by = written_by
        self.letters = letters or Letters()
        self.room = page_bytes
        self.written: set[str] = set()

    def add(
        self,
        parts: tuple[str, ...],
        figure: Figure,
        *,
        alt: str,
        caption: str,
        data: FigureData,
        subject: Subject | None = None,
        spots: tuple[Spot, ...] = (),
        full_colour: bool = False,
    ) -> Picture:
        """Write a figure and its numbers under a name made of identifiers and return its picture.

        Raises ValueError for a part that is no identifier.
        """
        self.letters.mend(figure)
        kind, content = file_content(figure, full_colour=full_colour)
        stem = self._free_name(file_stem(parts))
        name, data_name = f"{stem}.{kind}", f"{stem}.csv"
        for written, made in ((name, content), (data_name, csv_text(data).encode("utf-8"))):
            with self.written_by(self.folder / written) as temporary:
                temporary.write_bytes(made)
            self.written.add(written)
        width, height = figure.get_size_inches()
        return Picture(
            file=f"{self.folder.name}/{name}",
            data_file=f"{self.folder.name}/{data_name}",
            source=self._embedded(kind, content),
            alt=alt,
            caption=caption,
            width_px=round(width * 120),
            height_px=round(height * 120),
            subject=subject or Subject(),
            spots=spots,
        )

    def _free_name(self, stem: str) -> str:
        """The name, with a number where two sets of identifiers run together into one."""
        name, count = stem, 1
        while f"{name}.csv" in self.written:
            count += 1
            name = f"{stem}-{count}"
        return name

    def _embedded(self, kind: str, content: bytes) -> str | None:
        media = "image/svg+xml" if kind == "svg" else "image/png"
        source = f"data:{media};base64,{base64.b64encode(content).decode('ascii')}"
        if len(source) > self.room:
            return None
        self.room -= len(source)
        return source

    def clear_others(self) -> None:
        """Take away what earlier reports left: an old figure beside new ones would mislead."""
        for path in sorted(self.folder.glob("*")):
            if path.suffix in (".svg", ".png", ".csv") and path.name not in self.written:
                path.unlink()
                forget_written(path)
