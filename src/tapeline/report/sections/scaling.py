"""Compare: how levels rise with speed, and whether spectra scale with Strouhal number or with frequency."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tapeline.campaign.model import Campaign
from tapeline.campaign.operating_points import MPS_PER_UNIT
from tapeline.limits import EXPONENT_SPEED_RATIO
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.sections.collapse_figure import SCALES_WITH, collapse_figure
from tapeline.report.sections.speed_figure import LEAST_SPEEDS, exponents_message, has_line, speed_figure
from tapeline.report.speed_levels import overall_series
from tapeline.report.wording import NO_VALUE, confidence_words, counted, frequency, interval, listed, number

MOST_ROWS = 60
MOST_FIGURES = 4

WEAK = (
    "Weak: with two speeds nothing tells whether a line fits, and each unit of n is little, such as 1.5 dB from 100 to "
    "140 km/h."
)
CAUTION = (
    "A band's exponent is not that of the overall level: a spectrum that falls with frequency and moves up with speed "
    "adds its slope. So 5 to 8 in a band prove no dipole. Exponents of bands and of other overall levels are in "
    "tables/scaling.parquet."
)
COLLAPSE_NOTE = (
    "Strouhal: the spectra fall together better over f/U, as flow noise does. Frequency: they do over f, as resonances "
    "of air or structure do, and what a sensor's response leaves. Scatter is about one smooth curve, with an "
    "exponent of its own. A length changes only the name of the peak."
)
DOUBT = "?: a level of the fit is of a doubtful channel or calibration."
AT_ONE_SPEED = "measured at"
BASIS_WORDS = {"stated uncertainty": "stated", "scatter about the line": "scatter", "lack of fit": "lack of fit"}


def scaling_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Exponents in a sentence, a figure of each session whose lines rest on three speeds, the tables folded."""
    rows = [row for row in asked_rows(tables, campaign) if not at_one_speed(row)]
    if not rows:
        words = "No exponents: in no session was a condition measured at two speeds more than 5 % apart at one yaw."
        return [_section([Prose(f"{words}{_other_sessions(tables)}", "none")])]
    blocks: list[Block] = [Prose(exponent_sentence(tables, campaign, rows))]
    blocks += [
        FigureBlock(figure) for own in groups(rows) if (figure := speed_figure(tables, campaign, own)) is not None
    ]
    exponents, collapse = exponent_table(tables, campaign), collapse_table(tables, campaign)
    said = collapse_sentence(tables, campaign)
    blocks += [Prose(said)] if said else []
    blocks.append(Fold("Exponents of overall levels", (TableBlock(exponents),)))
    if collapse.rows:
        figure = collapse_figure(tables, campaign)
        drawn = () if figure is None else (FigureBlock(figure),)
        blocks.append(Fold("Strouhal number or frequency", (*drawn, TableBlock(collapse))))
    return [_section(blocks)]


def _section(blocks: Sequence[Block]) -> Section:
    return Section("scaling", "Level against speed", "compare", blocks)


def _other_sessions(tables: FinishedTables) -> str:
    """That some condition has two such speeds in different sessions, where it has."""
    speeds: dict[tuple[str, float], set[float]] = {}
    for row in tables.used_measurements:
        if row["condition"] is not None and row["speed_mps"]:
            speeds.setdefault((row["condition"], row["yaw_deg"] or 0.0), set()).add(row["speed_mps"])
    if not any(max(own) > EXPONENT_SPEED_RATIO * min(own) for own in speeds.values()):
        return ""
    return " Speeds of different sessions are not put together: what sessions change would count as speed."


def groups(rows: Sequence[Row]) -> list[list[Row]]:
    """The rows of each session and yaw that has lines to draw; those with most of them, in their order."""
    found: dict[tuple[str, float], list[Row]] = {}
    for row in rows:
        found.setdefault((row["session"], row["yaw_deg"]), []).append(row)
    counts = {place: sum(has_line(row) for row in own) for place, own in found.items()}
    ranked = sorted((place for place in found if counts[place]), key=lambda each: (-counts[each], abs(each[1]), each))
    return [found[place] for place in sorted(ranked[:MOST_FIGURES])]


def exponent_sentence(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row]) -> str:
    """The range of the exponents, and how many of them rest on two speeds."""
    first = campaign.settings.overall[0]
    what = f"{first.weighting} level, {frequency(first.range_hz[0])} to {frequency(first.range_hz[1])}"
    every = list(overall_series(tables, campaign, rows))
    fitted = [series for series in every if series.fitted]
    if not fitted:
        return f"{what}: no exponent of speed, because too few levels remain; the table says why."
    weak = sum(series.row["speeds"] < LEAST_SPEEDS for series in fitted)
    said = f"Exponent n of the {what}. {exponents_message(campaign, every)}"
    if not weak:
        return said
    which = "All" if weak == len(fitted) else f"{weak} of {len(fitted)}"
    return f"{said} {which} rest on two speeds, which cannot tell whether a line fits: no line is drawn."


def collapse_sentence(tables: FinishedTables, campaign: Campaign) -> str:
    """With what the spectra of each position scale, all of its conditions and sessions alike; nothing without any."""
    words: dict[str, set[str]] = {}
    for row in tables.collapse:
        if row["better"] is not None:
            words.setdefault(row["position"], set()).add(row["better"])
    found: dict[str, list[str]] = {}
    for position in in_table_order(campaign, words):
        kinds = words[position]
        kind = next(iter(kinds)) if len(kinds) == 1 else "mixed"
        found.setdefault(kind, []).append(position)
    said = {"strouhal": "fall together better over Strouhal number than over frequency",
            "frequency": "fall together better over frequency than over Strouhal number",
            "mixed": "are judged differently by condition or session"}  # fmt: skip
    parts = [
        f"{verb} at {counted(len(found[kind]), 'position')} ({listed(found[kind])})"
        for kind, verb in said.items()
        if kind in found
    ]
    others = sum(len(names) for kind, names in found.items() if kind not in said)
    parts += [f"are not shown to scale with either at {counted(others, 'position')}"] if others else []
    return f"Band spectra {'; they '.join(parts)}.{_far_words(tables, campaign)}" if parts else ""


def _far_words(tables: FinishedTables, campaign: Campaign) -> str:
    """Where the better of the two leaves the spectra of the speeds apart all the same."""
    threshold = campaign.settings.compare.practical_threshold_db
    worst: dict[str, float] = {}
    for row in tables.collapse:
        scatter = row[f"{row['better']}_scatter_db"] if row["better"] in SCALES_WITH else None
        if scatter is not None and scatter > threshold:
            worst[row["position"]] = max(scatter, worst.get(row["position"], 0.0))
    named = [f"{name} (up to {number(worst[name], 2)} dB)" for name in in_table_order(campaign, worst)]
    if not named:
        return ""
    return f" Even so they scatter by more than {number(threshold)} dB at {listed(named)}: neither describes them."


def exponent_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Exponents of the first overall level that the settings name."""
    every = asked_rows(tables, campaign)
    rows = [row for row in every if not at_one_speed(row)]
    kept = _largest(rows, lambda row: row["level_at_reference_db"])
    confidence = confidence_words(campaign.settings.confidence)
    weak = any(row["speeds"] == 2 and row["exponent"] is not None for row in kept)
    notes = (
        _of_how_many(rows, "exponents of overall levels, the loudest", "scaling"),
        _without(campaign, every),
        WEAK if weak else "",
        DOUBT,
        CAUTION,
    )
    table = PlainTable(
        key="exponents",
        caption="Exponent n of speed, overall levels: L = L_ref + 10 n lg(U/U_ref)",
        head=(
            "position",
            "condition",
            "session",
            "yaw",
            "weighting",
            "range",
            "n",
            f"{confidence} interval",
            "interval from",
            "speeds",
            "levels",
            "rms, dB",
            "does a line fit",
            "left out",
        ),
        rows=tuple(
            _exponent_row(campaign, series.row, "?" if series.doubtful else "")
            for series in overall_series(tables, campaign, sorted(kept, key=_order))
        ),
        numeric=frozenset({6, 7, 10, 11}),
        note=" ".join(note for note in notes if note),
    )
    return without_constant_columns(table, ("session", "yaw", "weighting", "range", "speeds", "does a line fit"))


def collapse_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Strouhal number against frequency."""
    rows = [row for row in tables.collapse if not at_one_speed(row)]
    kept = _largest(rows, lambda row: abs((row["strouhal_scatter_db"] or 0.0) - (row["frequency_scatter_db"] or 0.0)))
    table = PlainTable(
        key="collapse",
        caption="Do the spectra of all speeds fall together over Strouhal number or over frequency?",
        head=(
            "position",
            "condition",
            "session",
            "yaw",
            "better over",
            "n over f/U",
            "scatter, dB",
            "n over f",
            "scatter over f, dB",
            "peak",
            "length",
            "bands",
            "left out",
        ),
        rows=tuple(_collapse_row(campaign, row) for row in sorted(kept, key=_order)),
        numeric=frozenset({5, 6, 7, 8}),
        note=" ".join(
            part for part in (_of_how_many(rows, "with the largest differences", "collapse"), COLLAPSE_NOTE) if part
        ),
    )
    return without_constant_columns(table, ("session", "yaw", "length"))


def asked_rows(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """The rows of the table `scaling` on the first overall level that the settings name."""
    first = campaign.settings.overall[0]
    asked = (first.weighting, *first.range_hz)
    return [
        row
        for row in tables.overall_scaling
        if (row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) == asked
    ]


def at_one_speed(row: Row) -> bool:
    """Whether a row of the tables `scaling` and `collapse` says that there are no two speeds far enough apart."""
    return any(text.startswith(AT_ONE_SPEED) for text in row["left_out"] or ())


def _without(campaign: Campaign, rows: Sequence[Row]) -> str:
    """Conditions of which no session has levels at two speeds."""
    known = {row["condition"] for row in rows if not at_one_speed(row)}
    names = sorted({row["condition"] for row in rows} - known)
    titles = listed((condition_title(campaign, name) for name in names), 8)
    return f"At one speed, or at speeds less than 5 % apart: {titles}." if names else ""


def _largest(rows: Sequence[Row], size: Callable[[Row], float | None]) -> list[Row]:
    ranked = sorted(rows, key=lambda row: (-(size(row) or 0.0), _order(row)))
    return ranked[:MOST_ROWS]


def _of_how_many(rows: Sequence[Row], what: str, table: str) -> str:
    if len(rows) <= MOST_ROWS:
        return ""
    return f"{MOST_ROWS} of {len(rows):,}, {what}; all are in tables/{table}.parquet."


def _order(row: Row) -> tuple[str, str, str, float, str]:
    return row["position"], row["condition"], row["session"], row["yaw_deg"], row.get("weighting") or ""


def _exponent_row(campaign: Campaign, row: Row, doubt: str) -> tuple[str, ...]:
    return (
        *_place(campaign, row),
        row["weighting"] or NO_VALUE,
        f"{frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}",
        number(row["exponent"]) + doubt,
        interval(row["exponent_lower"], row["exponent_upper"]),
        BASIS_WORDS.get(row["interval_basis"] or "", NO_VALUE),
        _speeds(campaign, row),
        str(row["level_count"]),
        number(row["fit_rms_db"], 2),
        _fits(campaign, row),
        _left_out(row),
    )


def _collapse_row(campaign: Campaign, row: Row) -> tuple[str, ...]:
    return (
        *_place(campaign, row),
        row["better"] or NO_VALUE,
        _with_interval(row, "strouhal"),
        number(row["strouhal_scatter_db"], 2),
        _with_interval(row, "frequency"),
        number(row["frequency_scatter_db"], 2),
        _peak(row),
        NO_VALUE if row["length_m"] is None else f"{1000.0 * row['length_m']:g} mm ({row['length_source']})",
        _bands(row),
        _left_out(row),
    )


def _place(campaign: Campaign, row: Row) -> tuple[str, str, str, str]:
    yaw = f"{round(row['yaw_deg'], 1) + 0.0:g}°"
    return row["position"], condition_title(campaign, row["condition"]), row["session"], yaw


def _speeds(campaign: Campaign, row: Row) -> str:
    """How many speeds, and from which to which; two are weak."""
    if not row["speeds"]:
        return "none"
    unit = campaign.settings.report.speed_unit
    ends = [f"{row[name] / MPS_PER_UNIT[unit]:.0f}" for name in ("lowest_speed_mps", "highest_speed_mps")]
    which = " to ".join(dict.fromkeys(ends))
    return f"{row['speeds']}{', weak' if row['speeds'] == 2 else ''}: {which} {unit}"


def _fits(campaign: Campaign, row: Row) -> str:
    p = row["lack_of_fit_p_value"]
    if row["exponent"] is None:
        return NO_VALUE
    if p is None:
        return "cannot tell"
    word = "no" if p <= 1.0 - campaign.settings.confidence else "nothing against it"
    return f"{word} (p {number(p, 2) if p >= 0.01 else 'below 0.01'})"


def _with_interval(row: Row, name: str) -> str:
    if row[f"{name}_exponent"] is None:
        return NO_VALUE
    ends = interval(row[f"{name}_exponent_lower"], row[f"{name}_exponent_upper"])
    return f"{number(row[f'{name}_exponent'])} ({ends})"


def _peak(row: Row) -> str:
    if row["better"] != "strouhal" or row["peak_per_m"] is None:
        return NO_VALUE
    return f"f/U {row['peak_per_m']:.3g}/m" if row["peak_strouhal"] is None else f"St {row['peak_strouhal']:.2g}"


def _bands(row: Row) -> str:
    if not row["bands"]:
        return "none"
    return f"{row['bands']}: {frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}"


def _left_out(row: Row) -> str:
    return ", ".join(row["left_out"] or ()) or NO_VALUE
