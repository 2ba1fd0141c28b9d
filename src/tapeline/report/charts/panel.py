"""One panel of a figure: its axes and what is drawn between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tapeline.arrays import Reals
from tapeline.report.charts.dense_curves import dense_path, envelope
from tapeline.report.charts.looks import Look, bound_arrow, marks
from tapeline.report.charts.markup import element, moves, px, text
from tapeline.report.charts.scales import Limits, Scale, frequency_words, tick_words

Place = tuple[float, float]

LETTER_PX = 6.6
"""Width of a letter of the figures' type at 11 pixels, on the wide side: no text is cut where the font is wider."""


@dataclass(frozen=True)
class Box:
    """The part of a drawing between the axes, in pixels from its upper left corner."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class Reading:
    """What a reader gets at one place of a figure, by pointer or keyboard."""

    x: float
    y: float
    words: str


def clipped_line(points: Iterable[Place], top: float, bottom: float) -> list[Place]:
    """The parts of a line between two heights (px); NaN stands where it is broken or beyond them.

    >>> clipped_line([(0.0, 0.0), (2.0, 4.0), (4.0, 4.0)], 1.0, 3.0)[:3]
    [(nan, nan), (0.5, 1.0), (1.5, 3.0)]
    """
    broken = (math.nan, math.nan)
    made: list[Place] = []
    before: Place | None = None
    for x, y in points:
        if not (math.isfinite(x) and math.isfinite(y)):
            made.append(broken)
            before = None
            continue
        if before is not None:
            was_x, was_y = before
            shares = [(edge - was_y) / (y - was_y) for edge in (top, bottom) if (edge - was_y) * (edge - y) < 0.0]
            ends = [(was_x + share * (x - was_x), was_y + share * (y - was_y)) for share in sorted(shares)]
            made += ends
        made.append((x, y) if top <= y <= bottom else broken)
        before = x, y
    return made


@dataclass
class Panel:
    """Axes of a box with what is drawn on them; every method takes values, not pixels.

    `x` and `y` are limits of the values; `frequency` makes the abscissa logarithmic with the octaves written below,
    `upright_frequency` the ordinate. Of one that `zooms` a reader may look at a part of the frequencies: its dense
    curves stand in a drawing of their own, and what has a place on the abscissa says so.
    `y_ticks` with `y_words` name rows instead of values.
    """

    box: Box
    x: Limits
    y: Limits
    title: str = ""
    x_label: str = ""
    y_label: str = ""
    frequency: bool = False
    x_words: Callable[[float], str] | None = None
    x_ticks: Sequence[float] | None = None
    y_ticks: Sequence[float] | None = None
    y_words: Callable[[float], str] | None = None
    upright_frequency: bool = False
    zooms: bool = False
    dense: list[str] = field(default_factory=list)
    parts: list[str] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)

    @property
    def across(self) -> Scale:
        """The scale of the abscissa."""
        return Scale(self.x, self.box.left, self.box.right, self.frequency)

    @property
    def up(self) -> Scale:
        """The scale of the ordinate."""
        return Scale(self.y, self.box.bottom, self.box.top, self.upright_frequency)

    def place(self, x: float, y: float) -> Place:
        """Where a pair of values stands in the drawing, in pixels."""
        return self.across.at(x), self.up.at(y)

    def curve(self, xs: Iterable[float], ys: Iterable[float], role: str, dashes: str | None = None) -> None:
        """A line through values; NaN breaks it, and it ends where it leaves the axis."""
        points = ((self.across.at(x), self.up.at(y)) for x, y in zip(xs, ys, strict=True))
        self._path(moves(clipped_line(points, self.box.top, self.box.bottom)), f"ln {role}", dashes)

    def dense_curve(self, xs: Reals, ys: Reals, role: str, dashes: str | None = None) -> None:
        """A line through thousands of values, of which each half pixel shows the lowest and the highest."""
        places = (
            np.array([scale.at(value) for value in values]) for scale, values in ((self.across, xs), (self.up, ys))
        )
        across, down = next(places), np.clip(next(places), self.box.top, self.box.bottom)
        across[(across < self.box.left - 0.05) | (across > self.box.right + 0.05)] = math.nan
        self._dense(dense_path(zip(*envelope(across, down), strict=True)), f"ln {role}", dashes)

    def dense_band(self, xs: Reals, lows: Reals, highs: Reals, role: str = "iv") -> None:
        """The area between two curves of thousands of values; gaps where either is missing."""
        across = np.array([self.across.at(value) for value in xs])
        ends = [
            np.clip([self.up.at(value) for value in values], self.box.top, self.box.bottom) for values in (lows, highs)
        ]
        known = np.isfinite(across) & np.isfinite(ends[0]) & np.isfinite(ends[1])
        known &= (across >= self.box.left - 0.05) & (across <= self.box.right + 0.05)
        runs = np.split(np.flatnonzero(known), np.flatnonzero(np.diff(np.flatnonzero(known)) > 1) + 1)
        made = [
            dense_path([*zip(*envelope(across[own], ends[1][own]), strict=True),
                        *reversed(list(zip(*envelope(across[own], ends[0][own]), strict=True)))])
            for own in runs if own.size
        ]  # fmt: skip
        self._dense("".join(f"{path}z" for path in made), f"fl {role}", None)

    def _dense(self, path: str, role: str, dashes: str | None) -> None:
        if path:
            made = element("path", d=path, class_=role, stroke_dasharray=dashes)
            (self.dense if self.zooms else self.parts).append(made)

    def image(self, href: str) -> None:
        """A raster over the whole panel."""
        box = self.box
        self.parts.append(
            element("image", href=href, x=box.left, y=box.top, width=box.right - box.left,
                    height=box.bottom - box.top, preserveAspectRatio="none", class_="raster")
        )  # fmt: skip

    def marks(
        self, xs: Iterable[float], ys: Iterable[float], look: Look, *, hollow: bool = False, size: float = 3.4
    ) -> None:
        """The marks of a condition at values that are given and lie on the axis."""
        self._path(marks(look.shape, self._seen(xs, ys), size), f"mk {look.role}{' ho' if hollow else ''}")

    def dots(
        self, xs: Iterable[float], ys: Iterable[float], role: str, *, shape: str = "circle", size: float = 3.4
    ) -> None:
        """Marks of one role, of any shape."""
        self._path(marks(shape, self._seen(xs, ys), size), f"mk {role}")

    def bounds(self, xs: Iterable[float], ys: Iterable[float], role: str, *, upward: bool = False) -> None:
        """An arrow from each bound to where the value may lie."""
        arrows = (bound_arrow(x, y, upward=upward) for x, y in self._seen(xs, ys))
        self._path("".join(arrows), f"ar {role}")

    def interval_bars(
        self,
        lefts: Iterable[float],
        rights: Iterable[float],
        lows: Iterable[float],
        highs: Iterable[float],
        role: str = "iv",
    ) -> None:
        """A box from low to high over each band; an open end (NaN) reaches to the end of the axis."""
        made = []
        for left, right, low, high in zip(lefts, rights, lows, highs, strict=True):
            bottom = self.up.clipped(low) if math.isfinite(low) else self.box.bottom
            top = self.up.clipped(high) if math.isfinite(high) else self.box.top
            start, end = self.across.at(left), self.across.at(right)
            made.append(f"M{px(start)} {px(bottom)}H{px(end)}V{px(top)}H{px(start)}z")
        self._path("".join(made), f"fl {role}")

    def whiskers(
        self, xs: Iterable[float], lows: Iterable[float], highs: Iterable[float], role: str = "wh", cap_px: float = 3.0
    ) -> None:
        """An interval as a line with caps at each value of the abscissa."""
        made = []
        for x, low, high in zip(xs, lows, highs, strict=True):
            if not (math.isfinite(low) and math.isfinite(high)):
                continue
            at, bottom, top = self.across.at(x), self.up.clipped(low), self.up.clipped(high)
            ends = f"{px(at - cap_px)} {px(bottom)}H{px(at + cap_px)}", f"{px(at - cap_px)} {px(top)}H{px(at + cap_px)}"
            made.append(f"M{ends[0]}M{px(at)} {px(bottom)}V{px(top)}M{ends[1]}")
        self._path("".join(made), f"ln {role}")

    def spans(self, ys: Iterable[float], lows: Iterable[float], highs: Iterable[float], role: str = "wh") -> None:
        """An interval across, as a line with caps, at each value of the ordinate; an open end is an arrow."""
        made = []
        for y, low, high in zip(ys, lows, highs, strict=True):
            at = self.up.at(y)
            left = self.across.clipped(low) if math.isfinite(low) else self.box.left
            right = self.across.clipped(high) if math.isfinite(high) else self.box.right
            made.append(f"M{px(left)} {px(at)}H{px(right)}")
            for value, end, way in ((low, left, 5.0), (high, right, -5.0)):
                arrow = f"M{px(end + way)} {px(at - 3)}L{px(end)} {px(at)}L{px(end + way)} {px(at + 3)}"
                made.append(f"M{px(end)} {px(at - 3)}v6" if self._is_inside(value) else arrow)
        self._path("".join(made), f"ln {role}")

    def level_line(self, y: float, role: str, dashes: str | None = None) -> None:
        """A line across the whole panel."""
        if self.y[0] <= y <= self.y[1]:
            at = self.up.at(y)
            self._path(f"M{px(self.box.left)} {px(at)}H{px(self.box.right)}", f"ln {role}", dashes)

    def upright_line(self, x: float, role: str, dashes: str | None = None) -> None:
        """A line from the bottom of the panel to its top."""
        if self.x[0] <= x <= self.x[1]:
            at = self.across.at(x)
            self._path(f"M{px(at)} {px(self.box.top)}V{px(self.box.bottom)}", f"ln {role}", dashes)

    def words(
        self,
        words: str,
        x: float,
        y: float,
        role: str = "t",
        anchor: str | None = None,
        *,
        dx: float = 0.0,
        dy: float = 0.0,
    ) -> None:
        """Words beside a value, moved by some pixels."""
        across, down = self.place(x, y)
        self.parts.append(text(words, across + dx, down + dy, role, anchor=anchor))

    def reads(self, x: float, y: float, words: str) -> None:
        """What is read at a value."""
        across = self.across.clipped(x)
        self.readings.append(Reading(across, self.up.clipped(y) if math.isfinite(y) else self.box.bottom, words))

    def markup(self) -> str:
        """Axes, then all that was drawn, in its order."""
        return "".join([self._axes(), self._zoomed(), *self.parts])

    def _zoomed(self) -> str:
        if not self.dense:
            return ""
        box = self.box
        width, height = box.right - box.left, box.bottom - box.top
        return element(
            "svg", *self.dense, class_="zoom", x=box.left, y=box.top, width=width, height=height,
            viewBox=f"{px(box.left)} {px(box.top)} {px(width)} {px(height)}", preserveAspectRatio="none",
            data_low=f"{self.x[0]:.6g}", data_high=f"{self.x[1]:.6g}",
        )  # fmt: skip

    def _path(self, path: str, role: str, dashes: str | None = None) -> None:
        if path:
            self.parts.append(element("path", d=path, class_=role, stroke_dasharray=dashes))

    def is_on_axis(self, y: float) -> bool:
        """Whether a value is given and lies within the limits of the ordinate."""
        return math.isfinite(y) and self.y[0] <= y <= self.y[1]

    def _is_inside(self, x: float) -> bool:
        return math.isfinite(x) and self.x[0] <= x <= self.x[1]

    def _seen(self, xs: Iterable[float], ys: Iterable[float]) -> list[Place]:
        return [
            self.place(x, y)
            for x, y in zip(xs, ys, strict=True)
            if math.isfinite(x) and math.isfinite(y) and self.y[0] <= y <= self.y[1] and self.x[0] <= x <= self.x[1]
        ]

    def _axes(self) -> str:
        box = self.box
        x_ticks = (
            list(self.x_ticks)
            if self.x_ticks is not None
            else self.across.ticks(max(int((box.right - box.left) / 70), 2))
        )
        y_ticks = (
            list(self.y_ticks) if self.y_ticks is not None else self.up.ticks(max(int((box.bottom - box.top) / 26), 2))
        )
        grid = (
            "" if self.zooms else "".join(f"M{px(self.across.at(x))} {px(box.top)}V{px(box.bottom)}" for x in x_ticks)
        )
        grid += "".join(f"M{px(box.left)} {px(self.up.at(y))}H{px(box.right)}" for y in y_ticks)
        said = self.x_words or (frequency_words if self.frequency else tick_words)
        upright = self.y_words or (frequency_words if self.upright_frequency else tick_words)
        made = [element("path", d=grid, class_="gd")]
        if self.zooms:
            made.append(self._moving_ticks(x_ticks, said))
        made.append(element("path", d=f"M{px(box.left)} {px(box.top)}V{px(box.bottom)}H{px(box.right)}", class_="ax"))
        if (self.x_label or self.x_words) and not self.zooms:
            made += [self._tick_text(said(x), self.across.at(x)) for x in x_ticks]
        made += [text(upright(y), box.left - 5, self.up.at(y) + 4, "t", anchor="end") for y in y_ticks]
        if self.title:
            made.append(text(self.title, box.left, box.top - 7, "h"))
        if self.x_label:
            made.append(text(self.x_label, (box.left + box.right) / 2, box.bottom + 30, "l", anchor="middle"))
        if self.y_label:
            made.append(
                text(self.y_label, box.left - 38, (box.top + box.bottom) / 2, "l", anchor="middle", turned=True)
            )
        return "".join(made)

    def _moving_ticks(self, ticks: Sequence[float], said: Callable[[float], str]) -> str:
        """A line and words at each tick, which move with the frequencies shown."""
        made = []
        for hertz in ticks:
            at = self.across.at(hertz)
            line = element("path", d=f"M{px(at)} {px(self.box.top)}V{px(self.box.bottom)}", class_="gd")
            words = [self._tick_text(said(hertz), at)] if self.x_label else []
            made.append(element("g", line, *words, data_x=at))
        return element("g", *made, class_="ticks")

    def _tick_text(self, words: str, at: float) -> str:
        """Words below a tick; those at the right end are moved so that no letter reaches beyond the drawing."""
        half = LETTER_PX * len(words) / 2.0
        return text(words, min(at, self.box.right + 8.0 - half), self.box.bottom + 14, "t", anchor="middle")
