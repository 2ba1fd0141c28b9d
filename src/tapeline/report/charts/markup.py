"""Elements of a drawing as text, always the same bytes."""

from __future__ import annotations

import math
from collections.abc import Iterable

from markupsafe import Markup, escape

from tapeline.report.wording import printable


def px(value: float) -> str:
    """A length or place in pixels, to a tenth of one.

    >>> px(12.04), px(-0.01), px(7.25)
    ('12', '0', '7.2')
    """
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """One element; attributes that are None are left out.

    An underscore stands for a hyphen, and one at the end for nothing. Texts of attributes are escaped; `children` are
    elements, or texts made by `text`.

    >>> element("circle", r=3.0, class_="c0")
    '<circle r="3" class="c0"/>'
    """
    parts = [name]
    for key, value in attributes.items():
        if value is not None:
            shown = escape(printable(value)) if isinstance(value, str) else px(value)
            parts.append(f'{key.rstrip("_").replace("_", "-")}="{shown}"')
    opening = " ".join(parts)
    content = "".join(children)
    return f"<{opening}>{content}</{name}>" if content else f"<{opening}/>"


def text(words: str, x: float, y: float, role: str, *, anchor: str | None = None, turned: bool = False) -> str:
    """Words at a place; `anchor` is "middle" or "end", `turned` sets them upward."""
    turn = f"rotate(-90 {px(x)} {px(y)})" if turned else None
    return element("text", str(escape(printable(words))), x=x, y=y, class_=role, text_anchor=anchor, transform=turn)


def moves(points: Iterable[tuple[float, float]]) -> str:
    """The path through points; one that is not finite breaks it.

    >>> moves([(0.0, 1.0), (2.0, 3.0), (4.0, float("nan")), (5.0, 6.0)])
    'M0 1L2 3M5 6'
    """
    made: list[str] = []
    letter = "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            made.append(f"{letter}{px(x)} {px(y)}")
            letter = "L"
        else:
            letter = "M"
    return "".join(made)


def drawing(width: float, height: float, *children: str, title: str, role: str = "chart") -> Markup:
    """A whole drawing that says what it shows to those who do not see it; shown at its own size."""
    made = element(
        "svg",
        *children,
        xmlns="http://www.w3.org/2000/svg",
        class_=role,
        width=width,
        height=height,
        viewBox=f"0 0 {px(width)} {px(height)}",
        role="img",
        aria_label=title,
    )
    return Markup(made)  # noqa: S704 - every text in it was escaped above
