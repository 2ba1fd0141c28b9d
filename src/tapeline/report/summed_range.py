"""Over which frequencies an overall level was really summed: the range asked for, or what of it had levels."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import frequency, listed

MOST_NAMED = 6


def summed_words(tables: FinishedTables, row: Row) -> str:
    """The range of one overall level or difference, such as "112 to 2818 Hz (asked for: 125 Hz to 40 kHz)".

    All runs of a difference sum the same bands, or it would not be there.
    """
    runs = [row["run"]] if "run" in row else [*(row["reference_runs"] or ()), *(row["treatment_runs"] or ())]
    places = ((run, row["position"], row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) for run in runs)
    levels = (tables.overall_by_place.get(place) for place in places)
    return _words(row, next((level for level in levels if level is not None), None))


def ranked_range(campaign: Campaign) -> str:
    """The bands that the lists to work on first rank, such as "25 Hz to 8 kHz"."""
    low, high = campaign.settings.ranking.range_hz or campaign.settings.bands.range_hz
    return f"{frequency(low)} to {frequency(high)}"


def narrower_words(tables: FinishedTables, weighting: str, range_hz: Sequence[float], runs: Collection[str]) -> str:
    """A sentence on the positions where some of the runs sum less than the range asked for; empty without any."""
    found: dict[str, set[str]] = {}
    for level in tables.overall:
        asked = (level["weighting"], level["lowest_band_hz"], level["highest_band_hz"])
        if level["run"] in runs and asked == (weighting, *range_hz) and _is_narrower(level):
            found.setdefault(_words(level, level), set()).add(level["position"])
    return "".join(
        f" Summed at {listed(sorted(positions), MOST_NAMED)}: {words}." for words, positions in sorted(found.items())
    )


def _is_narrower(level: Row) -> bool:
    return "narrower-range" in (level["marks"] or ())


def _words(row: Row, level: Row | None) -> str:
    asked = f"{frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}"
    if level is None or not _is_narrower(level):
        return asked
    low, high = level["lower_hz"], level["upper_hz"]
    absent = level.get("absent_bands_hz") or ()
    inside = [frequency(round(float(band), 2)) for band in absent if low < band < high]
    lacking = f" without the band{'s' if len(inside) > 1 else ''} at {listed(inside, MOST_NAMED)}" if inside else ""
    if inside and len(inside) == len(absent):
        return f"{asked}{lacking}"
    return f"{low:.0f} to {high:.0f} Hz{lacking} (asked for: {asked})"
