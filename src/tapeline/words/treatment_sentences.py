"""What a treatment gains, and what it leaves to be gained, in one spoken sentence each.

The direction stands in words (quieter, louder, leaves), never in a sign.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapeline.quality.reasons import REASONS

if TYPE_CHECKING:
    from tapeline.store.rows import TreatmentsRow

MOST_DOUBTS = 3
"""So many doubts are named in a sentence."""

SESSIONS = {"same-mount": "two sessions", "remounted": "two sessions, sensors fitted anew"}

ENOUGH, NOT_ENOUGH, MAY_BE_ENOUGH = "enough by itself", "not enough by itself", "it may be enough by itself"


@dataclass(frozen=True)
class Wording:
    """How sentences are worded: `speed_unit` is km/h or m/s, `threshold_db` the least difference of practical use."""

    speed_unit: str
    confidence: float
    threshold_db: float


def gain_sentence(row: TreatmentsRow, treatment: str, wording: Wording) -> str:
    """What a treatment gains at one position and operating point; `treatment` are its words, as in "taping the front".

    Quieter or louder with its interval where that is shown, else what is known.
    """
    at, object_, unit = f"At {row['position']}", _level(row), _unit(row)
    point, ends = _point(row, wording.speed_unit), (row.get("gain_lower_db"), row.get("gain_upper_db"))
    finding, value = row.get("gain_finding"), row.get("gain_db")
    than = "" if row["untreated_by"] == "nothing applied" else f" than {row['untreated']}"
    runs = _runs(row)
    interval = f"({100.0 * wording.confidence:g} % interval {{}}; {runs})"
    if finding in ("lower", "higher") and value is not None:
        size = f"{_quieter(value, unit)}{than}"
        return f"{at} {treatment} makes {object_} {size} at {point} {interval.format(_sizes(*ends, value))}."
    if finding == "equivalent":
        less = f"changes {object_} by less than {wording.threshold_db:g} {unit}"
        return f"{at} {treatment} {less} at {point} {interval.format(_spread(*ends, unit))}."
    if finding == "not shown":
        not_shown = f"is not shown to make {object_} quieter or louder{than}"
        return f"{at} {treatment} {not_shown} at {point} {interval.format(_spread(*ends, unit))}."
    if finding == "bound":
        return (
            f"{at} {treatment} makes {object_} {_one_end(*ends, unit)}{than} at {point} (background-limited; {runs})."
        )
    why = row.get("gain_why_not") or f"it was not held against {row['untreated']} in these sessions"
    return f"{at} the gain by {treatment} at {point} is not known: {why}."


def remainder_sentence(row: TreatmentsRow, treatment: str, wording: Wording, *, that: str = "that") -> str:
    """What a treatment leaves of the gain of the condition with most applied, and whether it is enough by itself.

    Nothing is judged by what is doubtful. `that` are words for this gain, which the sentence before has told as a rule;
    of a row that `leaves_no_part`, and where no gain of `best` is shown, words for that condition itself.
    """
    subject, unit = treatment[:1].upper() + treatment[1:], _unit(row)
    lower, upper = ends = row.get("remainder_lower_db"), row.get("remainder_upper_db")
    finding, value = row.get("remainder_finding"), row.get("remainder_db")
    where = "" if row["quantity"] == "overall" else f" in {_level(row)}"
    of_that, doubt = f"of {that}{where}", _doubt(row.get("remainder_doubt"))
    louder, judged = row.get("gain_finding") == "higher", f": {enough(lower, upper, wording.threshold_db)}"
    if doubt or (louder and judged != f": {NOT_ENOUGH}"):
        judged = ""
    if finding in ("lower", "higher") and value is not None:
        bracket = f"({_sizes(*ends, value)}{doubt})"
        if leaves_no_part(row):
            return f"{subject} is {_quieter(-value, unit)} than {that}{where} {bracket}{judged}."
        return f"{subject} leaves {value:.1f} {unit} {of_that} {bracket}{judged}."
    if finding == "equivalent":
        within = f"reaches {that}{where} within {wording.threshold_db:g} {unit}"
        return f"{subject} {within} ({_spread(*_turned(*ends), unit)}{doubt}){judged}."
    if finding == "not shown":
        bracket = f"({_spread(*_turned(*ends), unit)}{doubt})"
        if louder:
            return f"{subject} is not shown to differ from {that}{where} {bracket}{judged}."
        return f"{subject} is not shown to leave any {of_that} {bracket}{judged}."
    if finding == "bound":
        limited = f"(background-limited{doubt})"
        if upper is not None and upper <= 0.0:
            return f"{subject} is at least {_quieter(-upper, unit)} than {that}{where} {limited}{judged}."
        if upper is not None or (lower is not None and lower > 0.0):
            end = f"at most {upper:.1f}" if upper is not None else f"at least {lower:.1f}"
            return f"{subject} leaves {end} {unit} {of_that} {limited}{judged}."
        return f"What {treatment} leaves {of_that} is not known: the background hides it."
    why, best = row.get("remainder_why_not"), row.get("best")
    if best is None:
        return f"Nothing tells what {treatment} leaves: no single condition has all its treatments and more."
    why = why or f"it was not held against {best} in these sessions"
    return f"What {treatment} leaves {of_that} is not known: {why}."


def leaves_no_part(row: TreatmentsRow) -> bool:
    """Whether a condition leaves no part of a gain: it is louder than untreated, or quieter than the best one."""
    return row.get("gain_finding") == "higher" or row.get("remainder_finding") == "lower"


def enough(lower: float | None, upper: float | None, threshold_db: float) -> str:
    """Whether a treatment is enough by itself, by the interval (dB) of what it leaves."""
    if lower is not None and lower >= threshold_db:
        return NOT_ENOUGH
    return ENOUGH if upper is not None and upper < threshold_db else MAY_BE_ENOUGH


def _unit(row: TreatmentsRow) -> str:
    return "dB" if row["weighting"] == "Z" else f"dB({row['weighting']})"


def _level(row: TreatmentsRow) -> str:
    """What gets quieter or louder: the sound as a whole, or a band."""
    hertz = row.get("band_hz")
    if row["quantity"] == "overall" or hertz is None:
        return "it"
    return f"the {hertz / 1000:g} kHz band" if hertz >= 1000.0 else f"the {hertz:g} Hz band"


def _point(row: TreatmentsRow, unit: str) -> str:
    speed = row["speed_mps"] * (3.6 if unit == "km/h" else 1.0)
    yaw = f" and {round(row['yaw_deg'], 1):g}° yaw" if round(row["yaw_deg"], 1) else ""
    return f"{round(speed, 1):g} {unit}{yaw}"


def _runs(row: TreatmentsRow) -> str:
    """Runs of both sides of a gain, sessions where there are two, and what is doubtful."""
    count, others = len(row["runs"]), len(row.get("untreated_runs") or ())
    said = f"{count} run{'' if count == 1 else 's'} each" if count == others else f"{others} and {count} runs"
    sessions = SESSIONS.get(row["pairing"])
    return f"{said}{f'; {sessions}' if sessions else ''}{_doubt(row.get('gain_doubt'))}"


def _doubt(doubts: list[str] | None) -> str:
    """What makes it doubtful, for the end of a bracket."""
    if not doubts:
        return ""
    plain = [": ".join(REASONS[part].meaning if part in REASONS else part for part in d.split(": ")) for d in doubts]
    more = len(plain) - MOST_DOUBTS
    return f"; doubtful: {', '.join(plain[:MOST_DOUBTS])}{f' and {more} more' if more > 0 else ''}"


def _quieter(gain_db: float, unit: str) -> str:
    return f"{abs(gain_db):.1f} {unit} {'louder' if gain_db < 0.0 else 'quieter'}"


def _turned(lower: float | None, upper: float | None) -> tuple[float | None, float | None]:
    """The interval of what is left as one of what is gained against the other condition."""
    return None if upper is None else -upper, None if lower is None else -lower


def _sizes(lower: float | None, upper: float | None, value: float) -> str:
    """Both ends of an interval about `value` by their size: its direction stands before it."""
    if value < 0.0:
        lower, upper = _turned(lower, upper)
    if lower is None or upper is None:
        return "open"
    return f"{lower:.1f} to {upper:.1f}"


def _spread(lower: float | None, upper: float | None, unit: str) -> str:
    """An interval of a gain that may hold both directions, each end with its own."""
    if lower is None or upper is None:
        return "open"
    if lower < 0.0 < upper:
        return f"{_quieter(lower, unit)} to {_quieter(upper, unit)}"
    ends = sorted((abs(lower), abs(upper)))
    return f"{ends[0]:.1f} to {_quieter(ends[1] if upper > 0.0 else -ends[1], unit)}"


def _one_end(lower: float | None, upper: float | None, unit: str) -> str:
    """The known end of a gain: at least or at most so much, with its direction."""
    if lower is not None:
        return f"at {'least' if lower >= 0.0 else 'most'} {_quieter(lower, unit)}"
    if upper is not None:
        return f"at {'most' if upper >= 0.0 else 'least'} {_quieter(upper, unit)}"
    return "louder or quieter"
