"""What of the frequencies and of the time is not there, or depends on how it is computed."""

from __future__ import annotations

from collections.abc import Iterable

from tapeline.campaign.model import Campaign
from tapeline.quality.reasons import REASONS
from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS
from tapeline.report.attention_item import COMPARISONS, Attention, comparison_place
from tapeline.report.comparison_views import is_given
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.view_names import run_anchor, run_file
from tapeline.report.wording import counted, listed, printable

NO_LEVEL = "no level"

WITHOUT_PASCAL = frozenset({"no-sensitivity", "contradicted", "full-scale-unknown", "channel-missing"})
"""Reasons of channels that have no pressure, so that nothing can be averaged."""

SAID = {
    "few-lines": (NO_LEVEL, "they hold too few spectral lines", "lower spectra.resolution_hz"),
    "short-record": (NO_LEVEL, "bandwidth times averaged time is too small", "record for longer"),
    "high-pass": (NO_LEVEL, "the high-pass filter before the recorder weakens them", "read from the next band on"),
    "low-pass": (NO_LEVEL, "they reach beyond the recorder's low-pass filter", "read to the band before"),
    "anti-alias": (NO_LEVEL, "they reach beyond what the sampling allows", "sample faster, or ask for fewer bands"),
    "chart-ends": (
        NO_LEVEL,
        "the sensor's chart ends before",
        "have the sensor calibrated there, or ask for fewer bands",
    ),
    "left-out": (NO_LEVEL, "they are left out by hand", "nothing: so asked"),
    "methods-differ": (
        "summed lines and band filters differ",
        "a tone near an edge, or a steep spectrum",
        "see filters_minus_lines_db in the table of bands; state the method with the level",
    ),
    "background-narrower": (
        "nothing subtracted",
        "the background runs do not reach there",
        "record the background at the same sampling rate",
    ),
    "background-unsteady": (
        "background doubted",
        "its runs scatter by more than background.spread_limit_db",
        "see what changed between the background runs; repeat them",
    ),
    "background-refused": (
        "nothing subtracted",
        "background runs were refused there, or heard other reference sensors",
        "see background_refused in the table of runs, and which references were usable",
    ),
    "background-missing": (
        "nothing that the flow makes elsewhere is subtracted",
        "there is no background run at their operating point, where others of the session have one",
        "record the background there, name a run in the column background, or allow background.between_speeds",
    ),
    "background-unusable": (
        "nothing subtracted",
        "the channel is unusable in the background runs",
        "repeat the background runs",
    ),
    "background-louder": (
        "nothing subtracted",
        "the background runs are louder than the runs in too many bands: something else is wrong",
        "see whether gain, sensor or speed changed between the runs",
    ),
    "background-louder-here": (
        "background doubted",
        "the background runs are louder than the runs beyond chance, there or close by: the bounds are the runs' own "
        "levels",
        "see what ran in the background runs alone; repeat them",
    ),
    "background-tonal": (
        "a tone of the background",
        "it stands in the runs too, and its phase decides how much of it is theirs",
        "read these bands by their intervals, or name a reference sensor near its source",
    ),
    "background-other-gain": (
        "background doubted",
        "it was recorded at another gain, and no wind-off run tells its electrical part",
        "record the wind-off level at either gain",
    ),
    "off-nominal-speed": (
        "off the nominal speed",
        "the achieved speed is beyond operating_point.speed_tolerance",
        "compare nominal_level_db, or repeat the run at its speed",
    ),
    "background-between-speeds": (
        "background estimated",
        "a power law between the background runs at two other speeds",
        "record the background at this speed",
    ),
    "at-electrical-floor": (
        "at the electrical floor",
        "less than background.least_margin_db above the wind-off level",
        "raise the gain, or read these bands as an upper bound of what the flow makes",
    ),
    "references-missing": (
        "nothing coherent removed",
        "no reference sensor was recorded and usable, or the record is too short for so many",
        "see the reference channels' verdicts",
    ),
    "size-limited": (
        "not corrected for the sensor's size",
        "the sensor takes off more than sensor_size.offered_to_db",
        "read these bands as levels of the sensor as fitted, or measure with a smaller one",
    ),
    "extrapolated": (
        "nominal levels extrapolated",
        "speed or air are far from the nominal operating point",
        "use nominal_level_db with care, or repeat the run at its speed",
    ),
}
"""Of each mark of a band: what is the matter, why, and what to do."""


OF_MEASUREMENTS = {
    "at-electrical-floor",
    "extrapolated",
    "off-nominal-speed",
    "references-missing",
    "background-louder",
    "background-louder-here",
    "background-tonal",
    "background-other-gain",
    "background-refused",
    "background-missing",
    "background-unusable",
}
"""Marks that say nothing of a background run, or of an unusable channel."""


def range_lines(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """Marks of bands, comparisons of a part, stretches left out, what was asked for and could not be made."""
    return [
        *_nothing_left(tables, campaign),
        *_bands(tables, campaign),
        *_in_part(tables),
        *_left_out(tables),
        *_without_bins(tables, campaign),
        *_without_overall(tables, campaign),
    ]


def _marked(tables: FinishedTables, campaign: Campaign) -> dict[tuple[str, str], dict[float, set[str]]]:
    """Positions by band, of each session and mark."""
    found: dict[tuple[str, str], dict[float, set[str]]] = {}
    measured = {row["run"] for row in tables.runs if row["kind"] == "measurement"}
    references = set(campaign.settings.background.references)
    bare = {row["run"] for row in tables.runs if row["background_kind"] is None}
    for session, table in tables.bands.items():
        columns = (table.column(name).to_pylist() for name in ("run", "position", "band_hz", "marks", "quality"))
        for run, position, band, marks, quality in zip(*columns, strict=True):
            for mark in marks or ():
                idle = run not in measured or quality == "unusable" or position in references
                if mark in OF_MEASUREMENTS and idle:
                    continue
                if mark == "background-refused" and run in bare:
                    continue
                found.setdefault((session, mark), {}).setdefault(band, set()).add(position)
    return found


def _where(by_band: dict[float, set[str]]) -> str:
    bands = sorted(by_band)
    span = f"{bands[0]:g} Hz" if len(bands) == 1 else f"{bands[0]:g} to {bands[-1]:g} Hz"
    positions = set().union(*by_band.values())
    return f"{counted(len(bands), 'band')}, {span}, at {listed(sorted(positions), 4)}"


def _nothing_left(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """Runs without any level though their recordings are sound and long enough, each with its cause."""
    with_levels = {run for table in tables.bands.values() for run in table["run"].to_pylist()}
    too_short = {row["run"] for row in tables.quality if "too-short" in (row["reasons"] or ())}
    return [
        Attention("unusable", f"run {row['run']}", *_why_nothing(row, tables, campaign), run_file(row["run"]))
        for row in tables.runs
        if row["kind"] != "calibration" and row["status"] == "used" and row["run"] not in with_levels | too_short
    ]


def _why_nothing(run: Row, tables: FinishedTables, campaign: Campaign) -> tuple[str, str]:
    """What was found, and the next action: channels that never became pascal come before what was left out."""
    own = [row for row in tables.quality if row["run"] == run["run"]]
    why = [next((code for code in row["reasons"] or () if code in WITHOUT_PASCAL), None) for row in own]
    if own and all(why):
        codes = list(dict.fromkeys(code for code in why if code))
        means = listed(REASONS[code].meaning for code in codes)
        return f"no level: no channel could be turned into pascal: {means}", "; ".join(
            REASONS[code].action for code in codes
        )
    if run["left_out"] or campaign.settings.spectra.leave_out_spikes:
        return (
            "no level: no averaged block lies wholly in what is not left out",
            "leave out less, or widen spectra.resolution_hz for shorter blocks",
        )
    return "no level: no averaged block could be made", "see the verdicts on its channels and the log of its spectra"


def _without_bins(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """Flow series that give no level by speed and yaw."""
    used = {row["run"] for row in tables.runs if row["status"] == "used"}
    asked = used & {run.run for run in campaign.runs.values() if run.flow_series}
    return [
        Attention(
            "doubtful",
            f"run {run}",
            "no level by speed and yaw: no averaged segment of the record holds a reading of its flow series",
            "see whether its times are from the recording's start, and often enough for flow_bins.segment_s",
            run_file(run),
        )
        for run in sorted(asked - tables.runs_with_flow_bins)
    ]


def _without_overall(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """Overall levels that no run has."""
    made = {(row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) for row in tables.overall}
    return [
        Attention(
            "doubtful",
            "overall levels",
            f"none for weighting {asked.weighting}, {asked.range_hz[0]:g} to {asked.range_hz[1]:g} Hz: no band of this "
            "range has a level",
            "ask for a range that the bands have; the notes on bands say what limits them",
        )
        for asked in campaign.settings.overall
        if tables.overall and (asked.weighting, *asked.range_hz) not in made
    ]


def _bands(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """One line a session and mark."""
    return [
        Attention(
            "doubtful" if mark in BACKGROUND_DOUBTS else "note",
            f"session {session}",
            f"{SAID[mark][0]}: {_where(by_band)}: {SAID[mark][1]}",
            SAID[mark][2],
            COMPARISONS,
        )
        for (session, mark), by_band in sorted(_marked(tables, campaign).items())
        if mark in SAID
    ]


def _gathered(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    together: dict[str, list[str]] = {}
    for text, place in pairs:
        places = together.setdefault(text, [])
        if place not in places:
            places.append(place)
    return together


def _in_part(tables: FinishedTables) -> list[Attention]:
    rows = [row for row in tables.comparisons if row["common_part"] and is_given(row)]
    said = _gathered((f"{row['comparison']}: {row['common_part']}", row["position"]) for row in rows)
    return [
        Attention("note", f"comparison {text.partition(': ')[0]}, {listed(sorted(places), 4)}", text.partition(": ")[2],
                  "measure both conditions with the same band range, or name a range that both have",
                  comparison_place(text.partition(": ")[0]))
        for text, places in sorted(said.items())
    ]  # fmt: skip


def _left_out(tables: FinishedTables) -> list[Attention]:
    """What is left out by hand, runs that share it in one line."""
    runs_of = _gathered((text, row["run"]) for row in tables.runs for text in row["left_out"] or ())
    return [
        Attention(
            "note",
            f"run{'s' if len(runs) > 1 else ''} {listed(runs, 6)}",
            printable(f"left out by hand: {text}"),
            "nothing: so asked",
            f"#{run_anchor(runs[0])}",
        )
        for text, runs in runs_of.items()
    ]
