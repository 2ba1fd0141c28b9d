"""Calibration: was it in order, what drifted by how much, and which levels that touches."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tapeline.campaign.model import Campaign
from tapeline.quality.use_of_levels import doubts_level
from tapeline.report.attention import sentence_of, without_place
from tapeline.report.blocks import Block, Bullets, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import is_given
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.sections.budget import budget_blocks
from tapeline.report.sections.calibration_figures import against_chart_db, deviation_figure, sequence_figure
from tapeline.report.wording import NO_VALUE, counted, listed, number

MOST_ROWS, MOST_SEQUENCES, MOST_NAMED = 300, 6, 6
CHECKED = ("mean", "before", "after")
"""Sources of a sensitivity that rest on a calibrator check; others rest on certificates or on nothing."""


def calibration_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Plain sentences and the figure of deviation and drift; sequence, tables and uncertainty budget folded."""
    rows = tables.calibration
    if not rows:
        return [Section("calibration", "Calibration", "trust", [Prose("There is no calibration table.", "none")])]
    blocks: list[Block] = [Prose(order_words(rows, campaign), "lead")]
    blocks += [Bullets(said)] if (said := list(_doubts(tables))) else []
    blocks += [Prose(words) for words in (_rest_words(rows), *_uncertainty_words(tables, campaign)) if words]
    figure = deviation_figure(campaign, rows)
    blocks += [FigureBlock(figure)] if figure is not None else []
    blocks += [
        Fold("Sensitivities, sensor certificates and calibrator checks", tuple(
            TableBlock(table) for table in (sensitivities_table(rows), certificates_table(rows), checks_table(tables))
            if table.rows
        ), key="sensitivities"),
        *_sequences(tables, campaign),
        *budget_blocks(tables, campaign),
    ]  # fmt: skip
    return [Section("calibration", "Calibration", "trust", blocks)]


def order_words(rows: Sequence[Row], campaign: Campaign) -> str:
    """Whether all sensitivities are in order; how a recording that holds pascal was calibrated is not known."""
    doubtful, unusable = (sum(map(test, rows)) for test in (_is_doubtful, _is_unusable))
    unknown = sum(row["source"] == "pascal" and row["verdict"] == "good" for row in rows)
    sound = len(rows) - doubtful - unusable - unknown
    sensors = len({row["sensor"] for row in rows if row["sensor"]})
    of = counted(len(rows), "channel") + (f" ({counted(sensors, 'sensor')})" if sensors else "")
    limits = campaign.settings.calibration
    within = (
        f"drift within {number(limits.drift_limit_db)} dB, deviation from the chart within "
        f"{number(limits.deviation_limit_db)} dB"
    )
    if unknown == len(rows):
        return f"No calibration is known here: {of} recorded in pascal, taken as they are."
    if sound == len(rows):
        return f"The calibration is in order at all {of}: {within}."
    found = (("doubtful", doubtful), ("unusable", unusable), ("not known", unknown))
    others = " and ".join(f"{word} at {count}" for word, count in found if count)
    return f"The calibration is in order at {sound} of {of}, {others}: {within}."


def _is_unusable(row: Row) -> bool:
    return bool(row["verdict"] == "unusable" or row["source"] == "none")


def _is_doubtful(row: Row) -> bool:
    return bool(row["verdict"] != "good") and not _is_unusable(row)


def _doubts(tables: FinishedTables) -> Iterator[str]:
    """Each channel that is not in order: what was found, and what follows for its levels."""
    bad = sorted(
        (row for row in tables.calibration if row["verdict"] != "good" or row["source"] == "none"),
        key=lambda row: (row["verdict"] != "unusable", row["session"], row["position"]),
    )
    for row in bad[:MOST_NAMED]:
        why = "; ".join(
            without_place(sentence_of(row, code), position=row["position"]) for code in row["reasons"] or ()
        )
        sensor = f", sensor {row['sensor']}" if row["sensor"] else ""
        where = f"{row['position']}, session {row['session']}{sensor}"
        yield f"{where}: {why or 'no sensitivity that can be used'}.{_checks_words(row)} {_follows(tables, row)}"
    if len(bad) > MOST_NAMED:
        yield f"{len(bad) - MOST_NAMED} more channels: see the table of sensitivities."


def _checks_words(row: Row) -> str:
    """Both checks and what is used against the chart, where the checks do not agree."""
    found = [against_chart_db(row, kind) for kind in ("before", "after", "sensitivity")]
    if "drift" not in (row["reasons"] or ()) or None in found:
        return ""
    before, after, used = (number(value, 2, signed=True) for value in found)
    return f" Against the chart: {before} dB before, {after} dB after, {used} dB used."


def _follows(tables: FinishedTables, row: Row) -> str:
    if _is_unusable(row):
        return "It has no levels in this session."
    touched = resting_differences(tables, row)
    many = (
        f"{counted(touched, 'difference')} {'rests' if touched == 1 else 'rest'}" if touched else "no difference rests"
    )
    apart = " They count in no scatter, shift or rank." if doubts_level(row["reasons"] or ()) else ""
    return f"Its levels are doubtful in this session; {many} on them.{apart}"


def resting_differences(tables: FinishedTables, channel: Row) -> int:
    """How many differences are doubtful for the same reasons as the sensitivity of a channel in its session."""
    codes = set(channel["reasons"] or ())
    return sum(
        not codes.isdisjoint(doubt.partition(":")[0] for doubt in row["doubt"] or ())
        and row["position"] == channel["position"]
        and channel["session"] in (row["reference_session"], row["treatment_session"])
        for row in tables.comparisons
        if is_given(row)
    )


def _rest_words(rows: Sequence[Row]) -> str:
    """How far the channels in order are off at worst."""
    sound = [row for row in rows if row["verdict"] == "good"]
    said = []
    for column, words in (
        ("drift_db", "the largest drift"),
        ("deviation_db", "the largest deviation of what is used from a chart"),
    ):
        known = [row for row in sound if row[column] is not None]
        if known:
            worst = max(known, key=lambda row: (abs(row[column]), row["session"], row["position"]))
            said.append(f"{words} is {number(worst[column], 2, signed=True)} dB ({_place(worst)})")
    sources = [
        f"{words}: {listed(map(_place, chosen), MOST_NAMED)}."
        for words, chosen in (
            ("Recordings that hold pascal, how they were calibrated is not known",
             [row for row in rows if row["source"] == "pascal"]),
            ("No valid calibrator check, the certificate's sensitivity is used",
             [row for row in rows if row["source"] in ("chart", "data_sheet")]),
            ("One check alone, so drift is not known", [row for row in rows if row["source"] in ("before", "after")]),
        )
        if chosen
    ]  # fmt: skip
    first = [f"Of the others {', '.join(said)}."] if said and len(sound) < len(rows) else (
        [f"{said[0][0].upper()}{', '.join(said)[1:]}."] if said else []
    )  # fmt: skip
    return " ".join([*first, *sources])


def _place(row: Row) -> str:
    return f"{row['position']} in {row['session']}"


def _uncertainty_words(tables: FinishedTables, campaign: Campaign) -> Iterator[str]:
    """What absolute levels carry, and what cancels in differences."""
    known = [row for row in tables.calibration if row["source"] in (*CHECKED, "chart", "data_sheet")]
    errors = [row["standard_uncertainty_db"] for row in known if row["standard_uncertainty_db"] is not None]
    if errors:
        low, high = number(min(errors), 2), number(max(errors), 2)
        yield (
            f"A sensitivity's standard uncertainty is {low if low == high else f'{low} to {high}'} dB. Absolute levels "
            "carry it. What all checks share cancels in differences within a session; drift does not."
        )
    stated = campaign.settings.uncertainty
    if "mounting_db" not in stated.stated_settings:
        (low_hz, low_db), (high_hz, high_db) = stated.mounting_db[0], stated.mounting_db[-1]
        yield (
            f"How well sensors are fitted is not stated. Levels carry a default of {low_db:g} dB below "
            f"{low_hz / 1000:g} kHz to {high_db:g} dB above {high_hz / 1000:g} kHz (common practice)."
        )


def _sequences(tables: FinishedTables, campaign: Campaign) -> list[Block]:
    """A figure a calibrator recording, those with doubts first where there are many."""
    runs: dict[tuple[str, str], list[Row]] = {}
    for row in sorted(tables.checks, key=lambda row: (row["session"], row["stage"] != "before", row["run"])):
        runs.setdefault((row["session"], row["run"]), []).append(row)
    if not runs:
        return []
    order = list(runs)
    doubts = {key: sum(bool(row["reasons"]) for row in own) for key, own in runs.items()}
    chosen = sorted(sorted(order, key=lambda key: -doubts[key])[:MOST_SEQUENCES], key=order.index)
    blocks: list[Block] = [FigureBlock(sequence_figure(campaign, *key, runs[key])) for key in chosen]
    if len(chosen) < len(order):
        rest = [run for session, run in order if (session, run) not in chosen]
        blocks.append(Prose(f"Without a figure: {listed(rest, 12)}; see tables/checks.parquet.", "note"))
    return [Fold("Calibrator sequence", tuple(blocks), key="calibrator-sequence")]


def sensitivities_table(rows: Sequence[Row]) -> PlainTable:
    """The sensitivity used at each position with the evidence for it."""
    lines = [
        (
            row["position"],
            row["session"],
            row["sensor"] or NO_VALUE,
            _millivolts(row["sensitivity_v_per_pa"]),
            row["source"] or NO_VALUE,
            _millivolts(row["before_v_per_pa"]),
            _millivolts(row["after_v_per_pa"]),
            _millivolts(row["chart_v_per_pa"]),
            number(row["deviation_db"], 2, signed=True),
            number(row["drift_db"], 2, signed=True),
            uncertainty_words(row),
            row["why"] or NO_VALUE,
            verdict_words(row),
            listed(row["reasons"] or (), 20) or NO_VALUE,
        )
        for row in rows[:MOST_ROWS]
    ]
    table = PlainTable(
        key="calibration-table",
        caption="Sensitivities in mV/Pa, deviations and uncertainties in dB",
        head=(
            "position",
            "session",
            "sensor",
            "used",
            "source",
            "before",
            "after",
            "chart",
            "deviation from chart, dB",
            "drift, dB",
            "std. unc., dB",
            "why",
            "verdict",
            "reasons",
        ),
        rows=tuple(lines),
        numeric=frozenset({3, 5, 6, 7, 8, 9, 10}),
        note="Deviation and standard uncertainty are those of the sensitivity used, not of each check. Drift is after "
        "against before." + _cut_note(len(rows), "calibration.parquet"),
    )
    return without_constant_columns(table, ("session", "source", "why"))


def certificates_table(rows: Sequence[Row]) -> PlainTable:
    """Serial numbers, dates and kinds of response of the sensors, as sensor table, chart and data sheet state them."""
    seen: dict[str, tuple[str, ...]] = {}
    for row in rows:
        if row["sensor"] is not None:
            sheet = row["data_sheet_serial"]
            seen.setdefault(
                row["sensor"],
                (
                    row["sensor"],
                    row["serial"] or NO_VALUE,
                    row["chart_serial"] or NO_VALUE,
                    NO_VALUE if sheet is None else str(sheet),
                    row["calibrated_on"] or NO_VALUE,
                    row["data_sheet_calibrated_on"] or NO_VALUE,
                    row["response_kind"] or NO_VALUE,
                ),
            )
    table = PlainTable(
        key="certificates-table",
        caption="Sensor certificates",
        head=(
            "sensor",
            "serial",
            "serial in chart",
            "serial in data sheet",
            "calibrated on",
            "date in data sheet",
            "response",
        ),
        rows=tuple(seen[name] for name in sorted(seen)[:MOST_ROWS]),
        note=_cut_note(len(seen), "calibration.parquet").strip(),
    )
    return without_constant_columns(
        table, ("serial in chart", "serial in data sheet", "date in data sheet", "response")
    )


def checks_table(tables: FinishedTables) -> PlainTable:
    """Every calibrator check that was looked for."""
    rows = [
        (
            row["run"],
            row["stage"] or NO_VALUE,
            row["position"],
            row["calibrator"] or NO_VALUE,
            "yes" if row["found"] else "no",
            _use_of_check(row),
            number(row["tone_frequency_hz"]),
            number(row["level_db"], 2),
            number(row["unsteadiness_db"], 2),
            number(row["distortion_pct"]),
            number(row["tone_to_noise_db"]),
            listed(row["reasons"] or (), 20) or NO_VALUE,
        )
        for row in tables.checks[:MOST_ROWS]
    ]
    return PlainTable(
        key="checks-table",
        caption="Calibrator checks",
        head=(
            "run",
            "stage",
            "position",
            "calibrator",
            "tone found",
            "used",
            "tone, Hz",
            "level, dB",
            "unsteady, dB",
            "distortion, %",
            "tone to noise, dB",
            "reasons",
        ),
        rows=tuple(rows),
        numeric=frozenset({6, 7, 8, 9, 10}),
        note=_cut_note(len(tables.checks), "checks.parquet").strip(),
    )


def uncertainty_words(row: Row) -> str:
    """The standard uncertainty of a sensitivity in dB; of recordings that hold pascal it is not known."""
    return "not known" if row["source"] == "pascal" else number(row["standard_uncertainty_db"], 2)


def verdict_words(row: Row) -> str:
    """The verdict on a calibration; nothing found against recordings that hold pascal does not make them good."""
    known = row["source"] != "pascal" or row["verdict"] != "good"
    return row["verdict"] or NO_VALUE if known else "not known"


def _millivolts(volts_per_pascal: float | None) -> str:
    """Four significant digits, trailing zeros kept."""
    return NO_VALUE if volts_per_pascal is None else f"{1000 * volts_per_pascal:#.4g}".rstrip(".")


def _cut_note(count: int, file: str) -> str:
    return "" if count <= MOST_ROWS else f" The first {MOST_ROWS} of {count:,}; all are in tables/{file}."


def _use_of_check(row: Row) -> str:
    """Whether the check is in the sensitivity used, and who decided on it by hand."""
    by_whom = f", by {row['decided_by']}" if row["decided_by"] else ""
    return ("yes" if row["used"] else "no") + by_whom
