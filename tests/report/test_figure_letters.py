"""Titles in other scripts: further fonts where the machine has them, names where it has none, never boxes."""

from __future__ import annotations

import dataclasses

import pytest
from built_results import built_campaign
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont

from tapeline.campaign.model import Campaign
from tapeline.report import figure_letters
from tapeline.report.figure_files import svg_bytes
from tapeline.report.figure_letters import OWN_FONT, letters_of, undrawn_sentence
from tapeline.report.figure_style import report_style

CHINESE, ARABIC, HEBREW = "接缝 全部打开", "السقف مفتوح", "תפר אטום"


def titled(**titles: str) -> Campaign:
    campaign = built_campaign()
    settings = campaign.settings
    conditions = {
        name: each.model_copy(update={"title": titles.get(name, each.title)})
        for name, each in settings.conditions.items()
    }
    return dataclasses.replace(campaign, settings=settings.model_copy(update={"conditions": conditions}))


def figure_of(first: str, second: str) -> Figure:
    figure = Figure()
    axes = figure.subplots()
    axes.plot([0, 1], [0, 1], label=first)
    axes.legend()
    axes.set_title(f"{first} minus {second}")
    axes.set_xticks([0, 1], [first, second])
    return figure


@pytest.fixture(autouse=True)
def no_further_fonts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the machine has."""
    monkeypatch.setattr(figure_letters, "_further_fonts", lambda: [])


def test_titles_that_no_font_has_become_names_in_figures() -> None:
    letters = letters_of(titled(open=CHINESE, sealed=HEBREW))
    assert letters.names == {CHINESE: "open"}, "the figures' own font has Hebrew"
    with report_style():
        mended = figure_of(CHINESE, HEBREW)
        letters.mend(mended)
        assert svg_bytes(mended) == svg_bytes(figure_of("open", HEBREW))
    assert letters.spelt("接 alone") == "… alone"
    sentence = undrawn_sentence(titled(open=CHINESE))
    assert sentence.startswith("No font of this machine has the letters ")
    assert f"open ({CHINESE})" in sentence


def test_what_the_own_font_has_stays_as_it_is() -> None:
    campaign = titled(open=ARABIC, sealed="Fuge verklebt, größer")
    assert letters_of(campaign) == figure_letters.Letters()
    assert undrawn_sentence(campaign) == ""
    with report_style():
        mended = figure_of(ARABIC, "b")
        letters_of(campaign).mend(mended)
        assert svg_bytes(mended) == svg_bytes(figure_of(ARABIC, "b"))


def test_a_further_font_of_the_machine_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    own = figure_letters._drawn_by(findfont(OWN_FONT))
    drawn = {findfont(OWN_FONT): own, "latin": own, "chinese": frozenset(CHINESE)}
    monkeypatch.setattr(figure_letters, "_drawn_by", drawn.__getitem__)
    monkeypatch.setattr(figure_letters, "_further_fonts", lambda: [("A Latin", "latin"), ("B Chinese", "chinese")])
    letters = letters_of(titled(open=CHINESE))
    assert letters == figure_letters.Letters(fallbacks=("B Chinese",))
    with report_style():
        letters.use()
        assert figure_of("a", "b").axes[0].title.get_fontfamily() == [OWN_FONT, "B Chinese"]
