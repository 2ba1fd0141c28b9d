"""Page tables on trust: reasons of the quality verdicts, sensitivities, calibrator checks."""

from __future__ import annotations

from tapeline.report.attention import action_of, reason_groups
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.wording import NO_VALUE, listed, number

MOST_ROWS = 300


def reasons_table(tables: FinishedTables) -> PlainTable:
    """Every reason of the quality table, the unusable first."""
    groups = reason_groups(tables.quality)
    rows = [
        (
            group.where,
            group.severity,
            group.code,
            group.sentence,
            action_of(group.code),
            str(len(group.runs) * len(group.positions)),
        )
        for group in groups[:MOST_ROWS]
    ]
    return PlainTable(
        key="reasons-table",
        caption="Why a channel is doubtful or unusable",
        head=("where", "verdict", "reason", "what was found", "next action", "channels x runs"),
        rows=tuple(rows),
        numeric=frozenset({5}),
        note=_cut_note(len(groups), "quality.parquet"),
    )


def _cut_note(count: int, file: str) -> str:
    return "" if count <= MOST_ROWS else f"The first {MOST_ROWS} of {count}; all are in tables/{file}."


def calibration_table(tables: FinishedTables) -> PlainTable:
    """The sensitivity used at each position with the evidence for it."""
    rows = [
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
            number(row["standard_uncertainty_db"], 2),
            row["why"] or NO_VALUE,
            row["verdict"] or NO_VALUE,
            listed(row["reasons"] or (), 20) or NO_VALUE,
        )
        for row in tables.calibration
    ]
    return PlainTable(
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
            "off chart, dB",
            "drift, dB",
            "std. unc., dB",
            "why",
            "verdict",
            "reasons",
        ),
        rows=tuple(rows),
        numeric=frozenset({3, 5, 6, 7, 8, 9, 10}),
        note="Drift is after against before; the standard uncertainty is that of the sensitivity used.",
    )


def terms_table(tables: FinishedTables) -> PlainTable:
    """The terms of the sensitivities' uncertainty, session by session, with the evidence for each."""
    found: dict[tuple[str, str, str], list[float]] = {}
    for row in tables.calibration:
        for name, value, evidence in zip(
            row["terms"] or (), row["terms_db"] or (), row["terms_evidence"] or (), strict=True
        ):
            found.setdefault((row["session"], name, evidence), []).append(value)
    rows = [
        (session, name, evidence, number(min(values), 3), number(max(values), 3), str(len(values)))
        for (session, name, evidence), values in found.items()
    ]
    return PlainTable(
        key="terms-table",
        caption="What the uncertainty of the sensitivities is made of, standard uncertainties in dB",
        head=("session", "term", "evidence", "smallest", "largest", "channels"),
        rows=tuple(rows),
        numeric=frozenset({3, 4, 5}),
        note="Terms are added in quadrature (GUM). measured: in this campaign; certificate: from the tables; default: "
        "an assumption of the settings, not knowledge. What all checks share cancels in differences within a session.",
    )


def papers_table(tables: FinishedTables) -> PlainTable:
    """Serial numbers, dates and kinds of response of the sensors, as sensor table, chart and data sheet state them."""
    seen: dict[str, tuple[str, ...]] = {}
    for row in tables.calibration:
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
    return PlainTable(
        key="papers-table",
        caption="Papers of the sensors",
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
        numeric=frozenset(),
        note=_cut_note(len(seen), "calibration.parquet"),
    )


def _millivolts(volts_per_pascal: float | None) -> str:
    """Four significant digits, trailing zeros kept."""
    return NO_VALUE if volts_per_pascal is None else f"{1000 * volts_per_pascal:#.4g}".rstrip(".")


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
        note=_cut_note(len(tables.checks), "checks.parquet"),
    )


def _use_of_check(row: Row) -> str:
    """Whether the check is in the sensitivity used, and who decided on it by hand."""
    by_whom = f", by {row['decided_by']}" if row["decided_by"] else ""
    return ("yes" if row["used"] else "no") + by_whom
