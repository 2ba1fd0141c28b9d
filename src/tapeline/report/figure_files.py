"""Figures as files and as pictures in the page, always the same bytes."""

from __future__ import annotations

import base64
import io
import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from tapeline.report.drawn_from import digest_of_drawing
from tapeline.report.figure_data import FigureData, csv_text
from tapeline.report.figure_letters import Letters
from tapeline.report.figure_processes import shared_out
from tapeline.report.figure_style import report_style
from tapeline.report.wording import file_stem
from tapeline.store.atomic import replacing
from tapeline.store.file_records import forget_written, keep_written, record_of, result_file, written_record

SVG_BYTES = 125_000
"""A drawing above this size is kept as pixels."""
MANY_PARTS = 780
"""A figure of more parts than this is above that size for sure and is not tried as a drawing."""
PAGE_BYTES = 13_000_000
"""Room for pictures in the page, as text; further figures are named by their file."""
COLOURS = 256
COMPRESSION, STRATEGY = 6, 0
"""Effort and strategy of zlib (`Z_DEFAULT_STRATEGY`). Of the sample's figures with a palette effort 9 took seven times
as long for a tenth less, effort 3 half as long for 15 % more; those of all colours are smallest with this strategy."""


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
class Drawn:
    """A figure with what is known of it only when it is drawn: its spots, and what its caption must say besides."""

    figure: Figure
    spots: tuple[Spot, ...] = ()
    note: str = ""


Drawing: TypeAlias = "partial[Figure] | partial[Drawn]"
"""A figure yet to be drawn: a function of a module and all that it takes, as plain values, rows and arrays."""


@dataclass
class Picture:
    """A figure on the page. `source` is a data URI, None where the page has no more room for it.

    `file` is the drawing, `data_file` the table of its numbers beside it. What only the drawing tells, its file, size,
    spots and the end of its caption, is there once the shelf has drawn it.
    """

    data_file: str
    alt: str
    caption: str
    subject: Subject = Subject()
    file: str = ""
    source: str | None = None
    width_px: int = 0
    height_px: int = 0
    spots: tuple[Spot, ...] = ()


@dataclass(frozen=True)
class Layout:
    """What the page needs to know of a figure's file beside its content: `kind` is "svg" or "png"."""

    kind: str
    width_px: int
    height_px: int
    spots: tuple[Spot, ...]
    note: str


@dataclass(frozen=True)
class _Shelved:
    """A figure that was handed to the shelf: `made_from` is the digest of all that its files depend on."""

    stem: str
    drawing: Drawing
    data: FigureData
    full_colour: bool
    made_from: str
    picture: Picture


def svg_bytes(figure: Figure, most: int | None = None) -> bytes:
    """The figure as SVG without date, creator or any reference to load; at `most` so large."""
    stream = _Bounded(most)
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return stream.getvalue()


def png_bytes(figure: Figure, *, full_colour: bool = False) -> bytes:
    """The figure as PNG: of line drawings with a palette, a third of the size and no difference that an eye can see.

    `full_colour` keeps all colours, for figures whose colours carry numbers.
    """
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    pixels = canvas.buffer_rgba()  # type: ignore[no-untyped-call]
    image = Image.frombuffer("RGBA", canvas.get_width_height(), pixels, "raw", "RGBA", 0, 1).convert("RGB")
    if not full_colour:
        image = image.quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE)
    made = io.BytesIO()
    image.save(made, format="PNG", compress_level=COMPRESSION, compress_type=STRATEGY)
    return made.getvalue()


def file_content(figure: Figure, *, full_colour: bool = False) -> tuple[str, bytes]:
    """A figure's kind, "svg" or "png", and bytes: a drawing where that is small, else pixels."""
    if not full_colour and len(figure.findobj()) <= MANY_PARTS:
        with suppress(_TooLargeError):
            return "svg", svg_bytes(figure, most=SVG_BYTES)
    return "png", png_bytes(figure, full_colour=full_colour)


class _TooLargeError(Exception):
    """A drawing has grown beyond the size that is kept."""


class _Bounded(io.BytesIO):
    """Takes so many bytes at most, so that a drawing that is too large is not made to its end."""

    def __init__(self, most: int | None) -> None:
        super().__init__()
        self.most = most

    def write(self, content: Any) -> int:
        written = super().write(content)
        if self.most is not None and self.tell() > self.most:
            raise _TooLargeError
        return written


def drawn(drawing: Drawing, letters: Letters, *, full_colour: bool = False) -> tuple[Layout, bytes]:
    """A figure's layout and the content of its file."""
    made = drawing()
    whole = made if isinstance(made, Drawn) else Drawn(made)
    letters.mend(whole.figure)
    kind, content = file_content(whole.figure, full_colour=full_colour)
    width, height = whole.figure.get_size_inches()
    return Layout(kind, round(width * 120), round(height * 120), whole.spots, whole.note), content


def drawn_record(path: Path) -> tuple[str, Layout]:
    """The digest that a figure was drawn from, and its layout.

    Raises OSError, ValueError, TypeError or KeyError where the file holds nothing of the kind.
    """
    entry = json.loads(path.read_text(encoding="utf-8"))
    given = entry["layout"]
    return str(entry["made_from"]), Layout(**{**given, "spots": tuple(Spot(**spot) for spot in given["spots"])})


def keep_drawn(path: Path, made_from: str, layout: Layout) -> None:
    """Keep what a figure was drawn from, and its layout."""
    with replacing(path, flushed=False) as temporary:
        temporary.write_text(json.dumps({"made_from": made_from, "layout": asdict(layout)}), encoding="utf-8")


def _is_as_written(path: Path) -> bool:
    """Whether a file is there with the content that was written to it; keeps the times of one that was touched."""
    record = written_record(path)
    now = record and record.now(path, whole=True)
    if now is not None and now != record:
        keep_written(path, now)
    return now is not None


class FigureShelf:
    """Has figures drawn into one folder and hands out their pictures while the page has room.

    `add` takes a figure's function with its rows; `draw` calls those whose files are not there as they were drawn
    from the same. Figures that are no results (`kept` False) are always drawn. `drawn_with` stands for what all depend
    on beside their rows.
    """

    def __init__(
        self,
        folder: Path,
        page_bytes: int = PAGE_BYTES,
        letters: Letters | None = None,
        *,
        kept: bool = True,
        drawn_with: tuple[Any, ...] = (),
        processes: int = 1,
    ) -> None:
        self.folder = folder
        self.kept = kept
        self.letters = letters or Letters()
        self.drawn_with = drawn_with
        self.processes = processes
        self.room = page_bytes
        self.written: set[str] = set()
        self._shelved: list[_Shelved] = []

    def add(
        self,
        parts: tuple[str, ...],
        drawing: Drawing,
        *,
        alt: str,
        caption: str,
        data: FigureData,
        subject: Subject | None = None,
        full_colour: bool = False,
    ) -> Picture:
        """Take a figure and its numbers under a name made of identifiers; its picture is whole after `draw`.

        Raises ValueError for a part that is no identifier, TypeError for a drawing of what has no plain form.
        """
        stem = self._free_name(file_stem(parts))
        self.written.add(f"{stem}.csv")
        picture = Picture(f"{self.folder.name}/{stem}.csv", alt, caption, subject or Subject())
        made_from = digest_of_drawing(self.drawn_with, self.letters, drawing, data, full_colour)
        self._shelved.append(_Shelved(stem, drawing, data, full_colour, made_from, picture))
        return picture

    def draw(self) -> None:
        """Draw what is not there yet, several figures at a time, and make the pictures whole."""
        shelved, self._shelved = self._shelved, []
        there = {each.stem: layout for each in shelved if (layout := self._there(each)) is not None}
        wanted = [each for each in shelved if each.stem not in there]
        with report_style():
            self.letters.use()
            made = shared_out(lambda index: self._draw(wanted[index]), len(wanted), self.processes)
        there |= {each.stem: layout for each, layout in zip(wanted, made, strict=True)}
        for each in shelved:
            self._complete(each.picture, each.stem, there[each.stem])

    def _there(self, each: _Shelved) -> Layout | None:
        """The layout of a figure whose files are there as they were made from the same."""
        record = self._record(each.stem)
        try:
            made_from, layout = drawn_record(record)
        except (OSError, ValueError, TypeError, KeyError):
            return None
        names = (f"{each.stem}.{layout.kind}", f"{each.stem}.csv")
        is_whole = made_from == each.made_from and all(_is_as_written(self.folder / name) for name in names)
        return layout if is_whole else None

    def _draw(self, each: _Shelved) -> Layout:
        layout, content = drawn(each.drawing, self.letters, full_colour=each.full_colour)
        record = self._record(each.stem)
        record.unlink(missing_ok=True)
        numbers = csv_text(each.data).encode("utf-8")
        for name, made in ((f"{each.stem}.{layout.kind}", content), (f"{each.stem}.csv", numbers)):
            with (result_file if self.kept else replacing)(self.folder / name) as temporary:
                temporary.write_bytes(made)
        if self.kept:
            keep_drawn(record, each.made_from, layout)
        return layout

    def _complete(self, picture: Picture, stem: str, layout: Layout) -> None:
        name = f"{stem}.{layout.kind}"
        self.written.add(name)
        picture.file = f"{self.folder.name}/{name}"
        picture.source = self._embedded(layout.kind, (self.folder / name).read_bytes())
        picture.width_px, picture.height_px, picture.spots = layout.width_px, layout.height_px, layout.spots
        picture.caption += layout.note

    def _record(self, stem: str) -> Path:
        return record_of(self.folder / f"{stem}.csv").with_name(f"{stem}.drawn.json")

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
                self._record(path.stem).unlink(missing_ok=True)
