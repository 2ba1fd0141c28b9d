"""Tables of conditions held against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.store.schema import Column, Table
from tapeline.store.shared_columns import (
    BAND,
    DB,
    DOUBT,
    ITEM,
    ITEM_KEY,
    ITEM_WITH_MIDBAND,
    JUDGED,
    PA2,
    POINT,
    POSITION,
    SIDES,
    SPEED,
    TERMS,
)

if TYPE_CHECKING:
    from tapeline.store import rows

NOT_GIVEN = "no difference is given, see why_not"

NOT_PICKED = "neither a finding nor among the ten largest of its family"

WITHOUT_DIFFERENCE = "not given"
"""The finding of a row without a difference."""

BOTH_BOUNDS = "both sides are upper bounds"
"""Why a row has none, most often: what is known of both levels is drawn all the same."""

_COMPARISON = Column("comparison", "text", "name in campaign.yaml")
_CONDITION = Column("condition", "text", "treatment condition")
_SESSION = Column("session", "text", "session")
COMPARISONS: Table[rows.ComparisonsRow] = Table(
    "comparisons",
    2,
    "One row a comparison, session, position, operating point and band or overall level, with the reason where no "
    "difference can be given",
    (
        "comparison",
        "reference_session",
        "treatment_session",
        "position",
        "speed_mps",
        "yaw_deg",
        *ITEM_KEY,
    ),
    (
        _COMPARISON,
        *SIDES,
        Column("reference", "text", "reference condition"),
        Column("treatment", "text", "treatment condition"),
        POSITION,
        *POINT,
        *ITEM_WITH_MIDBAND,
        Column(
            "level_basis", "text", "what is compared: nominal (brought to the nominal speed and air) or as measured"
        ),
        Column("reference_level_db", "real", "mean over the reference runs, as measured", DB, null="a bound"),
        Column("treatment_level_db", "real", "mean over the treatment runs, as measured", DB, null="a bound"),
        Column(
            "nominal_correction_db",
            "real",
            "what bringing both sides to the nominal speed and air adds to the difference",
            "dB",
            null=NOT_GIVEN,
        ),
        Column("difference_db", "real", "treatment minus reference", "dB", null="a bound is involved"),
        Column("lower_db", "real", "lower end of the interval", "dB", null="open end"),
        Column("upper_db", "real", "upper end of the interval", "dB", null="open end"),
        Column("standard_error_db", "real", "of the difference", "dB", null=NOT_GIVEN),
        Column("degrees_of_freedom", "real", "of the standard error", null="infinite"),
        Column(
            "interval_basis",
            "text",
            "own repeats, pooled repeats, assumed repeats, random error, measured sessions, or assumed sessions",
            null=NOT_GIVEN,
        ),
        Column(
            "widest_run",
            "text",
            "the run whose repeats make the scatter of the position, and so the interval, this wide",
            null="no single run does",
        ),
        Column("half_width_without_db", "real", "half-width of the interval without it", "dB", null="as `widest_run`"),
        Column(
            "p_value",
            "real",
            "two-sided, no difference; of a bound, that both sides are alike after all",
            null=NOT_GIVEN,
        ),
        Column(
            "adjusted_p_value",
            "real",
            "after Benjamini-Hochberg, or Holm where asked for, over the family",
            null=NOT_GIVEN,
        ),
        Column("family_size", "integer", "tests in the comparison's family", null=NOT_GIVEN),
        Column(
            "size_rank",
            "integer",
            "place in the family by size, 1 the largest; a bound counts by the least that it may be",
            null=NOT_GIVEN,
        ),
        Column(
            "selected_lower_db",
            "real",
            "lower end of the interval that holds although this row was picked as a finding or as one of the largest",
            "dB",
            null=f"open end, or {NOT_PICKED}",
        ),
        Column("selected_upper_db", "real", "upper end of it", "dB", null=f"open end, or {NOT_PICKED}"),
        Column(
            "shrunken_db",
            "real",
            "difference to be expected among all of its family, chance taken off",
            "dB",
            null="a bound is involved, nothing is tested, or the family has fewer than 5 differences",
        ),
        Column(
            "bracketed",
            "yes_no",
            "every treatment run has reference runs before and after it",
            null="two sessions, or a run without a time",
        ),
        Column(
            "drift_effect_db",
            "real",
            "what a steady drift of the reference within the session would put into the difference; not subtracted",
            "dB",
            null="two sessions, no repeats of the reference, or a run without a time",
        ),
        Column("drift_effect_uncertainty_db", "real", "standard uncertainty of it", "dB", null="as the effect"),
        Column(
            "return_db",
            "real",
            "of the condition measured on both sides of the other one (reference, treatment, reference): after less "
            "before",
            "dB",
            null="neither was, two sessions, or a run without a time",
        ),
        Column("return_uncertainty_db", "real", "standard uncertainty of it", "dB", null="as `return_db`"),
        Column("finding", "text", "lower, higher, equivalent, not shown, bound, or not given"),
        Column("why_not", "text", "why no difference can be given", null="it is given, or a bound"),
        Column("pairing", "text", "same-session, same-mount or remounted"),
        Column("reference_runs", "texts", "runs used"),
        Column("treatment_runs", "texts", "runs used"),
        Column("reference_available", "integer", "runs there are, usable or not"),
        Column("treatment_available", "integer", "runs there are, usable or not"),
        Column(
            "opened",
            "text",
            "the condition with less applied: whose gap the contribution is",
            null="neither list of what is applied holds the other: the contribution is what the louder one adds",
        ),
        Column("contribution_level_db", "real", "power of the opened state less the other's", DB, null="a bound"),
        Column("contribution_lower_db", "real", "lower end", DB, null="not above nothing"),
        Column("contribution_upper_db", "real", "upper end", DB, null="open"),
        Column("contribution_share", "real", "share of the opened state's power", null="a bound"),
        Column("contribution_state", "text", "clear, corrected, limited, bound, or reversed", null=NOT_GIVEN),
        Column("state", "text", "worst background state among the levels compared", null=NOT_GIVEN),
        *DOUBT,
        Column(
            "common_part",
            "text",
            "what is compared where one condition has bands that the other has not, or overall levels sum less than "
            "was asked for",
            null="both conditions have all that was asked for",
        ),
    ),
)

BUDGETS: Table[rows.BudgetsRow] = Table(
    "budgets",
    2,
    "What uncertainty is made of. One row a mean level (absolute) or difference, with its terms, the largest first",
    (
        "budget",
        "comparison",
        "session_label",
        "condition",
        "position",
        "speed_mps",
        "yaw_deg",
        *ITEM_KEY,
    ),
    (
        Column("budget", "text", "absolute (of a condition's mean level) or difference (of a comparison)"),
        Column("comparison", "text", "name in campaign.yaml", null="an absolute level"),
        Column(
            "session_label", "text", "session, or both as in 'april + may' where reference and treatment are of two"
        ),
        Column("condition", "text", "treatment condition", null="a difference"),
        Column("pairing", "text", "same-session, same-mount or remounted", null="an absolute level"),
        POSITION,
        *POINT,
        *ITEM,
        Column("runs", "texts", "runs whose levels are in it"),
        *DOUBT,
        Column(
            "level_db",
            "real",
            "mean corrected level as measured; of a difference, treatment minus reference as it is compared",
            "dB",
        ),
        *TERMS,
        Column(
            "terms_degrees_of_freedom",
            "reals",
            "of each term, for Welch-Satterthwaite",
            gap="infinite: the term is certain",
        ),
        Column("standard_uncertainty_db", "real", "root of the sum of the terms' squares", "dB"),
        Column("degrees_of_freedom", "real", "Welch-Satterthwaite", null="infinite"),
        Column("lower_db", "real", "lower end of the interval at the set confidence", "dB"),
        Column("upper_db", "real", "upper end", "dB"),
    ),
)

_UNRANKED = "not ranked: not shown, below threshold, reversed, equivalent or in doubt"

RANKING: Table[rows.RankingRow] = Table(
    "ranking",
    3,
    "The list of spots and bands to work on first, per comparison. Powers are mean square pressures at the positions "
    "measured: neither what is radiated nor what is heard elsewhere",
    ("comparison", "place"),
    (
        _COMPARISON,
        Column("place", "integer", "place in the list; no rank: what has none stands behind what has one"),
        Column(
            "rank",
            "integer",
            "1 contributes or changes most of what is shown; what is tied has the rank of its group's first",
            null=_UNRANKED,
        ),
        POSITION,
        BAND,
        Column("area", "text", "group of the position", null="in none"),
        Column("weighting", "text", "weighting of the contributions ranked"),
        Column(
            "weighting_from",
            "text",
            "lines (what it makes of the band's lines, mean over the runs) or midband (where a run has none)",
            null="unweighted",
        ),
        Column(
            "ranked_by",
            "text",
            "contribution (what the opened state adds to the closed one) or change (treatment against reference, in "
            "either direction: neither list of what is applied holds the other)",
        ),
        Column("points", "text", "operating points that the list is over: all, or those that were chosen"),
        Column(
            "contribution_db",
            "real",
            "contributed level, or level of the power that changed; mean over operating points and sessions",
            DB,
            null="nothing",
        ),
        Column("contribution_pa2", "real", "the same as mean square", PA2),
        Column("lower_db", "real", "lower end of it", DB, null="not above nothing"),
        Column("upper_db", "real", "upper end of it", DB, null="not above nothing"),
        Column(
            "selected_lower_db",
            "real",
            "lower end that holds although the spot was picked as one of the first of the list",
            DB,
            null="no rank, or not above nothing",
        ),
        Column("selected_upper_db", "real", "upper end of it", DB, null="no rank"),
        Column(
            "share",
            "real",
            "share of the power (mean square pressure at these positions) that all spots ranked contribute or change",
            null=_UNRANKED,
        ),
        Column(
            "difference_db",
            "real",
            "opened against closed, or treatment against reference; mean over points",
            "dB",
            null="bounds only",
        ),
        Column(
            "direction",
            "text",
            "the condition that is shown to be louder, as in 'louder in open', or both ways (operating points or "
            "sessions differ)",
            null="nothing is shown",
        ),
        Column(
            "finding",
            "text",
            "shown, tied (shown, with others of its group), reversed (the closed state is louder), not shown, below "
            "threshold (shown, but smaller than the practical threshold), equivalent, or in doubt",
        ),
        Column("operating_points", "integer", "operating points and sessions that have a value"),
        Column(
            "expected_db",
            "real",
            "contribution or change to be expected among all others, chance taken off; ranks are in its order",
            DB,
            null=_UNRANKED,
        ),
        Column(
            "rank_lower",
            "integer",
            "best rank among the spots ranked, lower end of the interval at the set confidence",
            null=_UNRANKED,
        ),
        Column("rank_upper", "integer", "worst rank, upper end", null=_UNRANKED),
        Column("first_probability", "real", "chance that it is the largest of the spots ranked", null=_UNRANKED),
        Column(
            "tied_group",
            "integer",
            "number of the group of spots that cannot be told from the group's first; see docs/methods.md",
            null="not tied",
        ),
        Column("tied_spots", "integer", "spots in that group, of which the list may hold fewer", null="not tied"),
        *DOUBT,
        Column(
            "next_step",
            "text",
            "treat, treat together (tied), find the cause (louder in the treatment), keep (quieter in the treatment), "
            "look at each point (both ways), check the closed state (reversed), leave (equivalent, below threshold), "
            "repeat (see runs_needed), quieter (a bound hides it), or mend (in doubt)",
            null="nothing is shown, and nothing tells that more runs would show it",
        ),
        Column(
            "runs_needed",
            "integer",
            "runs a side with which a difference as large as found would be a finding",
            null="shown, or not to be told: found below the practical threshold, as chance makes it, of two sessions, "
            "or more than 99",
        ),
    ),
)

AREAS: Table[rows.AreasRow] = Table(
    "areas",
    2,
    "Energy means over the positions of an area. One row a session, condition, operating point, area and band or "
    "overall level",
    ("session", "condition", "area", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        _SESSION,
        _CONDITION,
        Column("area", "text", "group of positions"),
        *POINT,
        *ITEM,
        Column(
            "level_db",
            "real",
            "10 lg of the mean power over the positions, as measured",
            DB,
            null="a bound is among them",
        ),
        Column("upper_bound_db", "real", "at most, where a position is a bound", DB, null="no bound"),
        Column("standard_uncertainty_db", "real", "of the mean as an absolute level", "dB", null="a bound"),
        Column("spread_db", "real", "standard deviation over the positions", "dB", null="one position, or a bound"),
        Column("positions", "texts", "positions that are in it"),
        Column("without_level", "texts", "positions of the area without a level, or with one that is in doubt"),
        Column("runs", "texts", "runs averaged"),
        *DOUBT,
    ),
)

AREA_DIFFERENCES: Table[rows.AreaDifferencesRow] = Table(
    "area_differences",
    2,
    "Comparisons of the energy means over areas, over the positions that both sides have",
    ("comparison", "reference_session", "treatment_session", "area", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        _COMPARISON,
        *SIDES,
        Column("area", "text", "group of positions"),
        *POINT,
        *ITEM,
        Column("reference_level_db", "real", "mean over positions and the reference's runs", DB),
        Column("treatment_level_db", "real", "mean over positions and the treatment's runs", DB),
        Column("difference_db", "real", "treatment minus reference", "dB"),
        *JUDGED,
        Column("positions", "texts", "positions that are in it"),
        Column("left_out", "texts", "positions of the area that have no difference, or one that is in doubt"),
        *DOUBT,
    ),
)

MIRROR_DIFFERENCES: Table[rows.MirrorDifferencesRow] = Table(
    "mirror_differences",
    2,
    "Left against right: a position at a yaw angle less its partner on the other side at the opposite angle",
    ("session", "condition", "position", "mirror", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        _SESSION,
        _CONDITION,
        POSITION,
        Column("mirror", "text", "its partner on the other side"),
        SPEED,
        Column("yaw_deg", "real", "yaw angle at the position; the partner's is the opposite", "degree"),
        *ITEM,
        Column("level_db", "real", "at the position", DB),
        Column("mirror_level_db", "real", "at the partner", DB),
        Column("difference_db", "real", "position less partner", "dB"),
        *JUDGED,
        Column("runs", "texts", "runs at the position's angle"),
        Column("mirror_runs", "texts", "runs at the opposite angle"),
        Column(
            "agreement",
            "text",
            "agree, differ (from what the pair usually does, or by more than the limit), or yaw-or-exchange: both "
            "sides look alike at both angles, as with a wrong sign of the yaw angle or two exchanged channels",
        ),
        *DOUBT,
    ),
)

ADDITIVITY: Table[rows.AdditivityRow] = Table(
    "additivity",
    2,
    "Sum of single treatments against all of them, within a session, by the conditions' `applied` lists",
    ("session", "way", "common", "whole", "position", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        _SESSION,
        Column("way", "text", "applied or opened: how the single conditions differ from the common one"),
        Column("common", "text", "condition that all changes are counted from"),
        Column("whole", "text", "condition with all parts applied, or opened"),
        Column("single", "texts", "conditions with one part each"),
        POSITION,
        *POINT,
        *ITEM,
        Column("sum_pa2", "real", "sum of the single changes of power; above zero where they go the whole's way", PA2),
        Column("whole_pa2", "real", "change of power by all parts together, above zero", PA2),
        Column("sum_db", "real", "level of the sum", DB, null="not above zero"),
        Column("whole_db", "real", "level of the whole", DB, null="not above zero"),
        Column("interaction_db", "real", "sum over whole", "dB", null="one of them is not above zero"),
        Column("lower_db", "real", "lower end of its interval", "dB", null="open"),
        Column("upper_db", "real", "upper end", "dB", null="open"),
        Column("p_value", "real", "two-sided, that they add up", null="no error, or a level is in doubt"),
        Column("adjusted_p_value", "real", "adjusted over the family", null="no error, or a level is in doubt"),
        Column("family_size", "integer", "tests in the family: all bands, or all overall levels, of the table"),
        Column(
            "finding",
            "text",
            "additive (within the limit), interaction (beyond it, and beyond chance after adjusting) or not shown",
        ),
        Column("runs", "texts", "runs of all conditions"),
        *DOUBT,
    ),
)

REFERENCE_DRIFT: Table[rows.ReferenceDriftRow] = Table(
    "reference_drift",
    2,
    "Steady change of a reference condition over a session, from its repeats at all operating points together",
    ("session", "condition", "position", *ITEM_KEY),
    (
        _SESSION,
        Column("condition", "text", "a reference of the comparisons"),
        POSITION,
        *ITEM,
        Column("slope_db_per_hour", "real", "least squares about each operating point's mean", "dB/h"),
        Column("span_hours", "real", "from the session's first run to its last", "h"),
        Column("difference_db", "real", "slope times span", "dB"),
        *JUDGED,
        Column("runs", "texts", "runs of the condition"),
        *DOUBT,
    ),
)

SESSION_MEANS: Table[rows.SessionMeansRow] = Table(
    "session_means",
    2,
    "One difference from those within several sessions, weighted by what each is worth, and whether they agree",
    ("comparison", "position", "speed_mps", "yaw_deg", *ITEM_KEY),
    (
        _COMPARISON,
        POSITION,
        *POINT,
        *ITEM,
        Column("difference_db", "real", "weighted mean of the sessions' differences", "dB"),
        *JUDGED,
        Column(
            "between_sessions_sd_db",
            "real",
            "of a true difference between sessions, pooled over positions",
            "dB",
            null="one session alone is sound",
        ),
        Column(
            "agreement_p_value",
            "real",
            "how often sessions that agree differ as much by chance",
            null="one session alone is sound",
        ),
        Column("sessions", "texts", "sessions, in the order of the lists"),
        Column("differences_db", "reals", "difference of each session", "dB"),
        Column("weights", "reals", "weight of each session; they add up to 1"),
        Column("left_out", "texts", "sessions whose difference is in doubt, where others are sound"),
        *DOUBT,
    ),
)

EITHER_BOUND = "either side is a bound or left out by hand"

LINE_DIFFERENCES: Table[rows.LineDifferencesRow] = Table(
    "line_differences",
    2,
    "One comparison line by line (`compare.lines`), one row a pair of cells and position: equally long lists",
    ("comparison", "reference_session", "treatment_session", "position", "speed_mps", "yaw_deg"),
    (
        _COMPARISON,
        *SIDES,
        POSITION,
        *POINT,
        Column("pairing", "text", "same-session, same-mount or remounted"),
        Column("first_hz", "real", "frequency of the first line", "Hz"),
        Column("step_hz", "real", "line spacing", "Hz"),
        Column("difference_db", "reals", "treatment minus reference", "dB", gap=EITHER_BOUND),
        Column(
            "lower_db",
            "reals",
            "lower end of the interval at the set confidence, each line by itself",
            "dB",
            gap=EITHER_BOUND,
        ),
        Column("upper_db", "reals", "upper end", "dB", gap=EITHER_BOUND),
        Column("reference_runs", "texts", "runs used"),
        Column("treatment_runs", "texts", "runs used"),
    ),
    sort=("position", "reference_session", "treatment_session", "speed_mps", "yaw_deg"),
)

OF_COMPARISONS = (
    COMPARISONS,
    RANKING,
    AREAS,
    AREA_DIFFERENCES,
    MIRROR_DIFFERENCES,
    ADDITIVITY,
    REFERENCE_DRIFT,
    SESSION_MEANS,
)
"""Tables that the job `compare` writes whole, beside budgets and line differences."""
