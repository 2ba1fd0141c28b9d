"""Figures as files and as pictures in the page, always the same bytes."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure
from PIL import Image

from tapeline.report.wording import file_stem
from tapeline.store.atomic import replacing

SVG_BYTES = 125_000
"""A drawing above this size is kept as pixels."""
MANY_PARTS = 780
"""A figure of more parts than this is above that size for sure and is not tried as a drawing."""
PAGE_BYTES = 13_000_000
"""Room for pictures in the page, as text; further figures are named by their file."""
COLOURS = 256


@dataclass(frozen=True)
class Picture:
    """A figure on the page. `source` is a data URI, None where the page has no more room for it."""

    file: str
    source: str | None
    alt: str
    caption: str
    width_px: int
    height_px: int


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

    def __init__(self, folder: Path, page_bytes: int = PAGE_BYTES) -> None:
        self.folder = folder
        self.room = page_bytes
        self.written: set[str] = set()

    def add(
        self, parts: tuple[str, ...], figure: Figure, *, alt: str, caption: str, full_colour: bool = False
    ) -> Picture:
        """Write a figure under a name made of identifiers and return its picture.

        Raises ValueError for a part that is no identifier.
        """
        kind, content = file_content(figure, full_colour=full_colour)
        name = self._free_name(file_stem(parts), kind)
        with replacing(self.folder / name) as temporary:
            temporary.write_bytes(content)
        width, height = figure.get_size_inches()
        return Picture(
            file=f"{self.folder.name}/{name}",
            source=self._embedded(kind, content),
            alt=alt,
            caption=caption,
            width_px=round(width * 120),
            height_px=round(height * 120),
        )

    def _free_name(self, stem: str, kind: str) -> str:
        """The name, with a number where two sets of identifiers run together into one."""
        name, count = f"{stem}.{kind}", 1
        while name in self.written:
            count += 1
            name = f"{stem}-{count}.{kind}"
        self.written.add(name)
        return name

    def _embedded(self, kind: str, content: bytes) -> str | None:
        media = "image/svg+xml" if kind == "svg" else "image/png"
        source = f"data:{media};base64,{base64.b64encode(content).decode('ascii')}"
        if len(source) > self.room:
            return None
        self.room -= len(source)
        return source

    def clear_others(self) -> None:
        """Take away the figures of earlier reports: an old figure beside new ones would mislead."""
        for path in sorted(self.folder.glob("*")):
            if path.suffix in (".svg", ".png") and path.name not in self.written:
                path.unlink()
