"""Compare: tones, whether they follow speed, and what of them the other condition has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.limits import TONE_FOLLOWS_SPEED_SHARE
from tapeline.report.blocks import Block, Bullets, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import PlainTable
from tapeline.report.sections.waterfall import also_in_words, number_words, waterfall_figure
from tapeline.report.tone_search import ToneLine, ToneRuns, tone_lines, tone_runs
from tapeline.report.wording import BAND_WORDS, counted, frequency, interval, listed, number, speed

MOST_ROWS = 60
MOST_SENTENCES = 4
NEAR_RATIO = 1.05

NOTE = (
    "A search by a stated rule, not the tonality method of any standard, and nothing about what is heard. One line a "
    "band at most. Level: what the line and the two to either side add to the median line. Frequencies are those of "
    "spectral lines, half a line spacing either way."
)


@dataclass(frozen=True)
class Tones:
    """What was found: the runs that were searched, and the lines that stand out."""

    runs: ToneRuns
    lines: tuple[ToneLine, ...]


def found_tones(tables: FinishedTables, campaign: Campaign) -> Tones | None:
    """All tones that the section shows; None where no run of its conditions was used."""
    chosen = tone_runs(tables, campaign)
    if chosen is None:
        return None
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    return Tones(chosen, tuple(tone_lines(tables, campaign, chosen, every)))


def tones_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The tones in sentences, the spectra of the positions that have one, the lines and the rule folded."""
    found = found_tones(tables, campaign)
    if found is None:
        none = "No search for tones: neither of the conditions that it takes has a run with flow."
        return [Section("tones", "Tones", "compare", [Prose(none, "none")])]
    rule = Prose(search_words(campaign, found.runs, len(tables.positions)), "note")
    if not found.lines:
        limit = campaign.settings.scaling.tonal_above_db
        none = f"No tone stands out: no line is {limit:g} dB or more above the median of its band."
        blocks: list[Block] = [Prose(none), Fold("How tones were searched", (rule,))]
        return [Section("tones", "Tones", "compare", blocks)]
    said = tone_sentences(campaign, found)
    blocks = [Prose(said[0])] if len(said) == 1 else [Bullets(said)]
    figure = waterfall_figure(tables, campaign, found.runs, found.lines)
    blocks += [FigureBlock(figure)] if figure is not None else []
    blocks.append(
        Fold("Lines that stand out, and how they were searched", (rule, TableBlock(lines_table(campaign, found.lines))))
    )
    return [Section("tones", "Tones", "compare", blocks)]


def tone_sentences(campaign: Campaign, found: Tones) -> list[str]:
    """Of each position which tone, whether it follows speed, whether the other condition has it; the clearest first.

    What is in a background too comes after the others.
    """
    by_position: dict[str, list[ToneLine]] = {}
    for line in sorted(found.lines, key=lambda line: (bool(line.also_in), -line.above_db)):
        by_position.setdefault(line.position, []).append(line)
    said = [_position_words(campaign, found, own) for own in list(by_position.values())[:MOST_SENTENCES]]
    more = list(by_position)[MOST_SENTENCES:]
    return [*said, f"Further tones, less prominent: {listed(more)}."] if more else said


def clearest(lines: Sequence[ToneLine], condition: str) -> list[ToneLine]:
    """Of each speed the line of a condition that is furthest above the median, slowest first."""
    best: dict[float, ToneLine] = {}
    for line in lines:
        if line.condition == condition and line.above_db > best.get(line.nominal_mps, line).above_db - 1e-9:
            best[line.nominal_mps] = line
    return [best[mps] for mps in sorted(best)]


def _position_words(campaign: Campaign, found: Tones, own: Sequence[ToneLine]) -> str:
    """`own` are the lines of one position, the clearest first."""
    first = own[0]
    condition = next(name for name in found.runs.runs if any(line.condition == name for line in own))
    track = clearest(own, condition)
    unit = campaign.settings.report.speed_unit
    ends = track if len(track) < 3 else (track[0], track[-1])
    hertz = ", ".join(f"{line.frequency_hz:g} Hz at {speed(line.speed_mps, unit)}" for line in ends)
    prominence = interval(min(line.above_db for line in track), max(line.above_db for line in track))
    prominence = prominence if len(track) > 1 else number(track[0].above_db)
    words = (
        f"At {first.position} a tone stands out: {hertz}, {prominence} dB above the median of its band "
        f"({condition_title(campaign, condition)}). {follows_words(track)}"
    )
    words += " It is in the background too." if all(line.also_in for line in track) else ""
    return f"{words} {_other_words(campaign, found, own, track)}".strip()


def follows_words(track: Sequence[ToneLine]) -> str:
    """Whether the frequency rises as speed does, stays, or neither; of one speed nothing can be told."""
    if len(track) < 2:
        return "One speed cannot tell whether it follows speed."
    low, high = track[0], track[-1]
    share = math.log(high.frequency_hz / low.frequency_hz) / math.log(high.speed_mps / low.speed_mps)
    ends = f"{number_words(low)} and {number_words(high)}"
    if abs(share - 1.0) <= TONE_FOLLOWS_SPEED_SHARE:
        return f"It follows speed ({ends})."
    if abs(share) <= TONE_FOLLOWS_SPEED_SHARE:
        return f"It does not follow speed: its frequency stays ({ends})."
    return f"Its frequency neither stays nor rises as speed does ({ends})."


def _other_words(campaign: Campaign, found: Tones, own: Sequence[ToneLine], track: Sequence[ToneLine]) -> str:
    """Whether the other condition that was searched has the tone, at the speeds of both."""
    for name, rows in found.runs.runs.items():
        both = [line for line in track if line.nominal_mps in {row["speed_mps"] for row in rows}]
        if name == track[0].condition or not both:
            continue
        title = condition_title(campaign, name)
        there = [(line, twin) for line in both if (twin := _twin(own, line, name)) is not None]
        if not there:
            return f"It does not stand out with {title}."
        if len(there) < len(both):
            return f"It stands out with {title} too, at {len(there)} of {len(both)} speeds."
        changes = [twin.level_db - line.level_db for line, twin in there]
        return f"It remains with {title}: {_change_words(changes)}."
    return ""


def _twin(own: Sequence[ToneLine], line: ToneLine, condition: str) -> ToneLine | None:
    """The line of the other condition at the same speed and nearly the same f/U."""
    near = [
        each
        for each in own
        if (each.condition, each.nominal_mps) == (condition, line.nominal_mps)
        and max(each.per_m, line.per_m) / min(each.per_m, line.per_m) <= NEAR_RATIO
    ]
    return max(near, key=lambda each: each.above_db, default=None)


def _change_words(changes: Sequence[float]) -> str:
    """How much louder or quieter the tone is there: "0.4 to 1.2 dB louder"."""
    low, high = min(changes), max(changes)
    if number(low) == number(high):
        return (
            f"it is {number(abs(low))} dB {'louder' if low > 0 else 'quieter'}"
            if number(abs(low)) != "0.0"
            else "it is as loud"
        )
    if low >= 0.0 or high <= 0.0:
        ends = interval(min(abs(low), abs(high)), max(abs(low), abs(high)))
        return f"it is {ends} dB {'louder' if high > 0 else 'quieter'}"
    return f"it is from {number(-low)} dB quieter to {number(high)} dB louder"


def search_words(campaign: Campaign, chosen: ToneRuns, positions: int) -> str:
    """The rule, and in which runs it was applied."""
    settings = campaign.settings
    low, high = settings.bands.range_hz
    unit = settings.report.speed_unit
    runs = "; ".join(
        f"{condition_title(campaign, name)}: {listed((row['run'] for row in rows), 12)}"
        for name, rows in chosen.runs.items()
    )
    speeds = listed((speed(value, unit) for value in chosen.speeds_mps), 12)
    word = BAND_WORDS.get(settings.bands.fraction, "band")
    return (
        f"In each {word} band from {frequency(low)} to {frequency(high)} the largest spectral line is taken. It stands "
        f"out where it is {settings.scaling.tonal_above_db:g} dB or more above the median line of its band and no line "
        f"beside it is larger. Searched at {counted(positions, 'position')}: session {chosen.session}, yaw "
        f"{chosen.yaw_deg:g}°, {speeds}, one run a speed ({runs}). Spectra as measured, nothing subtracted."
    )


def lines_table(campaign: Campaign, lines: Sequence[ToneLine]) -> PlainTable:
    """Lines that stand out, those furthest above the median where there are too many."""
    kept = sorted(sorted(lines, key=lambda line: -line.above_db)[:MOST_ROWS], key=lines.index)
    cut = f"{MOST_ROWS} of {len(lines):,}, those furthest above the median." if len(lines) > MOST_ROWS else ""
    return PlainTable(
        key="outstanding-lines",
        caption="Lines that stand out",
        head=(
            "position",
            "condition",
            "speed",
            "run",
            "frequency, Hz",
            "above median, dB",
            f"level, dB re {campaign.settings.reference_pressure_pa * 1e6:g} µPa",
            "St or f/U",
            "also in",
        ),
        rows=tuple(_row(campaign, line) for line in kept),
        numeric=frozenset({4, 5, 6}),
        note=" ".join(part for part in (cut, NOTE) if part),
    )


def _row(campaign: Campaign, line: ToneLine) -> tuple[str, ...]:
    return (
        line.position,
        condition_title(campaign, line.condition),
        speed(line.speed_mps, campaign.settings.report.speed_unit),
        line.run,
        f"{line.frequency_hz:g}",
        number(line.above_db),
        number(line.level_db),
        number_words(line),
        also_in_words(line),
    )
