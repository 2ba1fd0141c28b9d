"""Which calibrator checks count: verdicts set by hand, and sensors that were exchanged in one recording."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

from tapeline.calibration.all_together import median_of
from tapeline.calibration.evidence import CONTRADICTION
from tapeline.calibration.exchanged_tones import Order, PairReading, crosswise_pairs, judge_pair
from tapeline.campaign.plan import Channel, Overrule
from tapeline.jobs.cell_values import given
from tapeline.quality.reasons import UNFIT_CHECKS

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow

COUNTED, REFUSED, DOUBTED = "counted-by-hand", "refused-by-hand", "doubted-by-hand"
NOT_OF_THE_SENSOR = frozenset({REFUSED, "not-listed", "calibrator-on-another-channel"})
"""Refused for what they are: such a check contradicts no table."""

BY_HAND = {
    "good": (COUNTED, "counts whatever was found"),
    "doubtful": (DOUBTED, "is doubted"),
    "unusable": (REFUSED, "is not used"),
}


@dataclass
class JudgedChecks:
    """Rows of the checks table with what is decided on them, and what that leaves in doubt at each position.

    `alternatives_db` are the levels of a sensitivity (re 1 V/Pa) of which one is right and nothing tells which.
    """

    rows: list[ChecksRow]
    doubts: dict[str, dict[str, str]] = field(default_factory=dict)
    alternatives_db: dict[str, tuple[float, ...]] = field(default_factory=dict)

    def doubt(self, position: str, code: str, words: str) -> None:
        """Add a doubt of the position; the first of a code stays."""
        self.doubts.setdefault(position, {}).setdefault(code, f"position {position}: {words}")

    def heard_as_listed(self, one: str, other: str) -> bool:
        """Whether some recording heard the two in the turns that its list gives them."""
        found = _by_run(self.rows, (one, other))
        return any(_order_of(self.rows, run, pair) == "as listed" for run, pair in found.items())


def is_fit(row: ChecksRow) -> bool:
    """Whether a row of the checks table may give a sensitivity."""
    return bool(row["found"]) and (COUNTED in row["reasons"] or not UNFIT_CHECKS.intersection(row["reasons"]))


def is_measured(row: ChecksRow) -> bool:
    """Whether a row says what its sensor gives, also where that contradicts the sensor table."""
    refused = (UNFIT_CHECKS - {CONTRADICTION}).intersection(row["reasons"])
    return bool(row["found"]) and (COUNTED in row["reasons"] or not refused)


def refusing_codes(row: ChecksRow) -> list[str]:
    """Why a row that is not fit is refused; a tone that is not the sensor's own contradicts no table."""
    foreign = NOT_OF_THE_SENSOR.intersection(row["reasons"])
    return [code for code in row["reasons"] if not (foreign and code == CONTRADICTION)]


def judged_checks(
    checks: Sequence[ChecksRow], channels: Sequence[Channel], overrules: Sequence[Overrule]
) -> JudgedChecks:
    """A session's checks with verdicts set by hand, those of another sensor refused.

    Rows made before a column was added may lack it: a first look reads what is there.
    """
    rows: list[ChecksRow] = [{**row, "reasons": [*row["reasons"]], "sentences": [*row["sentences"]]} for row in checks]
    judged = JudgedChecks(rows)
    _set_by_hand(judged, channels, overrules)
    charts = {c.position: _level(c.sensitivity_v_per_pa) for c in channels if c.sensitivity_v_per_pa}
    pairs = _pairs(rows)
    for pair in pairs:
        _judge(judged, pair, charts)
    for row in rows:
        if "calibrator-on-another-channel" in row["reasons"] and (partner := row.get("exchanged_with")):
            own = [other for other in rows if other["position"] == row["position"]]
            if not any(is_fit(other) for other in own):
                _place_unsure(judged, row["position"], partner)
    return judged


def note_ranges(rows: Sequence[ChecksRow], least_db: float, most_db: float) -> None:
    """Note tones of usable checks that lie nearer to full scale, or farther below it, than they should."""
    for row in rows:
        if is_fit(row) and (below := row["below_full_scale_db"]) is not None and not least_db <= below <= most_db:
            words = f"its tone is {below:.1f} dB below full scale, asked for are {least_db:g} to {most_db:g} dB"
            _add(row, "tone-range", words)


def _set_by_hand(judged: JudgedChecks, channels: Sequence[Channel], overrules: Sequence[Overrule]) -> None:
    """A verdict on one position goes before that on the whole recording."""
    chosen = {(item.run, item.position): item for item in overrules}
    for row in judged.rows:
        item = chosen.get((row["run"], row["position"]), chosen.get((row["run"], None)))
        row["decided_by"] = item.who if item else None
        if item is not None:
            code, words = BY_HAND[item.verdict]
            _add(row, code, f"its check {item.run} {words}, set by {item.who}: {item.reason}")
    there = {(row["run"], row["position"]) for row in judged.rows}
    fitted = {channel.position for channel in channels}
    for (run, position), item in chosen.items():
        if position in fitted and position is not None and (run, position) not in there:
            words = f"run {run} holds no check of it: the verdict set by {item.who} changes nothing"
            judged.doubt(position, BY_HAND[item.verdict][0], words)


def _pairs(rows: Sequence[ChecksRow]) -> list[tuple[str, str]]:
    """Positions that were heard in each other's place, or whose levels changed places between two recordings."""
    pairs = {
        (min(row["position"], partner), max(row["position"], partner))
        for row in rows
        if "swapped" in row["reasons"] and (partner := row.get("exchanged_with"))
    }
    taken = {name for pair in pairs for name in pair}
    levels: dict[str, dict[str, float]] = {}
    for row in rows:
        if is_fit(row):
            levels.setdefault(row["run"], {})[row["position"]] = _level(given(row["sensitivity_v_per_pa"]))
    for (_, earlier), (_, later) in combinations(sorted(levels.items()), 2):
        shared = median_of([later[name] - earlier[name] for name in earlier if name in later]) or 0.0
        pairs |= {pair for pair in crosswise_pairs(earlier, later, shared) if taken.isdisjoint(pair)}
    return sorted(pairs)


def _judge(judged: JudgedChecks, pair: tuple[str, str], charts: Mapping[str, float]) -> None:
    one, other = pair
    found = {run: rows for run, rows in _by_run(judged.rows, pair).items() if all(is_fit(row) for row in rows.values())}
    readings = [
        PairReading(
            run,
            _level(given(rows[one]["sensitivity_v_per_pa"])),
            _level(given(rows[other]["sensitivity_v_per_pa"])),
            _order_of(judged.rows, run, rows),
            any(COUNTED in row["reasons"] for row in rows.values()),
        )
        for run, rows in sorted(found.items())
    ]
    if readings:
        both = (charts[one], charts[other]) if one in charts and other in charts else None
        verdict = judge_pair(readings, both)
        for run in verdict.refused:
            _refuse(found[run], undecided=verdict.undecided)
        for run in verdict.cleared:
            _clear(found[run])
        if verdict.undecided:
            judged.alternatives_db |= {one: verdict.first_db, other: verdict.second_db}
            for name, partner in (pair, pair[::-1]):
                words = f"it and {partner} are exchanged in a check, and nothing tells in which one"
                judged.doubt(name, "exchange-undecided", f"{words}: refuse the wrong check by hand")
        if verdict.place_unsure:
            for name, partner in (pair, pair[::-1]):
                _place_unsure(judged, name, partner)
    for row in judged.rows:
        alone = row["position"] in pair and row["run"] not in found and "swapped" in row["reasons"] and is_fit(row)
        if alone and COUNTED not in row["reasons"]:
            _add(
                row,
                "exchanged",
                f"{row['exchanged_with']} was heard in its turn and has no usable tone to compare with",
            )


def _by_run(rows: Sequence[ChecksRow], pair: tuple[str, str]) -> dict[str, dict[str, ChecksRow]]:
    """The two positions' rows of every recording that has both."""
    found: dict[str, dict[str, ChecksRow]] = {}
    for row in rows:
        if row["position"] in pair and row["found"]:
            found.setdefault(row["run"], {})[row["position"]] = row
    return {run: own for run, own in found.items() if len(own) == 2}


def _order_of(rows: Sequence[ChecksRow], run: str, pair: Mapping[str, ChecksRow]) -> Order:
    """What the list of a recording says of the turns of two positions; nothing where the whole order is another."""
    if any("swapped" in row["reasons"] for row in pair.values()):
        return "exchanged"
    listed = all(row["turn_stated"] is not None for row in pair.values())
    whole = any("other-order" in row["reasons"] for row in rows if row["run"] == run)
    return "as listed" if listed and not whole else "unknown"


def _refuse(pair: Mapping[str, ChecksRow], *, undecided: bool) -> None:
    for row in pair.values():
        (partner,) = pair.keys() - {row["position"]}
        row["exchanged_with"] = partner
        words = f"its check {row['run']} may be the one of {partner}" if undecided else (
            f"its check {row['run']} fits {partner} and the other way round: it is not used"
        )  # fmt: skip
        _add(row, "exchanged", words)


def _clear(pair: Mapping[str, ChecksRow]) -> None:
    """An odd order that the levels explain: each tone is its own sensor's."""
    for row in pair.values():
        at = row["reasons"].index("swapped") if "swapped" in row["reasons"] else None
        if at is not None:
            (partner,) = pair.keys() - {row["position"]}
            row["reasons"][at] = "other-order"
            words = f"calibrated when {partner} was due, but its level is its own: only the order is not the list's"
            row["sentences"][at] = f"position {row['position']}: {words}"


def _place_unsure(judged: JudgedChecks, name: str, partner: str) -> None:
    words = f"it and {partner} may be exchanged in the whole session: no check shows them in place"
    judged.doubt(name, "positions-exchanged", words)


def _add(row: ChecksRow, code: str, words: str) -> None:
    row["reasons"].append(code)
    row["sentences"].append(f"position {row['position']}: {words}")


def _level(sensitivity_v_per_pa: float) -> float:
    """Level of a sensitivity in dB re 1 V/Pa."""
    return 20.0 * math.log10(sensitivity_v_per_pa)
