"""The page table of lines that stand out, and what the search covers."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.page_table import PlainTable
from tapeline.report.tone_runs import ToneRuns
from tapeline.report.tone_search import ToneLine
from tapeline.report.wording import BAND_WORDS, NO_VALUE, counted, frequency, listed, number, speed

MOST_ROWS = 60

NOTE = (
    "A search by a stated rule, not the tonality method of any standard, and nothing about what is heard. One line a "
    "band at most. Level: what the line and the two to either side add to the median line. Frequencies are those of "
    "spectral lines, half a line spacing either way. A table of the tones of all runs, followed over speed, is not "
    "made here."
)


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
        f"In each {word} band from {frequency(low)} to {frequency(high)} the largest spectral line is taken; it stands "
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


def number_words(line: ToneLine) -> str:
    """Strouhal number where a length is stated, else f/U."""
    return f"{line.per_m:.3g}/m" if line.strouhal is None else f"St {line.strouhal:.3g}"


def also_in_words(line: ToneLine) -> str:
    """In which backgrounds the line is too; none of those looked at; a dash where no spectrum is at hand."""
    if not line.looked_in:
        return NO_VALUE
    return " and ".join(line.also_in) if line.also_in else f"not in {' or '.join(line.looked_in)}"
