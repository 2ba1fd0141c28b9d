"""The table of what each treatment gains against nothing applied, and what it leaves to be gained."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import ITEM_KEY, ITEM_WITH_MIDBAND, POINT, POSITION

if TYPE_CHECKING:
    from tapeline.store import rows


def _judged(name: str, other: str, value: str, absent: str) -> tuple[Column, ...]:
    """The columns of one difference: `name` prefixes them, `other` is the condition that it is held against."""
    given = f"{absent}, or no difference is given"
    return (
        Column(f"{name}_db", "real", value, "dB", null=f"{given}, or a bound"),
        Column(f"{name}_lower_db", "real", "lower end of its interval", "dB", null=f"{given}, or an open end"),
        Column(f"{name}_upper_db", "real", "upper end", "dB", null=f"{given}, or an open end"),
        Column(f"{name}_standard_error_db", "real", "its standard uncertainty", "dB", null=given),
        Column(f"{name}_degrees_of_freedom", "real", "of the standard uncertainty", null=f"{given}, or infinite"),
        Column(f"{name}_interval_basis", "text", "as in `comparisons`", null=given),
        Column(f"{name}_p_value", "real", "two-sided, no difference", null=given),
        Column(f"{name}_adjusted_p_value", "real", "adjusted over all tests of both conditions", null=given),
        Column(f"{name}_family_size", "integer", "tests of both conditions", null=given),
        Column(
            f"{name}_finding",
            "text",
            f"the level with this condition against {other}: lower, higher, equivalent, not shown, bound, or not given",
            null=absent,
        ),
        Column(f"{name}_why_not", "text", "why no difference can be given", null=f"{absent}, or it is given"),
        Column(
            f"{name}_comparison",
            "text",
            "the comparison of campaign.yaml that has the same two conditions, and these numbers",
            null="none has",
        ),
        Column(f"{name}_pairs", "integer", "runs on the side that has fewer", null=absent),
        Column(f"{name}_state", "text", "worst background state among the levels compared", null=given),
        Column(f"{name}_doubtful", "yes_no", "a level in it is doubtful", null=absent),
        Column(f"{name}_doubt", "texts", "why, and by which runs, as in 'hum: x12, x13'", null=absent),
    )


NO_BEST = "no single condition has everything applied that this one has, and most beside"

NO_GAIN = "these sessions compare the condition with `best` alone"

NO_REMAINDER = "no `best`, or these sessions compare the condition with `untreated` alone"

NO_SHARE = (
    "two sessions, a bound, a level in doubt, either gain is not above zero, or the gain of `best` is not beyond chance"
)

TREATMENTS: Table[rows.TreatmentsRow] = Table(
    "treatments",
    1,
    "What each condition gains against the untreated one, and what it leaves to be gained against the one with most "
    "applied. One row a condition, its session and the other's, position, operating point and band or overall level",
    ("condition", "session", "other_session", "position", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        Column("condition", "text", "condition with treatments"),
        Column("applied", "texts", "treatments in place"),
        Column("untreated", "text", "the condition that gains are counted from"),
        Column(
            "untreated_by",
            "text",
            "why it is that one: nothing applied (to it alone), reference_condition, comparisons (all name it), or "
            "first condition (nothing else tells)",
        ),
        Column("best", "text", "the condition that the remainder is held against", null=NO_BEST),
        Column(
            "best_by",
            "text",
            "why it is that one: most applied (all that this condition has and most beside, of those measured at the "
            "operating point) or best_condition (`compare.best_condition`)",
            null=NO_BEST,
        ),
        Column("session", "text", "session of the condition's runs"),
        Column("other_session", "text", "session of the runs that they are held against"),
        Column("pairing", "text", "same-session, same-mount or remounted"),
        POSITION,
        *POINT,
        *ITEM_WITH_MIDBAND,
        Column(
            "level_basis", "text", "what is compared: nominal (brought to the nominal speed and air) or as measured"
        ),
        *_judged(
            "gain",
            "that of `untreated`",
            "level of `untreated` minus level with this condition: positive is quieter",
            NO_GAIN,
        ),
        *_judged(
            "remainder",
            "that of `best`",
            "level with this condition minus level of `best`: positive is what it leaves to be gained",
            NO_REMAINDER,
        ),
        Column(
            "share",
            "real",
            "share of the power that `best` takes away which this condition takes away",
            null=NO_SHARE,
        ),
        Column(
            "share_lower", "real", "lower end of its interval", null=f"{NO_SHARE}; beside a share: not above nothing"
        ),
        Column("share_upper", "real", "upper end", null=NO_SHARE),
        Column("runs", "texts", "runs of the condition that are used"),
        Column("untreated_runs", "texts", "runs of `untreated` that are used", null=NO_GAIN),
        Column("best_runs", "texts", "runs of `best` that are used", null=NO_REMAINDER),
        Column("available", "integer", "runs of the condition there are, usable or not"),
        Column("untreated_available", "integer", "the same of `untreated`", null=NO_GAIN),
        Column("best_available", "integer", "the same of `best`", null=NO_REMAINDER),
    ),
)
