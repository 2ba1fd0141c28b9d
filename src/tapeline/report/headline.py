"""The one operating point and level that the sheet speaks of, in sentence, map and table alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import level_words, operating_point, speed
from tapeline.store.tables import WITHOUT_DIFFERENCE

HEARD = "A"
"""The weighting that a headline has where the settings ask for it: the trade quotes wind noise so (common practice)."""


@dataclass(frozen=True)
class Headline:
    """A weighting with its range, a session and an operating point; `rows` are those of `treatments` at it."""

    weighting: str
    range_hz: tuple[float, float]
    session: str
    speed_mps: float
    yaw_deg: float
    rows: tuple[Row, ...]
    every: tuple[Row, ...]
    """The rows with the same level, session and yaw at all speeds."""

    @property
    def unit(self) -> str:
        """The unit of levels and differences: "dB(A)"."""
        return "dB" if self.weighting == "Z" else f"dB({self.weighting})"

    @property
    def level(self) -> str:
        """Which level it is: "A-weighted level 100 Hz to 4 kHz"."""
        return level_words(self.weighting, self.range_hz)

    def point(self, campaign: Campaign) -> str:
        """The operating point: "130 km/h, yaw 0°"."""
        return operating_point(self.speed_mps, self.yaw_deg, campaign.settings.report.speed_unit)

    def speed(self, campaign: Campaign) -> str:
        """The speed alone: "130 km/h"."""
        return speed(self.speed_mps, campaign.settings.report.speed_unit)

    def by_position(self, condition: str) -> Mapping[str, Row]:
        """The rows of one condition at the headline."""
        return {row["position"]: row for row in self.rows if row["condition"] == condition}

    @property
    def conditions(self) -> list[str]:
        """Conditions with a gain here, the one with most applied first."""
        applied = {row["condition"]: len(row["applied"]) for row in self.rows}
        return sorted(applied, key=lambda name: (-applied[name], name))


def headline_of(tables: FinishedTables, campaign: Campaign) -> Headline | None:
    """The headline of a campaign: the point and session where most conditions are held against the untreated one.

    Of several the one with most positions, the fastest, the least yaw, the first session. Nothing is chosen by how
    large a gain is. None where no condition has a gain.
    """
    level = spoken_level(campaign)
    rows = [
        row
        for row in tables.treatments or _gains_of_comparisons(tables, campaign)
        if (row["weighting"], (row["lowest_band_hz"], row["highest_band_hz"])) == level
        and row["session"] == row["other_session"]
        and row["gain_finding"] not in (None, WITHOUT_DIFFERENCE)
    ]
    places: dict[tuple[str, float, float], list[Row]] = {}
    for row in rows:
        places.setdefault((row["session"], row["speed_mps"], row["yaw_deg"]), []).append(row)
    if not places:
        return None
    session, speed_mps, yaw_deg = min(
        places, key=lambda place: (*_wanted(places[place]), -place[1], abs(place[2]), place)
    )
    every = [row for row in rows if (row["session"], row["yaw_deg"]) == (session, yaw_deg)]
    return Headline(*level, session, speed_mps, yaw_deg, tuple(places[session, speed_mps, yaw_deg]), tuple(every))


def _gains_of_comparisons(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """Where no condition is the untreated one: each comparison's treatment against its reference, turned to a gain.

    A condition that is the treatment of several comparisons is held against the reference of the first.
    """
    pairs: dict[str, str] = {}
    for name, pair in campaign.settings.comparisons.items():
        if pair.treatment not in {row["treatment"] for row in tables.comparisons if row["comparison"] in pairs}:
            pairs[name] = pair.treatment
    return [
        _as_gain(campaign, row)
        for row in tables.comparisons
        if row["comparison"] in pairs and row["quantity"] == "overall"
    ]


def _as_gain(campaign: Campaign, row: Row) -> Row:
    turned = {"gain_db": "difference_db", "gain_lower_db": "upper_db", "gain_upper_db": "lower_db"}
    condition = campaign.settings.conditions.get(row["treatment"])
    return {
        **row,
        **{name: None if row[source] is None else 0.0 - row[source] for name, source in turned.items()},
        **{f"gain_{name}": row[name] for name in ("finding", "doubtful", "doubt")},
        **{f"remainder_{name}": None for name in ("db", "lower_db", "upper_db", "finding", "doubtful")},
        "gain_comparison": row["comparison"],
        "condition": row["treatment"],
        "untreated": row["reference"],
        "applied": list(condition.applied) if condition is not None else [],
        "session": row["treatment_session"],
        "other_session": row["reference_session"],
        "runs": row["treatment_runs"],
        "untreated_runs": row["reference_runs"],
    }


def spoken_level(campaign: Campaign) -> tuple[str, tuple[float, float]]:
    """Weighting and range of the overall level that sheet and maps speak of."""
    overall = campaign.settings.overall
    first = next((each for each in overall if each.weighting == HEARD), overall[0])
    return first.weighting, first.range_hz


def _wanted(rows: Sequence[Row]) -> tuple[int, int]:
    return -len({row["condition"] for row in rows}), -len({row["position"] for row in rows})
