"""Comparisons as they are looked at: one view a comparison, pair of sessions and operating point."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import operating_point, printable
from tapeline.store.tables import BOTH_BOUNDS, WITHOUT_DIFFERENCE

SHOWN = ("lower", "higher")
MOST_PANELS = 12
MOST_POINTS = 6
MOST_VIEWS = 30


ViewKey: TypeAlias = tuple[str, str, str, float, float]
"""Comparison, both sessions, speed and yaw."""


@dataclass(frozen=True)
class View:
    """The rows of one comparison at one operating point; `bands` by position, each in order of frequency."""

    comparison: str
    reference: str
    treatment: str
    reference_session: str
    treatment_session: str
    speed_mps: float
    yaw_deg: float
    bands: Mapping[str, tuple[Row, ...]]
    overall: tuple[Row, ...]

    @property
    def sessions(self) -> str:
        """The session, or both where they differ."""
        if self.reference_session == self.treatment_session:
            return self.reference_session
        return f"{self.reference_session} + {self.treatment_session}"

    @property
    def key(self) -> ViewKey:
        """What tells this view from the others."""
        return self.comparison, self.reference_session, self.treatment_session, self.speed_mps, self.yaw_deg

    def band_rows(self) -> list[Row]:
        """The band rows of all positions."""
        return [row for rows in self.bands.values() for row in rows]

    def runs(self, side: str) -> tuple[str, ...]:
        """The runs used for `side`, "reference" or "treatment", at any position."""
        used = {run for row in (*self.band_rows(), *self.overall) for run in row[f"{side}_runs"] or ()}
        return tuple(sorted(used))


def views(rows: Iterable[Row]) -> list[View]:
    """The views of a comparisons table, in the order of its key.

    Rows without a difference are not looked at, but where both sides are bounds: those are drawn.
    """
    gathered: dict[tuple[Any, ...], list[Row]] = {}
    names = ("comparison", "reference_session", "treatment_session", "speed_mps", "yaw_deg")
    for row in rows:
        if is_given(row) or row["why_not"] == BOTH_BOUNDS:
            drawn_row = row if is_given(row) else {**row, "finding": "bound"}
            gathered.setdefault(tuple(row[name] for name in names), []).append(drawn_row)
    return [_view(group) for _, group in sorted(gathered.items(), key=lambda item: item[0])]


def is_given(row: Row) -> bool:
    """Whether a row of the comparisons says anything of a difference."""
    return bool(row["finding"] != WITHOUT_DIFFERENCE)


def _view(group: Sequence[Row]) -> View:
    first = group[0]
    bands: dict[str, list[Row]] = {}
    for row in group:
        if row["quantity"] == "band" and row["band_hz"] is not None:
            bands.setdefault(row["position"], []).append(row)
    return View(
        comparison=first["comparison"],
        reference=first["reference"],
        treatment=first["treatment"],
        reference_session=first["reference_session"],
        treatment_session=first["treatment_session"],
        speed_mps=first["speed_mps"],
        yaw_deg=first["yaw_deg"],
        bands={name: tuple(sorted(rows, key=lambda row: row["band_hz"])) for name, rows in sorted(bands.items())},
        overall=tuple(row for row in group if row["quantity"] == "overall"),
    )


def shown_count(view: View) -> int:
    """Band differences that are shown, in either direction."""
    return sum(row["finding"] in SHOWN for row in view.band_rows())


def drawn(every: Sequence[View]) -> list[View]:
    """The views that get figures: of each comparison and pair of sessions those with most shown differences.

    At most `MOST_POINTS` each and `MOST_VIEWS` in all, but never none of a comparison that has rows; the faster of
    two with as many. Order is that of `every`.
    """
    ranked = sorted(every, key=lambda view: (-shown_count(view), -view.speed_mps, abs(view.yaw_deg), view.key))
    taken: dict[tuple[str, str, str], int] = {}
    firsts: list[View] = []
    others: list[View] = []
    for view in ranked:
        if not view.bands:
            continue
        group = view.key[:3]
        taken[group] = taken.get(group, 0) + 1
        if taken[group] == 1:
            firsts.append(view)
        elif taken[group] <= MOST_POINTS:
            others.append(view)
    room = max(MOST_VIEWS - len(firsts), 0)
    chosen = {view.key for view in (*firsts[: max(MOST_VIEWS, 1)], *others[:room])}
    return [view for view in every if view.key in chosen]


def in_table_order(campaign: Campaign, names: Iterable[str]) -> list[str]:
    """Positions in the order of the user's table, unknown ones after them."""
    order = {name: index for index, name in enumerate(campaign.positions)}
    return sorted(set(names), key=lambda name: (order.get(name, len(order)), name))


def first_positions(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """As many positions as fit one figure: those of the rankings by rank, then the table's."""
    ranked = [row["position"] for row in sorted(tables.ranking, key=lambda row: (row["place"], row["comparison"]))]
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    first = list(dict.fromkeys([*ranked, *every]))[:MOST_PANELS]
    return in_table_order(campaign, first)


def by_rank(view: View, ranking: Iterable[Row]) -> list[str]:
    """The view's positions: those of the comparison's ranking first, in its order, then by largest difference."""
    ranks: dict[str, int] = {}
    for row in ranking:
        if row["comparison"] == view.comparison and row["position"] not in ranks:
            ranks[row["position"]] = row["place"]
    largest = {
        name: max((abs(value) for value in _differences(rows)), default=0.0) for name, rows in view.bands.items()
    }
    return sorted(view.bands, key=lambda name: (ranks.get(name, math.inf), -largest[name], name))


def _differences(rows: Iterable[Row]) -> list[float]:
    return [row["difference_db"] for row in rows if row["difference_db"] is not None]


def panels(campaign: Campaign, view: View, ranking: Iterable[Row]) -> list[str]:
    """The positions that get a panel: the first `MOST_PANELS` by rank, in the order of the user's table."""
    return in_table_order(campaign, by_rank(view, ranking)[:MOST_PANELS])


def with_bounds(tables: FinishedTables, view: View, positions: Sequence[str]) -> dict[str, list[Row]]:
    """Band rows of some positions with what the levels rest on: upper bounds and background.

    Adds `reference_bound_db` and `treatment_bound_db` where the level itself is a bound: the level of the mean power of
    the runs' upper bounds and values, as the comparison's one-sided interval has it; `background_db`, the mean
    level over the runs; and `without_background`, whether a run of either condition has none subtracted.
    """
    sides = {"reference": view.reference_session, "treatment": view.treatment_session}
    levels = {side: _by_place(tables.band_rows(session, view.runs(side), positions)) for side, session in sides.items()}
    return {
        name: [_with_bounds(row, {side: found.get((name, row["band_hz"]), []) for side, found in levels.items()})
               for row in view.bands[name]]
        for name in positions
    }  # fmt: skip


def mean_level(rows: Sequence[Row]) -> float | None:
    """The mean level of runs in decibels; None where one is a bound or has no level."""
    levels = [row["corrected_level_db"] for row in rows]
    return None if any(level is None for level in levels) else float(sum(levels) / len(levels))


def _by_place(rows: Iterable[Row]) -> dict[tuple[str, float], list[Row]]:
    places: dict[tuple[str, float], list[Row]] = {}
    for row in rows:
        places.setdefault((row["position"], row["band_hz"]), []).append(row)
    return places


def _with_bounds(row: Row, found: Mapping[str, Sequence[Row]]) -> Row:
    added: dict[str, float | bool | None] = {}
    is_without = False
    background: list[float] = []
    for side, rows in found.items():
        used = [level for level in rows if level["run"] in (row[f"{side}_runs"] or ())]
        background += [level["background_level_db"] for level in used if level["background_level_db"] is not None]
        is_without = is_without or any(level["state"] == "none" for level in used)
        added[f"{side}_bound_db"] = common_bound(used) if row[f"{side}_level_db"] is None else None
    added["without_background"] = is_without
    added["background_db"] = sum(background) / len(background) if background else None
    return {**row, **added}


def common_bound(levels: Sequence[Row]) -> float | None:
    """The bound of the mean of all runs; None where no run is a bound."""
    if not any(level["upper_bound_db"] is not None for level in levels):
        return None
    ends = [
        level["corrected_level_db"] if level["upper_bound_db"] is None else level["upper_bound_db"] for level in levels
    ]
    known = [end for end in ends if end is not None]
    return float(level_db(power_pa2(known).mean()))


def condition_title(campaign: Campaign, name: str | None) -> str:
    """The words of a condition; its name where it has none."""
    if name is None:
        return "no condition"
    condition = campaign.settings.conditions.get(name)
    return printable(condition.title) if condition is not None and condition.title else name


def selection(campaign: Campaign, view: View, most_runs: int = 8) -> str:
    """What a figure shows, printed in it: campaign, comparison, session, operating point and runs."""
    point = operating_point(view.speed_mps, view.yaw_deg, campaign.settings.report.speed_unit)
    parts = [
        f"campaign {campaign.settings.campaign}",
        f"comparison {view.comparison} ({view.treatment} minus {view.reference})",
        f"session {view.sessions}",
        point,
    ]
    for side in ("reference", "treatment"):
        names = view.runs(side)
        more = f" and {len(names) - most_runs} more" if len(names) > most_runs else ""
        parts.append(f"{side} runs: {', '.join(names[:most_runs]) or 'none'}{more}")
    return " · ".join(parts)
