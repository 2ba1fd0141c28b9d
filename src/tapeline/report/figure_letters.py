"""Letters that figures can draw: further fonts of the machine for other scripts, and names where no font has them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import matplotlib
from matplotlib.figure import Figure
from matplotlib.font_manager import FontEntry, findfont, fontManager, get_font
from matplotlib.text import Text

from tapeline.campaign.model import Campaign
from tapeline.report.wording import listed, printable

OWN_FONT = "DejaVu Sans"
"""The font of the style file; it comes with the drawing library and is the same everywhere."""

BOXES = "Last Resort"
"""Fonts of this name have a box for every letter there is, and no letters."""


@dataclass(frozen=True)
class Letters:
    """How figures spell what is written in other scripts.

    `fallbacks` are families of this machine that have what the figures' own font lacks; `names` stand in the place of
    titles that no font can draw; `undrawn` are all letters that none has.
    """

    fallbacks: tuple[str, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)
    undrawn: frozenset[str] = frozenset()

    def use(self) -> None:
        """Add the further families to those that figures are drawn with."""
        if self.fallbacks:
            matplotlib.rcParams["font.family"] = [OWN_FONT, *self.fallbacks]

    def spelt(self, text: str) -> str:
        """The text with names for titles, and an ellipsis for what else cannot be drawn."""
        for title in sorted(self.names, key=len, reverse=True):
            text = text.replace(title, self.names[title])
        return re.sub(f"[{re.escape(''.join(sorted(self.undrawn)))}]+", "…", text) if self.undrawn else text

    def mend(self, figure: Figure) -> None:
        """Spell all texts of a figure so that it can be drawn without boxes."""
        if not self.undrawn:
            return
        for axes in figure.axes:
            for axis in (axes.xaxis, axes.yaxis):
                # Labels of ticks are made anew when the figure is drawn.
                labels = [label.get_text() for label in axis.get_ticklabels()]
                if self.undrawn.intersection("".join(labels)):
                    axis.set_ticks(axis.get_majorticklocs(), [self.spelt(label) for label in labels])
        for text in figure.findobj(Text):
            text.set_text(self.spelt(text.get_text()))


def letters_of(campaign: Campaign) -> Letters:
    """What the titles of a campaign need that the figures' own font lacks. Fonts are taken in order of their names."""
    titles = {printable(each.title): name for name, each in campaign.settings.conditions.items() if each.title}
    texts = [*titles, printable(campaign.settings.axes), *(place.area or "" for place in campaign.positions.values())]
    missing = frozenset("".join(texts)) - _drawn_by(findfont(OWN_FONT))
    missing = frozenset(sign for sign in missing if not sign.isspace())
    fallbacks: list[str] = []
    for name, path in _further_fonts() if missing else ():
        if not missing:
            break
        drawn = missing & _drawn_by(path)
        if drawn:
            fallbacks.append(name)
            missing -= drawn
    names = {title: name for title, name in titles.items() if missing.intersection(title)}
    return Letters(tuple(fallbacks), names, missing)


def undrawn_sentence(campaign: Campaign) -> str:
    """What the report says where figures show names in the place of titles; empty where they show all titles."""
    letters = letters_of(campaign)
    if not letters.undrawn:
        return ""
    names = [f"{name} ({title})" for title, name in letters.names.items()]
    instead = f": names stand for the titles of {listed(names, 6)}" if names else ""
    return f"No font of this machine has the letters {listed(sorted(letters.undrawn), 6)} for figures{instead}."


@lru_cache
def _drawn_by(path: str) -> frozenset[str]:
    return frozenset(map(chr, get_font(path).get_charmap()))


def _further_fonts() -> Sequence[tuple[str, str]]:
    """Upright fonts of regular weight, by family and file."""
    entries: list[FontEntry] = fontManager.ttflist
    regular = [each for each in entries if each.style == "normal" and each.weight == 400 and BOXES not in each.name]
    return sorted({(each.name, each.fname) for each in regular if each.name != OWN_FONT})
