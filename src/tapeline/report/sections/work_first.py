"""Where to work first: spots that belong together, with their share; and the whole lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.limits import SPOT_BANDS_SHARE
from tapeline.report.blocks import Block, Bullets, Fold, Heading, Prose, Section, TableBlock
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Link, Words
from tapeline.report.summed_range import ranked_range
from tapeline.report.tables_of_differences import Ranking, rankings
from tapeline.report.wording import frequency, listed, percent

MOST_GROUPS = 3


@dataclass(frozen=True)
class SpotGroup:
    """Ranked spots of one area: their positions, range of bands and share of what was shown at the measured ones."""

    positions: tuple[str, ...]
    words: Words
    share: float


@dataclass(frozen=True)
class Spots:
    """The groups of one comparison, the largest share first, and all its ranked positions in order of rank."""

    comparison: str
    groups: tuple[SpotGroup, ...]
    positions: tuple[str, ...]


def spots_of(tables: FinishedTables, campaign: Campaign) -> Spots:
    """The groups of the first comparison of the settings that ranks anything."""
    order = list(campaign.settings.comparisons)
    ranked = [row for row in tables.ranking if row["rank"] is not None and row["ranked_by"] != "change"]
    names = sorted(
        {row["comparison"] for row in ranked}, key=lambda name: order.index(name) if name in order else len(order)
    )
    return first_spots(tables, names[0]) if names else Spots("", (), ())


def first_spots(tables: FinishedTables, comparison: str) -> Spots:
    """The groups of one comparison."""
    rows = sorted(
        (row for row in tables.ranking if row["comparison"] == comparison and row["rank"] is not None),
        key=lambda row: row["place"],
    )
    areas: dict[str, list[Row]] = {}
    for row in rows:
        areas.setdefault(row["area"] or row["position"], []).append(row)
    groups = [_group(tables, comparison, area, own) for area, own in areas.items()]
    groups.sort(key=lambda group: (-group.share, group.positions))
    return Spots(comparison, tuple(groups[:MOST_GROUPS]), tuple(dict.fromkeys(row["position"] for row in rows)))


def _group(tables: FinishedTables, comparison: str, area: str, rows: Sequence[Row]) -> SpotGroup:
    share = sum(row["share"] or 0.0 for row in rows)
    low, high = _range(rows)
    positions = tuple(dict.fromkeys(row["position"] for row in rows))
    bands = frequency(low) if low == high else f"{frequency(low)} to {frequency(high)}"
    known = {row["position"]: row for row in tables.positions}
    is_mirrored = len(positions) == 2 and known.get(positions[0], {}).get("mirror") == positions[1]
    where = (
        f"the {area}, both sides"
        if is_mirrored
        else positions[0]
        if len(positions) == 1
        else f"the {area} ({listed(positions, 4)})"
    )
    where = f"T{where[1:]}" if len(positions) > 1 else where
    words = f"{where}: {percent(share)}, most of it {bands}"
    return SpotGroup(positions, (Link(words, f"#ranking-{comparison}"),), share)


def share_words(campaign: Campaign, comparison: str) -> str:
    """What the groups' shares are of; in which comparison, where there are several."""
    weighting = campaign.settings.ranking.weighting
    weighted = "unweighted " if weighting == "Z" else f"{weighting}-weighted "
    which = f", comparison {comparison}" if len(campaign.settings.comparisons) > 1 else ""
    return (
        f"Share of the {weighted}pressure power shown as contributed here, {ranked_range(campaign)}, all ranked points"
        f"{which}; counted are the spots and bands of the list, which is short."
    )


def _range(rows: Sequence[Row]) -> tuple[float, float]:
    """The narrowest range of bands that holds `SPOT_BANDS_SHARE` of the rows' share."""
    shares: dict[float, float] = {}
    for row in rows:
        shares[row["band_hz"]] = shares.get(row["band_hz"], 0.0) + (row["share"] or 0.0)
    bands, wanted = sorted(shares), SPOT_BANDS_SHARE * sum(shares.values())
    found = [
        (last - first, first, last)
        for first in range(len(bands))
        for last in range(first, len(bands))
        if sum(shares[band] for band in bands[first : last + 1]) >= wanted * (1.0 - 1e-12)
    ]
    _, first, last = min(found)
    return bands[first], bands[last]


def work_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The lists to work on first, one a comparison."""
    blocks: list[Block] = []
    for index, ranking in enumerate(rankings(tables, campaign)):
        own = _ranking_blocks(ranking)
        blocks += [Heading(ranking.name), *own] if index == 0 else [Fold(ranking.name, own)]
    if not blocks:
        blocks = [
            Prose("No list: no comparison has levels of both conditions at an operating point that is ranked.", "none")
        ]
    return [Section("work-on-first", "Spots to work on first", "decide", blocks)]


def _ranking_blocks(ranking: Ranking) -> list[Block]:
    lines: list[Words] = [f"{line.where}: {line.reason}. Next: {line.action}." for line in ranking.lines]
    return [
        Prose(ranking.words, "note"),
        *([Bullets(lines, ordered=True)] if lines else []),
        Fold(f"All ranked spots and bands of {ranking.name}", (TableBlock(ranking.table),)),
    ]
