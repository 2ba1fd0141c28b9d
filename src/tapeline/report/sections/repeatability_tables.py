"""Tables on repeatability: scatter by operating point, shifts between sessions, repeats that differ."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.wording import (
    NO_VALUE,
    confidence_words,
    counted,
    frequency,
    interval,
    number,
    operating_point,
    pairing,
)

MOST_ROWS = 60
CONSTANT = ("level", "sessions", "operating point", "session", "mount")


def scatter_table(campaign: Campaign, rows: Sequence[Row]) -> PlainTable:
    """Scatter of overall levels, a row a condition, operating point and level; medians over the positions."""
    groups: dict[tuple[str, float, float, str, float, float], list[Row]] = {}
    for row in rows:
        key = (
            row["condition"],
            row["speed_mps"],
            row["yaw_deg"],
            level_words(row),
            row["lowest_band_hz"],
            row["highest_band_hz"],
        )
        groups.setdefault(key, []).append(row)
    order = list(campaign.settings.conditions)
    ordered = sorted(groups, key=lambda key: (order.index(key[0]) if key[0] in order else len(order), *key[1:]))
    table = PlainTable(
        key="repeatability-scatter",
        caption="Scatter of overall levels in dB: median over the positions (largest)",
        head=(
            "condition",
            "operating point",
            "level",
            "positions",
            "sessions",
            "runs",
            "within, s_r",
            "random error",
            "between, s_L",
            "both, s_R",
            "flagged",
        ),
        rows=tuple(_scatter_row(campaign, groups[key]) for key in ordered[:MOST_ROWS]),
        numeric=frozenset({3, 4, 5, 6, 7, 8, 9, 10}),
        note="Within sessions and between them, of single runs. Each median is by itself, of as many positions as have "
        "the figure: of one position s_R² = s_r² + s_L², of the medians not. Flagged: positions with a session "
        "that stands out by Cochran's or Grubbs' test, which stays in. Bands: tables/repeatability.parquet."
        + _more(len(ordered)),
    )
    return without_constant_columns(table, CONSTANT)


def _scatter_row(campaign: Campaign, rows: Sequence[Row]) -> tuple[str, ...]:
    first = rows[0]
    between = _typical(rows, "between_session_sd_db")
    refused = sorted({row["between_refused"] for row in rows if row["between_refused"]})
    return (
        condition_title(campaign, first["condition"]),
        operating_point(first["speed_mps"], first["yaw_deg"], campaign.settings.report.speed_unit),
        level_words(first),
        str(len(rows)),
        _range_of(row["session_count"] for row in rows),
        _range_of(row["run_count"] for row in rows),
        _typical(rows, "within_session_sd_db"),
        _typical(rows, "random_error_db"),
        f"not known: {', '.join(refused)}" if between == NO_VALUE and refused else between,
        _typical(rows, "reproducibility_sd_db"),
        str(sum(bool(row["cochran"] or row["grubbs"]) for row in rows)),
    )


def shift_table(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row]) -> PlainTable:
    """Shifts of the reference condition from the first session to the last, with what they rest on."""
    known = sorted(
        (row for row in rows if row["shift_db"] is not None),
        key=lambda row: (row["speed_mps"], row["yaw_deg"], row["position"], row["weighting"]),
    )
    confidence = confidence_words(campaign.settings.confidence)
    table = PlainTable(
        key="repeatability-shifts",
        caption=f"{condition_title(campaign, campaign.settings.reference_condition)}: overall levels from the first "
        "session to the last, dB",
        head=(
            "position",
            "sessions",
            "operating point",
            "level",
            "mount",
            "shift",
            "standard error",
            "p",
            "between, s_L",
            f"both, s_R ({confidence} interval)",
        ),
        rows=tuple(_shift_row(tables, campaign, row) for row in known[:MOST_ROWS]),
        numeric=frozenset({5, 6, 7, 8, 9}),
        note="The standard error holds random error and the scatter of repeats; p is the chance of such a shift by "
        "these alone. The scatter is that of other conditions and points, or the row's own where that is larger. "
        "Calibration, mounting and flow are what may have shifted." + _more(len(known)),
    )
    return without_constant_columns(table, CONSTANT)


def _shift_row(tables: FinishedTables, campaign: Campaign, row: Row) -> tuple[str, ...]:
    ends = interval(row["reproducibility_lower_db"], row["reproducibility_upper_db"], 2)
    return (
        row["position"],
        row["shift_of"],
        operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit),
        level_words(row),
        ", ".join(filter(None, [pairing(row["shift_mount"]), other_sensor(tables, row)])),
        number(row["shift_db"], 2, signed=True),
        number(row["shift_standard_error_db"], 2),
        chance(row["shift_p_value"]),
        number(row["between_session_sd_db"], 2),
        f"{number(row['reproducibility_sd_db'], 2)} ({ends})",
    )


def other_sensor(tables: FinishedTables, row: Row) -> str:
    """Which sensors a shift is between, where they differ: "sensor r01 > r03"; else empty."""
    one, _, other = row["shift_of"].partition(" > ")
    first, last = (tables.sensor_by_place.get((session, row["position"])) for session in (one, other))
    return f"sensor {first} > {last}" if first and last and first != last else ""


def pairs_table(campaign: Campaign, rows: Sequence[Row]) -> PlainTable:
    """Pairs of repeats that differ at some position, those with most positions first."""
    pairs: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        pairs.setdefault((row["session"], row["run_a"], row["run_b"]), []).append(row)
    failed = {pair: own for pair, own in pairs.items() if any(row["same"] is False for row in own)}
    ordered = sorted(
        failed,
        key=lambda pair: (
            -sum(row["as_usual"] is False for row in failed[pair]),
            -sum(row["same"] is False for row in failed[pair]),
            pair,
        ),
    )
    table = PlainTable(
        key="repeatability-pairs",
        caption=f"Repeats that differ beyond random error at some position: {len(failed)} of "
        f"{counted(len(pairs), 'pair')}",
        head=(
            "runs",
            "session",
            "condition",
            "operating point",
            "more than usual at",
            "differ at",
            "level, dB",
            "largest excess, dB",
            "smallest p",
            "shape, smallest p",
        ),
        rows=tuple(_pair_row(campaign, failed[pair]) for pair in ordered[:MOST_ROWS]),
        numeric=frozenset({6, 7, 8, 9}),
        note="More than usual: more than repeats of this campaign usually differ, in level or in a third octave; empty "
        "where too few other repeats tell. Differ: more than random error alone gives. Level: median over these "
        "positions of the later run less the earlier. Excess: rms of the lines' differences beyond random error. p "
        "after Holm over the positions; shape: with the mean difference taken out, as it is." + _more(len(ordered)),
    )
    return without_constant_columns(table, CONSTANT)


def _pair_row(campaign: Campaign, rows: Sequence[Row]) -> tuple[str, ...]:
    first, failed = rows[0], [row for row in rows if row["same"] is False]
    worst = max(failed, key=lambda row: (row["excess_db"], row["position"]))
    return (
        f"{first['run_a']}, {first['run_b']}",
        first["session"],
        condition_title(campaign, first["condition"]),
        operating_point(first["speed_mps"], first["yaw_deg"], campaign.settings.report.speed_unit),
        _unusual_places(rows),
        f"{len(failed)} of {counted(len(rows), 'position')}",
        number(median(row["level_difference_db"] for row in failed), 2, signed=True),
        f"{number(worst['excess_db'], 2)} at {worst['position']}",
        chance(min(row["adjusted_p_value"] for row in failed)),
        chance(min(row["shape_p_value"] for row in failed)),
    )


def _unusual_places(rows: Sequence[Row]) -> str:
    told = [row for row in rows if row["as_usual"] is not None]
    return f"{sum(not row['as_usual'] for row in told)} of {counted(len(told), 'position')}" if told else NO_VALUE


def level_words(row: Row) -> str:
    """An overall level in words: "A, 100 Hz to 4 kHz"."""
    return f"{row['weighting'] or 'Z'}, {frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}"


def chance(p: float | None) -> str:
    """A p-value: "0.043", "< 0.001"."""
    if p is None:
        return NO_VALUE
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def _typical(rows: Iterable[Row], name: str) -> str:
    known = [row[name] for row in rows if row[name] is not None]
    return f"{number(median(known), 2)} ({number(max(known), 2)})" if known else NO_VALUE


def _range_of(counts: Iterable[int]) -> str:
    every = sorted(set(counts))
    return str(every[0]) if len(every) == 1 else f"{every[0]} to {every[-1]}"


def _more(count: int) -> str:
    return "" if count <= MOST_ROWS else f" {MOST_ROWS} of {count:,} rows; all are in the tables."
