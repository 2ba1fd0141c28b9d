"""Compare: tones, whether they follow speed, and what each treatment does to them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.limits import TONE_ALONE_FROM_DB, TONE_ON_ITS_LINE_SHARE
from tapeline.report.blocks import Block, Bullets, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.sections.waterfall import number_words, waterfall_figure
from tapeline.report.tone_runs import tone_runs
from tapeline.report.wording import NO_VALUE, confidence_words, counted, interval, listed, number, percent, speed

MOST_ROWS = 60
MOST_SENTENCES = 4
SAME_TONE_RATIO = 1.02
"""Rows of two tables mean the same tone where their frequencies are this near."""

FOLLOWS = {
    "flow": "It follows speed",
    "fixed": "It does not follow speed: its frequency stays",
    "neither": "Its frequency neither stays nor rises as speed does",
    "cannot-tell": "Whether it follows speed cannot be told",
}

DIRECTIONS = {"lower": "quieter", "higher": "louder"}
NOTE = (
    "Not the tonality method of any standard, and nothing about what is heard. All tones are in tables/tones.parquet."
)


def tones_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The tones in sentences, the spectra of the positions that have one, the tables folded."""
    tracks = ranked_tracks(tables, campaign)
    said = tone_sentences(tables, campaign)
    if not said:
        return [_section([Prose(none_words(tables), "none" if not tables.tones else "")])]
    blocks: list[Block] = [Prose(said[0])] if len(said) == 1 else [Bullets(said)]
    chosen = tone_runs(tables, campaign) if tracks else None
    figure = None if chosen is None else waterfall_figure(tables, campaign, chosen)
    blocks += [FigureBlock(figure)] if figure is not None else []
    differences = differences_table(tables, campaign)
    blocks += [Fold("Tones over speed", (TableBlock(tracks_table(campaign, tracks)),))] if tracks else []
    blocks += [Fold("Tones with and without treatment", (TableBlock(differences),))] if differences.rows else []
    return [_section(blocks)]


def _section(blocks: Sequence[Block]) -> Section:
    return Section("tones", "Tones", "compare", blocks)


def none_words(tables: FinishedTables) -> str:
    """That no tone of the source's own is told, and how many others there are."""
    own = sum(bool(row["own"]) for row in tables.tones)
    others = len(tables.tones) - own
    if not tables.tones:
        return "No tone was found in any run."
    if not own:
        return f"No tone is the source's own: {counted(others, 'tone')} of background or mains."
    beside = f"; {counted(others, 'tone')} of background or mains" if others else ""
    return (
        f"No tone is told: {counted(own, 'tone')} not of the background, but in doubt, at no stated speed or not in "
        f"most repeats{beside}."
    )


def ranked_tracks(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """All tracks: sound ones first, then those at most speeds, then the loudest; conditions in the settings' order."""
    order = {name: index for index, name in enumerate(campaign.settings.conditions)}
    return sorted(
        tables.tone_tracks,
        key=lambda row: (row["doubtful"], -len(row["speeds_mps"]), order.get(row["condition"], len(order)),
                         -row["level_db"], row["position"], row["session"], row["track"]),
    )  # fmt: skip


def tone_sentences(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Of each position its first track in words, and how many more there are; none where no tone is the source's.

    Where a position has no track, tones at a single speed stand for it.
    """
    by_position: dict[str, list[Row]] = {}
    tracks = ranked_tracks(tables, campaign)
    tracked = {row["position"] for row in tracks}
    for row in [*tracks, *(row for row in _at_one_speed(tables, campaign) if row["position"] not in tracked)]:
        by_position.setdefault(row["position"], []).append(row)
    said = []
    for position, own in list(by_position.items())[:MOST_SENTENCES]:
        first = own[0]
        place = ("session", "condition", "yaw_deg")
        beside = sum(all(row[name] == first[name] for name in place) for row in own) - 1
        more = f" {counted(beside, 'further tone')} there." if beside else ""
        said.append(f"At {position} a tone stands out: {track_words(tables, campaign, first)}{more}")
    more_at = list(by_position)[MOST_SENTENCES:]
    return [*said, f"Further tones at {listed(more_at)}."] if more_at else said


def _at_one_speed(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """The source's own tones on no track as tracks of one speed, the loudest first, each once among its repeats.

    As in the table of differences one that is alone in its run is believed only where it stands out far.
    """
    order = {name: index for index, name in enumerate(campaign.settings.conditions)}
    found = [
        {
            **row,
            "speeds_mps": [row["speed_mps"]],
            "frequencies_hz": [row["frequency_hz"]],
            "follows": "cannot-tell",
            "speed_exponent": None,
            "background_known": row["in_background"] is not None,
        }
        for row in tables.tones
        if row["own"] and row["track"] is None and row["condition"] and row["speed_mps"] and not row["doubtful"]
        and 2 * row["repeat_runs_with_it"] > row["repeat_runs"]
        and (row["repeat_runs_with_it"] > 1 or row["prominence_db"] >= TONE_ALONE_FROM_DB)
    ]  # fmt: skip
    kept: list[Row] = []
    for row in sorted(found, key=lambda each: (order.get(each["condition"], len(order)), -each["level_db"],
                                               each["position"], each["run"], each["tone"])):  # fmt: skip
        if not any(_is_same(row, other) for other in kept):
            kept.append(row)
    return kept


def _is_same(row: Row, other: Row) -> bool:
    """Whether two tones are one tone in two runs of one condition and operating point."""
    place = ("session", "position", "condition", "speed_mps", "yaw_deg")
    hertz = row["frequency_hz"], other["frequency_hz"]
    return all(row[name] == other[name] for name in place) and max(hertz) / min(hertz) <= SAME_TONE_RATIO


def track_words(tables: FinishedTables, campaign: Campaign, track: Row) -> str:
    """Frequencies and speeds, whether it follows, its mode, and what each comparison changes."""
    unit = campaign.settings.report.speed_unit
    ends = list(zip(track["frequencies_hz"], track["speeds_mps"], strict=True))
    ends = ends if len(ends) < 3 else [ends[0], ends[-1]]
    hertz = ", ".join(f"{hz:.4g} Hz at {speed(mps, unit)}" for hz, mps in ends)
    parts = [f"{hertz} ({condition_title(campaign, track['condition'])}, {track['session']}).", follows_words(track)]
    parts += [f"It agrees with the cavity mode {track['mode']}."] if track["mode"] else []
    parts += ["It may be the background's."] if not track["background_known"] else []
    parts += ["It is doubtful."] if track["doubtful"] else []
    parts += _unsteady_words(tables, track)
    return " ".join([*parts, *change_words(tables, campaign, track)])


def _unsteady_words(tables: FinishedTables, track: Row) -> list[str]:
    """That a tone comes and goes or sweeps, by the median of what its runs tell; nothing where they do not."""
    names = ("session", "position", "condition")
    shares = [
        row["persistence"]
        for row in tables.tones
        if all(row[name] == track[name] for name in names)
        and row["track"] == track["track"]
        and any(abs(row["frequency_hz"] / hertz - 1.0) <= SAME_TONE_RATIO - 1.0 for hertz in track["frequencies_hz"])
        and row["persistence"] is not None
    ]
    share = median(shares) if shares else 1.0
    return (
        [f"It comes and goes, or moves: on its line {percent(share)} of the time."]
        if share < TONE_ON_ITS_LINE_SHARE
        else []
    )


def follows_words(track: Row) -> str:
    """Whether the frequency follows speed, with the exponent's interval where there is one."""
    words, numbers = FOLLOWS.get(track["follows"], str(track["follows"])), number_words(track)
    if track["speed_exponent"] is None:
        return f"{words} ({numbers})."
    ends = interval(track["exponent_lower"], track["exponent_upper"])
    return f"{words} ({numbers}; exponent {number(track['speed_exponent'])}, {ends})."


def change_words(tables: FinishedTables, campaign: Campaign, track: Row) -> list[str]:
    """What becomes of the tone with each other condition that a comparison holds against the track's."""
    found: dict[str, list[Row]] = {}
    for row in tables.tone_differences:
        if all(row[name] == track[name] for name in ("session", "position", "yaw_deg")) and _is_of(track, row):
            found.setdefault(row["comparison"], []).append(row)
    said = []
    order = list(campaign.settings.comparisons)
    for name, rows in sorted(found.items(), key=lambda item: order.index(item[0]) if item[0] in order else len(order)):
        comparison = campaign.settings.comparisons.get(name)
        if comparison is None or track["condition"] not in (comparison.reference, comparison.treatment):
            continue
        is_reference = track["condition"] == comparison.reference
        other = condition_title(campaign, comparison.treatment if is_reference else comparison.reference)
        said.append(f"With {other} it is {_findings_words(campaign, rows if is_reference else map(turned, rows))}.")
    return said


def turned(row: Row) -> Row:
    """A difference of tones the other way round: reference minus treatment."""
    opposite = {"lower": "higher", "higher": "lower", "gone": "new", "new": "gone"}
    ends = {"difference_db": "difference_db", "lower_db": "upper_db", "upper_db": "lower_db"}
    values = {name: None if row[other] is None else -row[other] for name, other in ends.items()}
    return {**row, **values, "finding": opposite.get(row["finding"], row["finding"])}


def _is_of(track: Row, row: Row) -> bool:
    """Whether a difference is of the track's tone, at one of its speeds."""
    return any(
        abs(mps - row["speed_mps"]) <= 1e-3 * mps
        and max(hz, row["frequency_hz"]) / min(hz, row["frequency_hz"]) <= SAME_TONE_RATIO
        for hz, mps in zip(track["frequencies_hz"], track["speeds_mps"], strict=True)
    )


def _findings_words(campaign: Campaign, rows: Iterable[Row]) -> str:
    """One finding at all speeds with its size, else each with its speed."""
    every = list(rows)
    findings = {row["finding"] for row in every}
    if len(findings) > 1:
        unit = campaign.settings.report.speed_unit
        return listed((f"{row['finding']} at {speed(row['speed_mps'], unit)}" for row in every), 12)
    (finding,) = findings
    if finding in DIRECTIONS:
        values = [abs(row["difference_db"]) for row in every]
        size = " to ".join(dict.fromkeys(number(end) for end in (min(values), max(values))))
        return f"{size} dB {DIRECTIONS[finding]}"
    if finding == "not shown":
        unit = campaign.settings.report.speed_unit
        ends = [
            (row["speed_mps"], interval(row["lower_db"], row["upper_db"]))
            for row in every
            if row["lower_db"] is not None or row["upper_db"] is not None
        ]
        if len({ends_db for _, ends_db in ends}) == 1:
            return f"not shown to differ ({ends[0][1]} dB)"
        said = listed((f"{ends_db} dB at {speed(mps, unit)}" for mps, ends_db in ends), 4)
        return f"not shown to differ{f' ({said})' if said else ''}"
    return str(finding)


def tracks_table(campaign: Campaign, tracks: Sequence[Row]) -> PlainTable:
    """A row a tone followed over speed."""
    unit = campaign.settings.report.speed_unit
    cut = f"{MOST_ROWS} of {len(tracks):,}; all are in tables/tone_tracks.parquet." if len(tracks) > MOST_ROWS else ""
    table = PlainTable(
        key="tone-tracks",
        caption="Tones followed over speed",
        head=("position", "condition", "session", "yaw", "frequency, Hz", "speed", "level, dB", "follows", "exponent",
              f"{confidence_words(campaign.settings.confidence)} interval", "St or f/U", "mode", "doubt"),
        rows=tuple(_track_cells(campaign, row, unit) for row in tracks[:MOST_ROWS]),
        numeric=frozenset({8, 9}),
        note=" ".join(part for part in (cut, NOTE) if part),
    )  # fmt: skip
    return without_constant_columns(table, ("session", "yaw", "mode", "doubt"))


def _track_cells(campaign: Campaign, row: Row, unit: str) -> tuple[str, ...]:
    return (
        row["position"],
        condition_title(campaign, row["condition"]),
        row["session"],
        f"{row['yaw_deg'] + 0.0:g}°",
        ", ".join(f"{hertz:.4g}" for hertz in row["frequencies_hz"]),
        ", ".join(speed(mps, unit) for mps in row["speeds_mps"]),
        ", ".join(number(level) for level in row["levels_db"]),
        row["follows"],
        number(row["speed_exponent"], 2),
        interval(row["exponent_lower"], row["exponent_upper"], 2),
        number_words(row),
        row["mode"] or NO_VALUE,
        ", ".join(row["doubt"] or ()) or NO_VALUE,
    )


def differences_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """A row a tone, comparison and operating point."""
    unit = campaign.settings.report.speed_unit
    rows = tables.tone_differences
    cut = f"{MOST_ROWS} of {len(rows):,}; all are in tables/tone_differences.parquet. " if len(rows) > MOST_ROWS else ""
    table = PlainTable(
        key="tone-differences",
        caption="Tones of both conditions: treatment minus reference, dB",
        head=("position", "comparison", "session", "speed", "yaw", "frequency, Hz", "reference", "treatment",
              "difference", f"{confidence_words(campaign.settings.confidence)} interval", "finding", "runs with it"),
        rows=tuple(_difference_cells(row, unit) for row in rows[:MOST_ROWS]),
        numeric=frozenset({5, 6, 7, 8, 9}),
        note=f"{cut}Intervals and findings are those of each tone by itself. Runs: reference, treatment.",
    )  # fmt: skip
    return without_constant_columns(table, ("session", "yaw"))


def _difference_cells(row: Row, unit: str) -> tuple[str, ...]:
    bound = row["bound_db"]
    sign = "" if bound is None else "<" if row["finding"] == "gone" else ">"
    return (
        row["position"],
        row["comparison"],
        row["session"],
        speed(row["speed_mps"], unit),
        f"{row['yaw_deg'] + 0.0:g}°",
        f"{row['frequency_hz']:.4g}",
        number(row["reference_level_db"]),
        number(row["treatment_level_db"]),
        number(row["difference_db"], signed=True) if bound is None else f"{sign} {number(bound, signed=True)}",
        interval(row["lower_db"], row["upper_db"]),
        row["finding"],
        f"{row['reference_runs_with_it']} of {row['reference_runs']}, "
        f"{row['treatment_runs_with_it']} of {row['treatment_runs']}",
    )
