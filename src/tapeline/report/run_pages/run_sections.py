"""The sections of a run's page, from the finished tables."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.attention import sentence_of
from tapeline.report.blocks import Block, Facts, FigureBlock, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Cell, Link, PlainTable, Words, without_constant_columns
from tapeline.report.run_pages.band_arrays import SessionBands, bands_by_session
from tapeline.report.run_pages.run_figures import spectra_figure, time_figure
from tapeline.report.run_pages.run_uses import Compared, RunUses, run_uses
from tapeline.report.sections.calibration import uncertainty_words, verdict_words
from tapeline.report.sections.run_log import left_out, recorded
from tapeline.report.view_names import pair_anchor, run_anchor, view_anchor
from tapeline.report.wording import NO_VALUE, counted, frequency, listed, number, operating_point, speed

MOST_PANELS = 16
MOST_REPEATS = 6
MOST_LINKS = 24
MARGIN_NOTE = "Margin is the level above the background; ≤ is an upper bound; doubtful levels say so."
TREND_NOTE = "Trend is the change of level from start to end. Mains line is the strongest one above its neighbours."
BIAS_NOTE = "Bias is what clipping alone takes off steady noise; what makes a channel clip may be wrong by more."
NOT_IN_FLOW = {"nothing": "Nothing is subtracted", "electrical": "Only the wind-off level is subtracted"}
"""What is said where no background of the flow is subtracted."""
WORST = {"unusable": 0, "doubtful": 1}

Rows = Mapping[str, Sequence[Row]]


@dataclass(frozen=True)
class AllRuns:
    """What the pages of all runs are made from, looked up once; `page` leads from them to the page that circulates."""

    tables: FinishedTables
    campaign: Campaign
    page: str
    uses: RunUses
    bands: Mapping[str, SessionBands]
    quality: Rows
    checks: Rows
    overall: Rows
    calibration: Mapping[str, Mapping[str, Row]]
    ranked: Mapping[str, int]
    background_sources: Mapping[str, frozenset[str]]
    """What there was to subtract from the band levels of each run, "nothing" where their state is none."""


def all_runs(tables: FinishedTables, campaign: Campaign, page: str) -> AllRuns:
    """Gather the tables by run."""
    calibration: dict[str, dict[str, Row]] = {}
    for row in tables.calibration:
        calibration.setdefault(row["session"], {})[row["position"]] = row
    ranked: dict[str, int] = {}
    for row in sorted(tables.ranking, key=lambda row: (row["place"], row["comparison"])):
        ranked.setdefault(row["position"], len(ranked))
    quality, checks, overall = (_by_run(rows) for rows in (tables.quality, tables.checks, tables.overall))
    return AllRuns(
        tables,
        campaign,
        page,
        run_uses(tables, campaign),
        bands_by_session(tables),
        quality,
        checks,
        overall,
        calibration,
        ranked,
        _background_sources(tables),
    )


def _background_sources(tables: FinishedTables) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for row in tables.band_states:
        source = "nothing" if row["state"] == "none" else row["background_source"] or ""
        found.setdefault(row["run"], set()).add(source)
    return {run: frozenset(sources) for run, sources in found.items()}


def _by_run(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["run"], []).append(row)
    return found


def run_sections(every: AllRuns, run: Row) -> list[Section]:
    """All sections of one run; a section without anything to say is left out."""
    quality = every.quality.get(run["run"], ())
    verdicts = {row["position"]: row["verdict"] for row in quality}
    shown = first_positions(every, run)
    made: list[tuple[str, str, Sequence[Block]]] = [
        ("run", "Run", [Facts(_facts(every, run, quality))]),
        ("verdicts", "Verdicts", [TableBlock(_verdict_table(every, quality))] if quality else []),
        ("levels", "Levels", _levels(every, run, shown, verdicts)),
        ("time", "Level against time", _time(every, run, shown, verdicts)),
        ("checks", "Calibrator checks", _checks(every, run)),
        ("calibration", "Calibration used", _calibration(every, run)),
        ("uses", "Used in", _used_in(every, run)),
    ]
    return [Section(key, title, "trace", blocks) for key, title, blocks in made if blocks]


def first_positions(every: AllRuns, run: Row) -> list[str]:
    """The positions that get a panel: the worst verdicts first, then those ranked first, then the table's order."""
    bands = every.bands.get(run["session"])
    if bands is None or run["run"] not in bands.runs:
        return []
    verdicts = {row["position"]: row["verdict"] for row in every.quality.get(run["run"], ())}
    order = {name: place for place, name in enumerate(in_table_order(every.campaign, bands.positions))}

    def urgency(name: str) -> tuple[float, float, int]:
        return WORST.get(verdicts.get(name, "good"), 2), every.ranked.get(name, math.inf), order[name]

    first = sorted(order, key=urgency)[:MOST_PANELS]
    return in_table_order(every.campaign, first)


def _facts(every: AllRuns, run: Row, quality: Sequence[Row]) -> list[tuple[str, Words]]:
    unit = every.campaign.settings.report.speed_unit
    kind = f"{run['kind']} {run['stage']}" if run["stage"] else run["kind"]
    why = left_out(run, quality)
    length = [] if run["duration_s"] is None else [f"{number(run['duration_s'])} s"]
    rows: list[tuple[str, Words]] = [
        ("Kind", f"{kind}, {condition_title(every.campaign, run['condition'])}" if run["condition"] else kind),
        ("Status", f"{run['status']}; {why}" if why != NO_VALUE else run["status"] or NO_VALUE),
        ("Session", run["session"]),
        ("Recorded", ", ".join([recorded(run["recorded_at"]), *length, run["recording"] or NO_VALUE])),
    ]
    if run["speed_mps"] is not None:
        achieved = run["measured_speed_mps"]
        said = operating_point(run["speed_mps"], run["yaw_deg"], unit)
        rows.append(("Operating point", said + (f"; achieved {speed(achieved, unit)}" if achieved is not None else "")))
    if run["dynamic_pressure_pa"] is not None:
        rows.append(("Dynamic pressure", f"{number(run['dynamic_pressure_pa'])} Pa"))
    air = [
        f"{number(run[name], decimals)} {unit_words}"
        for name, decimals, unit_words in (
            ("temperature_c", 1, "°C"), ("static_pressure_hpa", 1, "hPa"), ("humidity_pct", 0, "% humidity"))
        if run[name] is not None
    ]  # fmt: skip
    if air:
        rows.append(("Air", ", ".join(air)))
    if run["background_runs"]:
        rows.append(("Background", _run_links(every, run["background_runs"])))
    elif run["kind"] == "measurement":
        rows += [("Background", words)] if (words := _background_words(every, run)) else []
    if run["calibrator"]:
        rows.append(("Calibrator", run["calibrator"]))
    if run["replaced_by"]:
        rows.append(("Taken again as", _run_links(every, [run["replaced_by"]])))
    if run["remark"]:
        rows.append(("Remark", run["remark"]))
    return rows


def _background_words(every: AllRuns, run: Row) -> str:
    """What is subtracted from a measurement without a background run in the flow, and what follows."""
    sources = every.background_sources.get(run["run"], frozenset())
    refused = f"refused: {listed(run['background_refused'], 4)}" if run["background_refused"] else ""
    told = NOT_IN_FLOW.get(next(iter(sources))) if len(sources) == 1 else None
    if told is None:
        return refused
    return f"{refused or 'no background run in the flow'}. {told}, so the levels may hold any amount of background."


def _run_links(every: AllRuns, runs: Iterable[str]) -> tuple[Link | str, ...]:
    """Runs that lead to their pages; what is no run of the table has none."""
    names = list(runs)
    known = every.tables.run_by_name
    links = [Link(name, f"{name}.html") if name in known else name for name in names[:MOST_LINKS]]
    return _links(links, len(names) - MOST_LINKS)


def _links(links: Sequence[Link | str], more: int) -> tuple[Link | str, ...]:
    made: list[Link | str] = []
    for link in links:
        made += [", ", link] if made else [link]
    return (*made, f" and {more} more") if more > 0 else tuple(made)


def _verdict_table(every: AllRuns, quality: Sequence[Row]) -> PlainTable:
    """Verdicts with the numbers that they rest on, the worst first."""
    order = {name: place for place, name in enumerate(in_table_order(every.campaign, (r["position"] for r in quality)))}
    rows = sorted(quality, key=lambda row: (WORST.get(row["verdict"], 2), order[row["position"]]))
    columns: dict[str, Callable[[Row], str]] = {
        "rms, Pa": lambda row: number(row["rms_pa"], 2),
        "peak, Pa": lambda row: number(row["peak_pa"]),
        "peak re full scale, dB": lambda row: number(row["range_use_db"]),
        "overload, s": lambda row: number(row["overload_s"], 3),
        "dropout, s": lambda row: number(row["dropout_s"], 3),
        "spikes": lambda row: _count(row["spike_count"]),
        "kurtosis": lambda row: number(row["kurtosis"], 2),
        "trend, dB": lambda row: number(row["trend_db"], signed=True),
        "mains line, dB": lambda row: number(row["hum_db"]),
    }
    given = {name: made for name, made in columns.items() if any(made(row) != NO_VALUE for row in rows)}
    table = PlainTable(
        key="verdict-table",
        caption="Verdicts by position, the worst first, with the numbers that they rest on",
        head=("position", "channel", "verdict", *given, "why"),
        rows=tuple(
            (
                row["position"],
                _count(row["channel"]),
                row["verdict"],
                *(made(row) for made in given.values()),
                _why(row),
            )
            for row in rows
        ),
        numeric=frozenset({1, *range(3, 3 + len(given))}),
        note=" ".join(filter(None, [TREND_NOTE if given else "", BIAS_NOTE if _has_overload(rows) else ""])),
    )
    return without_constant_columns(table, ("overload, s", "dropout, s", "spikes", "why"))


def _has_overload(quality: Sequence[Row]) -> bool:
    return any("overload" in (row["reasons"] or ()) for row in quality)


def _count(value: int | None) -> str:
    return NO_VALUE if value is None else str(value)


def _why(row: Row) -> str:
    said = [sentence_of(row, code) for code in row["reasons"] or ()]
    if row["override_reason"]:
        by = f" by {row['overruled_by']}" if row["overruled_by"] else ""
        said.append(f"set by hand{by}, found {row['found_verdict']}: {row['override_reason']}")
    return "; ".join(said) or NO_VALUE


def _levels(every: AllRuns, run: Row, shown: Sequence[str], verdicts: Mapping[str, str]) -> list[Block]:
    made: list[Block] = []
    rows = every.overall.get(run["run"], ())
    if shown:
        repeats = repeats_of(every, run)
        figure = spectra_figure(
            every.campaign, run, shown, verdicts, every.bands, repeats, is_as_measured=_is_as_measured(every, run)
        )
        made += [FigureBlock(figure), *_not_drawn(every, run, shown)]
    if rows:
        made.append(TableBlock(_overall_table(every, rows, is_as_measured=_is_as_measured(every, run))))
    return made


def _is_as_measured(every: AllRuns, run: Row) -> bool:
    """Whether nothing was subtracted from any level of the run."""
    return every.background_sources.get(run["run"]) == frozenset({"nothing"})


def repeats_of(every: AllRuns, run: Row) -> list[Row]:
    """Other used runs of the same kind, condition and operating point that have levels: those of its session first."""
    names = ("kind", "condition", "speed_mps", "yaw_deg")
    found = [
        row
        for row in every.tables.runs
        if row["run"] != run["run"]
        and row["status"] == "used"
        and all(row[name] == run[name] for name in names)
        and row["session"] in every.bands
        and row["run"] in every.bands[row["session"]].runs
    ]
    return sorted(found, key=lambda row: (row["session"] != run["session"], row["recorded_at"] or "~", row["run"]))[
        :MOST_REPEATS
    ]


def _not_drawn(every: AllRuns, run: Row, shown: Sequence[str]) -> list[Block]:
    more = len(every.bands[run["session"]].positions) - len(shown)
    if more <= 0:
        return []
    where = f"tables/bands/session={run['session']}"
    words = f"Drawn are the worst verdicts and the positions ranked first; the levels of {more} others are in {where}."
    return [Prose(words, "note")]


def _overall_table(every: AllRuns, rows: Sequence[Row], *, is_as_measured: bool) -> PlainTable:
    """Overall levels by position: the level or its bound, the margin above the background, and the state."""
    kinds = list(dict.fromkeys((row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) for row in rows))
    found = {(row["position"], row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]): row for row in rows}
    head = ["position"]
    for weighting, low, high in kinds:
        range_words = f"{weighting}, {frequency(low)} to {frequency(high)}"
        head += [f"{range_words}: level, dB", "margin, dB", "std. unc., dB", "state"]
    has_lost = any(row["quality"] == "unusable" for row in rows)
    lines: list[tuple[Cell, ...]] = []
    for position in in_table_order(every.campaign, (row["position"] for row in rows)):
        cells = [position]
        for kind in kinds:
            cells += _level_cells(found.get((position, *kind)))
        lines.append(tuple(cells))
    return PlainTable(
        key="overall-table",
        caption=f"Overall levels {'as measured' if is_as_measured else 'after background subtraction'}",
        head=tuple(head),
        rows=tuple(lines),
        numeric=frozenset(place for place in range(1, len(head)) if place % 4),
        note=("State none: no background was subtracted." if is_as_measured else MARGIN_NOTE)
        + (" Unusable levels are shown as they were found; nothing rests on them." if has_lost else ""),
    )


def _level_cells(row: Row | None) -> list[str]:
    if row is None:
        return [NO_VALUE] * 4
    bound = row["upper_bound_db"]
    level = number(row["corrected_level_db"]) if bound is None else f"≤{number(bound)}"
    doubt = row["quality"] if row["quality"] != "good" else "doubtful" if row["doubt"] else ""
    return [
        level,
        number(row["margin_db"]),
        number(row["standard_uncertainty_db"], 2),
        doubt if doubt == "unusable" else ", ".join(filter(None, [row["state"], doubt])) or NO_VALUE,
    ]


def _time(every: AllRuns, run: Row, shown: Sequence[str], verdicts: Mapping[str, str]) -> list[Block]:
    weightings = every.campaign.settings.history.weighting
    if not shown or not weightings:
        return []
    history = every.tables.history(run["session"], (run["run"],), shown, weightings[0])
    figure = time_figure(every.campaign, run, shown, verdicts, history, weightings[0])
    return [] if figure is None else [FigureBlock(figure)]


def _checks(every: AllRuns, run: Row) -> list[Block]:
    rows = every.checks.get(run["run"], ())
    if not rows:
        return []
    table = PlainTable(
        key="check-table",
        caption="Calibrator checks of this recording",
        head=(
            *("position", "sensor", "found", "used", "mV/Pa", "tone, Hz"),
            *("steady within, dB", "distortion, %", "std. unc., dB", "why"),
        ),
        rows=tuple(
            (
                row["position"],
                row["sensor"] or NO_VALUE,
                "yes" if row["found"] else "no",
                "yes" if row["used"] else "no",
                _millivolts(row["sensitivity_v_per_pa"]),
                number(row["tone_frequency_hz"]),
                number(row["unsteadiness_db"], 3),
                number(row["distortion_pct"]),
                number(row["standard_uncertainty_db"], 2),
                _why_check(row),
            )
            for row in rows
        ),
        numeric=frozenset(range(4, 9)),
    )
    return [TableBlock(table)]


def _why_check(row: Row) -> str:
    return "; ".join(sentence_of(row, code) for code in row["reasons"] or ()) or NO_VALUE


def _calibration(every: AllRuns, run: Row) -> list[Block]:
    found = every.calibration.get(run["session"], {})
    positions = in_table_order(every.campaign, (row["position"] for row in every.quality.get(run["run"], ())))
    rows = [found[name] for name in positions if name in found]
    if not rows:
        return []
    table = PlainTable(
        key="sensitivity-table",
        caption=f"Sensitivities in session {run['session']}, mV/Pa",
        head=(
            *("position", "sensor", "used", "source", "before", "after", "chart"),
            *("drift, dB", "std. unc., dB", "verdict", "checks used"),
        ),
        rows=tuple(
            (
                row["position"],
                row["sensor"] or NO_VALUE,
                _millivolts(row["sensitivity_v_per_pa"]),
                row["source"] or NO_VALUE,
                _millivolts(row["before_v_per_pa"]),
                _millivolts(row["after_v_per_pa"]),
                _millivolts(row["chart_v_per_pa"]),
                number(row["drift_db"], 2, signed=True),
                uncertainty_words(row),
                "; ".join([verdict_words(row), *(sentence_of(row, code) for code in row["reasons"] or ())]),
                _run_links(every, row["used_checks"] or ()) or NO_VALUE,
            )
            for row in rows
        ),
        numeric=frozenset({2, 4, 5, 6, 7, 8}),
    )
    back = Link("Calibration on the page", f"{every.page}#calibration")
    return [TableBlock(table), Prose((back, ": checks, deviations and the terms of the uncertainty."), "note")]


def _millivolts(volts: float | None) -> str:
    return NO_VALUE if volts is None else f"{1000 * volts:#.4g}".rstrip(".")


def _used_in(every: AllRuns, run: Row) -> list[Block]:
    name = run["run"]
    made: list[Block] = []
    compared = every.uses.compared.get(name, ())
    if compared:
        made.append(TableBlock(_compared_table(every, compared)))
    background_of = every.uses.background_of.get(name, ())
    if background_of:
        made.append(Prose(("Background of ", *_run_links(every, background_of), ".")))
    for found, words in ((every.uses.calibrates, "Calibrates"), (every.uses.refused_for, "Refused as a check of")):
        rows = found.get(name, ())
        if rows:
            made.append(Prose(f"{words} {listed((row['position'] for row in rows), MOST_LINKS)} in {run['session']}."))
    log = Link("its row in the run log", f"{every.page}#{run_anchor(name)}")
    nowhere = "" if made else "No difference, background or sensitivity rests on this run. "
    return [*made, Prose((f"{nowhere}On the page: ", log, "."), "note")]


def _compared_table(every: AllRuns, compared: Sequence[Compared]) -> PlainTable:
    """Comparisons that rest on the run, each with the positions where it counts."""
    campaign, unit = every.campaign, every.campaign.settings.report.speed_unit
    lines: list[tuple[Cell, ...]] = []
    for use in compared:
        view = use.view
        anchor = view_anchor(campaign, view) if use.is_shown else "comparisons"
        positions: list[Link | str] = [
            Link(name, f"{every.page}#{pair_anchor(campaign, view, name)}") if name in use.with_figure else name
            for name in use.positions[:MOST_LINKS]
        ]
        lines.append(
            (
                Link(view.comparison, f"{every.page}#{anchor}"),
                operating_point(view.speed_mps, view.yaw_deg, unit),
                view.sessions,
                f"{use.side}: {condition_title(campaign, getattr(view, use.side))}",
                _links(positions, len(use.positions) - MOST_LINKS),
            )
        )
    return PlainTable(
        key="use-table",
        caption=f"{counted(len(compared), 'comparison')} that rest on this run" if len(compared) > 1
        else "The comparison that rests on this run",
        head=("comparison", "operating point", "session", "side", "positions"),
        rows=tuple(lines),
    )  # fmt: skip
