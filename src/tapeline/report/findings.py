"""The main findings: three to five sentences chosen from the tables by a stated rule."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tabulate import SEPARATING_LINE, tabulate

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import SHOWN, condition_title
from tapeline.report.difference_words import (
    conditions_of,
    difference_words,
    doubt_words,
    place_of,
    quantity_words,
    short_quantity,
)
from tapeline.report.finished_tables import FinishedTables, Row, read_finished
from tapeline.report.picked_words import after_picking, contribution_words, expected_words, holds_words, tests_of
from tapeline.report.summed_range import ranked_range, summed_words
from tapeline.report.swapped_sensors import swapped_sentence
from tapeline.report.wording import (
    confidence_words,
    counted,
    frequency,
    interval,
    number,
    operating_point,
    pairing,
    percent,
    short,
)

MOST_FINDINGS = 5
RULE = (
    "The findings are chosen by rule, not by hand: (1) the largest shown difference of an overall level, A-weighted "
    "before Z before C; (2) the largest shown band difference of each comparison, the two largest of them; (3) the "
    "largest shown power in the lists to work on first; (4) the overall difference not shown with the "
    "narrowest interval; (5) the loudest overall level that is only an upper bound. Five at most; a place left over "
    "goes to the band differences of further comparisons. Shown means shown after adjusting for the number of tests. "
    "A doubtful channel is taken only where there is no other, and said so. Intervals of differences are as wide as "
    "it takes to hold although one of so many was picked; preferred are, where there are any, differences whose wide "
    "interval leaves out zero. The tables have the plain intervals too. The largest of all upper bounds errs on the "
    "safe side."
)
WEIGHTING_ORDER = {"A": 0, "Z": 1, "C": 2}


@dataclass(frozen=True)
class Finding:
    """One sentence and the numbers in it, as they stand in the table: decibels, or a share for `share`.

    `quantity`, `place` and `runs` are the short forms for a narrow table.
    """

    kind: str
    comparison: str
    position: str
    quantity: str
    place: str
    sentence: str
    value_db: float | None
    lower_db: float | None
    upper_db: float | None
    runs: str
    pairing: str
    share: float | None = None
    doubtful: bool = False


def main_findings(results: Path, campaign: Campaign) -> list[Finding]:
    """The findings of a results folder; empty where the tables hold nothing to tell."""
    return findings_of(read_finished(results), campaign)


def findings_of(tables: FinishedTables, campaign: Campaign) -> list[Finding]:
    """The findings of tables already read, by `RULE`."""
    overall = [row for row in tables.comparisons if row["quantity"] == "overall"]
    confidence = campaign.settings.confidence
    tests = tests_of(tables.comparisons)
    sized = [after_picking(row, tests[row["quantity"]], confidence) for row in tables.comparisons if _is_shown(row)]
    largest = _largest_shown_overall(row for row in sized if row["quantity"] == "overall")
    bands = _largest_shown_bands(row for row in sized if row["quantity"] == "band")
    ranked = _first_to_work_on(tables.ranking)
    hidden = _narrowest_not_shown(overall)
    bound = _loudest_bound(tables, campaign.settings.background.references)

    chosen: list[Finding] = []
    if largest is not None:
        chosen.append(_difference(campaign, tables, largest, "overall difference", tests["overall"]))
    of_bands = [
        _difference(campaign, tables, row, "band difference", tests["band"], first=row is bands[0]) for row in bands
    ]
    chosen += of_bands[:2]
    chosen += [] if ranked is None else [_contribution(campaign, ranked)]
    chosen += [] if hidden is None else [_not_shown(campaign, tables, hidden, tests["overall"])]
    if len(chosen) < MOST_FINDINGS and bound is not None:
        chosen.append(_bound(campaign, tables, bound))
    room = MOST_FINDINGS - len(chosen)
    return chosen + of_bands[2 : 2 + room]


def _largest_shown_overall(shown: Iterable[Row]) -> Row | None:
    return min(shown, key=lambda row: (WEIGHTING_ORDER.get(row["weighting"], 9), *_size_order(row)), default=None)


def _largest_shown_bands(shown: Iterable[Row]) -> list[Row]:
    """The largest shown band difference of each comparison, the largest comparison first."""
    largest: dict[str, Row] = {}
    for row in shown:
        best = largest.get(row["comparison"])
        if best is None or _size_order(row) < _size_order(best):
            largest[row["comparison"]] = row
    return sorted(largest.values(), key=_size_order)


def _is_shown(row: Row) -> bool:
    return row["finding"] in SHOWN and row["difference_db"] is not None


def _size_order(row: Row) -> tuple[bool, bool, float, str, str, str, float, float, float]:
    """Sorts the largest difference first, those whose interval holds zero and doubtful ones last.

    The rest makes the order the same every time.
    """
    return (
        bool(row["doubtful"]),
        row["lower_db"] is None or row["upper_db"] is None or row["lower_db"] <= 0.0 <= row["upper_db"],
        -abs(row["difference_db"]),
        row["comparison"],
        row["session_label"],
        row["position"],
        row["speed_mps"],
        row["yaw_deg"],
        row["band_hz"] or 0.0,
    )


def _first_to_work_on(ranking: Iterable[Row]) -> Row | None:
    """The largest contribution or change that has a rank, be it tied with others."""
    shown = [row for row in ranking if row["rank"] is not None and row["contribution_db"] is not None]
    return min(
        shown,
        key=lambda row: (-row["contribution_pa2"], row["comparison"], row["place"]),
        default=None,
    )


def _narrowest_not_shown(overall: Iterable[Row]) -> Row | None:
    hidden = [
        row
        for row in overall
        if row["finding"] in ("not shown", "equivalent") and row["lower_db"] is not None and row["upper_db"] is not None
    ]

    def order(row: Row) -> tuple[bool, bool, int, float, str, str, str, float, float]:
        width = row["upper_db"] - row["lower_db"]
        weighting = WEIGHTING_ORDER.get(row["weighting"], 9)
        where = (row["comparison"], row["session_label"], row["position"], row["speed_mps"], row["yaw_deg"])
        return row["finding"] != "not shown", bool(row["doubtful"]), weighting, width, *where

    return min(hidden, key=order, default=None)


def _loudest_bound(tables: FinishedTables, references: Collection[str]) -> Row | None:
    bounds = [
        row
        for row in tables.overall
        if row["state"] == "bound"
        and row["upper_bound_db"] is not None
        and row["quality"] != "unusable"
        and row["position"] not in references
    ]
    best = min((WEIGHTING_ORDER.get(row["weighting"], 9) for row in bounds), default=0)
    loudest = [row for row in bounds if WEIGHTING_ORDER.get(row["weighting"], 9) == best]
    return max(loudest, key=lambda row: (row["upper_bound_db"], row["run"], row["position"]), default=None)


def _difference(
    campaign: Campaign, tables: FinishedTables, row: Row, kind: str, tests: int, *, first: bool = True
) -> Finding:
    """A difference that was picked from `tests`; `row` has its interval after picking."""
    said = (
        holds_words(tests, "the largest" if first else "one of the largest")
        + expected_words(row)
        + row.get("plain_width", "")
    )
    words, changed = difference_words(campaign, row), swapped_sentence(tables, row)
    conditions = conditions_of(campaign, row)
    quantity = quantity_words(row, summed_words(tables, row))
    sentence = f"{conditions}, at {place_of(campaign, row)}: {quantity} {words}.{said}{changed}"
    return _finding(kind, row, campaign, sentence, summed_words(tables, row))


def _not_shown(campaign: Campaign, tables: FinishedTables, row: Row, tests: int) -> Finding:
    """What is not shown with its interval after picking; `equivalent` keeps the plain one, by which it is judged."""
    picked = after_picking(row, tests, campaign.settings.confidence)
    if row["finding"] == "not shown":
        kind, words, said = "not shown", difference_words(campaign, picked), holds_words(tests, "the narrowest")
        said += picked.get("plain_width", "")
    else:
        kind, words = "equivalent", difference_words(campaign, row)
        ends = interval(picked["lower_db"], picked["upper_db"])
        said = f" Picked from {tests:,} as the narrowest, its interval is {ends} dB." if tests > 1 else ""
    quantity = quantity_words(row, summed_words(tables, row))
    text = f"{conditions_of(campaign, row)}, at {place_of(campaign, row)}: {quantity} "
    text = f"{text}{words}.{said}{swapped_sentence(tables, row)}"
    return _finding(kind, picked, campaign, text, summed_words(tables, row))


def _finding(kind: str, row: Row, campaign: Campaign, sentence: str, summed: str) -> Finding:
    return Finding(
        kind=kind,
        comparison=row["comparison"],
        position=row["position"],
        quantity=short_quantity(row, summed),
        place=place_of(campaign, row, ""),
        sentence=sentence,
        value_db=row["difference_db"],
        lower_db=row["lower_db"],
        upper_db=row["upper_db"],
        runs=f"{len(row['reference_runs'] or ())} + {len(row['treatment_runs'] or ())}",
        pairing=pairing(row["pairing"]),
        doubtful=bool(row["doubtful"]),
    )


def _contribution(campaign: Campaign, row: Row) -> Finding:
    confidence = confidence_words(campaign.settings.confidence)
    band, points = frequency(row["band_hz"]), row["operating_points"] or 0
    change = row["ranked_by"] == "change"
    tied = (row["tied_spots"] or 1) - 1
    first = "Largest shown change in" if change else "To work on first in"
    does = f"{_way(campaign, row)}, a change in power of" if change else "contributing"
    done = "shown to change" if change else "shown as contributed"
    weighted = "" if row["weighting"] == "Z" else f"({row['weighting']})"
    held = interval(row["selected_lower_db"], row["selected_upper_db"])
    sentence = (
        f"{first} {row['comparison']}: {band} at {row['position']}, {does} "
        f"{number(row['contribution_db'])} dB{weighted} ({confidence} CI {held}; "
        f"{percent(row['share'])} of the pressure power {done} at the measured positions, {ranked_range(campaign)}; "
        f"mean over {counted(points, 'operating point')} and session{'' if points == 1 else 's'}"
        f"{f', tied with {tied} more of the list' if tied else ''}"
        f"{''.join(f', {words}' for words in doubt_words(row))}).{contribution_words(row)}"
    )
    return Finding(
        kind="largest change" if change else "work on first",
        comparison=row["comparison"],
        position=row["position"],
        quantity=band,
        place=f"{row['position']}, all points",
        sentence=sentence,
        value_db=row["contribution_db"],
        lower_db=row["selected_lower_db"],
        upper_db=row["selected_upper_db"],
        runs="",
        pairing="",
        share=row["share"],
        doubtful=bool(row["doubtful"]),
    )


def _way(campaign: Campaign, row: Row) -> str:
    """Which condition is louder where a change is ranked."""
    name = (row["direction"] or "").removeprefix("louder in ")
    if name in campaign.settings.conditions:
        return f"louder with {condition_title(campaign, name)}"
    return "louder at some operating points and quieter at others"


def _bound(campaign: Campaign, tables: FinishedTables, row: Row) -> Finding:
    run = tables.run_by_name.get(row["run"], {})
    point = operating_point(run.get("speed_mps"), run.get("yaw_deg"), campaign.settings.report.speed_unit)
    place = f"{row['position']}, {point}, session {row['session']}"
    title = condition_title(campaign, run.get("condition"))
    bound, quantity = row["upper_bound_db"], quantity_words(row, summed_words(tables, row))
    return Finding(
        kind="upper bound",
        comparison="",
        position=row["position"],
        quantity=short_quantity(row, summed_words(tables, row)),
        place=place.replace("session ", ""),
        sentence=f"{title}, at {place}: {quantity} at most {number(bound)} dB (background-limited, "
        f"run {row['run']}{''.join(f', {words}' for words in doubt_words(row))}).",
        value_db=None,
        lower_db=None,
        upper_db=bound,
        runs="1",
        pairing="",
        doubtful=bool(row["doubt"]),
    )


def terminal_table(findings: Sequence[Finding]) -> str:
    """The findings as a short table of plain text, one line each, some 110 characters wide."""
    if not findings:
        return "No findings: no comparison has runs of both its conditions at one operating point."
    head = ("finding", "comparison", "where", "what", "dB", "interval", "runs", "pairing")
    rows = [head, SEPARATING_LINE, *map(_cells, findings)]
    sides = ["right" if name == "dB" else "left" for name in head]
    table: str = tabulate(rows, tablefmt="simple", colalign=sides, disable_numparse=True)
    # Lines above and below; names given as headers would be without them, but in wider columns.
    return "\n".join(table.split("\n")[1:-1])


def _cells(finding: Finding) -> tuple[str, ...]:
    signed = finding.kind in ("overall difference", "band difference", "not shown", "equivalent")
    return (
        f"{finding.kind}, doubtful" if finding.doubtful else finding.kind,
        short(finding.comparison, 20),
        short(finding.place, 40),
        finding.quantity,
        number(finding.value_db, signed=signed),
        interval(finding.lower_db, finding.upper_db),
        finding.runs,
        finding.pairing,
    )
