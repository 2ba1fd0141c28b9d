"""Figures on repeatability: scatter within and between sessions over the bands, and control charts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.limits import CONTROL_JUDGED_VALUES
from tapeline.report.charts.figure import Figure, Key, figure_of, panel_boxes
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.panel import LETTER_PX, Panel
from tapeline.report.charts.scales import band_limits
from tapeline.report.comparison_views import condition_title
from tapeline.report.figure_data import FigureData, rows_data
from tapeline.report.finished_tables import Row
from tapeline.report.wording import counted, frequency, listed, number, operating_point, short

MOST_CHARTS, LABEL_LETTERS = 6, 10
LEAST_TOP_DB, STEP_DB = 1.0, 0.5
CHARTED = (
    "position", "speed_mps", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz", "session", "level_db",
    "run_count", "mount", "centre_db", "lower_limit_db", "upper_limit_db", "outside", "trend",
)  # fmt: skip


@dataclass(frozen=True)
class BandScatter:
    """Smallest, median and largest value of one column over positions and points, by band."""

    rows: tuple[Row, ...]
    """One row of each band, for its edges."""

    least_db: tuple[float, ...]
    median_db: tuple[float, ...]
    most_db: tuple[float, ...]

    def of(self, name: str) -> list[float]:
        """A column of the bands: `band_hz`, `midband_hz`, `lower_hz` or `upper_hz`."""
        return [float(row[name]) for row in self.rows]


def band_scatter(rows: Sequence[Row], name: str) -> BandScatter:
    """The values of one column gathered by band; bands without any are not there."""
    bands: dict[float, list[Row]] = {}
    for row in rows:
        if row[name] is not None:
            bands.setdefault(row["band_hz"], []).append(row)
    ordered = [bands[band] for band in sorted(bands)]
    least, middle, most = (tuple(float(of([row[name] for row in own])) for own in ordered) for of in (min, median, max))
    return BandScatter(tuple(own[0] for own in ordered), least, middle, most)


def scatter_figure(campaign: Campaign, rows: Sequence[Row]) -> Figure | None:
    """A panel each for scatter within and between sessions of the reference condition: median and range."""
    titles = ("within sessions, s_r", "between sessions, s_L")
    names = ("within_session_sd_db", "between_session_sd_db")
    made = {title: band_scatter(rows, name) for title, name in zip(titles, names, strict=True)}
    parts = {title: part for title, part in made.items() if part.rows}
    if not parts:
        return None
    errors = band_scatter([row for row in rows if row["within_session_sd_db"] is not None], "random_error_db")
    every = [row for part in parts.values() for row in part.rows]
    limits = band_limits([row["lower_hz"] for row in every], [row["upper_hz"] for row in every])
    highest = max(value for part in parts.values() for value in part.most_db)
    top = max(math.ceil(highest / STEP_DB) * STEP_DB, LEAST_TOP_DB)
    boxes, height = panel_boxes(len(parts), columns=2, height=150)
    panels = [
        _scatter_panel(
            Panel(box, limits, (0.0, top), title, "midband frequency, Hz", frequency=True),
            part,
            errors if title == titles[0] else None,
        )
        for box, (title, part) in zip(boxes, parts.items(), strict=True)
    ]
    panels[0].y_label = "standard deviation, dB"
    reference = campaign.settings.reference_condition
    title = condition_title(campaign, reference)
    return figure_of(
        ("repeatability", reference),
        f"Scatter of band levels, {title}",
        panels,
        [
            Key("median", "nt", "circle"),
            Key("smallest to largest", "iv", "box"),
            *([Key("random error, median", "li", dashes="4 3")] if errors.rows and parts.get(titles[0]) else []),
        ],
        height=height,
        alt=f"Standard deviations of band levels of {title}. "
        + " ".join(_scatter_words(words, part, errors) for words, part in parts.items()),
        caption=f"Standard deviations of band levels of {title}, over all positions and operating points. Scatter "
        "within sessions well above the random error has a cause of its own: speed, steadiness or the flow itself.",
        data=_scatter_data({**parts, **({"random error": errors} if errors.rows else {})}),
    )


def _scatter_panel(panel: Panel, part: BandScatter, errors: BandScatter | None) -> Panel:
    middles = part.of("midband_hz")
    panel.interval_bars(part.of("lower_hz"), part.of("upper_hz"), part.least_db, part.most_db)
    if errors is not None:
        panel.curve(errors.of("midband_hz"), errors.median_db, "li", "4 3")
    panel.curve(middles, part.median_db, "nt")
    panel.dots(middles, part.median_db, "nt")
    for at, band, low, middle, high in zip(
        middles, part.of("band_hz"), part.least_db, part.median_db, part.most_db, strict=True
    ):
        words = f"median {number(middle, 2)} dB, {number(low, 2)} to {number(high, 2)} dB"
        panel.reads(at, middle, f"{panel.title}, {frequency(band)}: {words}")
    return panel


def _scatter_words(title: str, part: BandScatter, random_error: BandScatter) -> str:
    top, low = part.median_db.index(max(part.median_db)), part.median_db.index(min(part.median_db))
    bands = part.of("band_hz")
    errors = dict(zip(random_error.of("band_hz"), random_error.median_db, strict=True))
    return (
        f"{title[0].upper()}{title[1:]}: median {number(part.median_db[low], 2)} dB at {frequency(bands[low])} to "
        f"{number(part.median_db[top], 2)} dB at {frequency(bands[top])}, where random error alone makes "
        f"{number(errors.get(bands[top]), 2)} dB."
    )


def _scatter_data(parts: Mapping[str, BandScatter]) -> FigureData:
    return FigureData(
        {
            "of": [title for title, part in parts.items() for _ in part.rows],
            "band_hz": [band for part in parts.values() for band in part.of("band_hz")],
            **{
                name: [value for part in parts.values() for value in getattr(part, name)]
                for name in ("least_db", "median_db", "most_db")
            },
        }
    )


def control_figure(campaign: Campaign, rows: Sequence[Row], level: str) -> Figure | None:
    """Session means about their centre with control limits, of the positions that moved most.

    `rows` are the control values of one overall level, called `level`, at one operating point. None with fewer than
    `CONTROL_JUDGED_VALUES` sessions: then no value can lie outside.
    """
    by_position: dict[str, list[Row]] = {}
    for row in sorted(rows, key=lambda row: row["session_number"]):
        if row["centre_db"] is not None and row["session_count"] >= CONTROL_JUDGED_VALUES:
            by_position.setdefault(row["position"], []).append(row)
    if not by_position:
        return None
    chosen = sorted(by_position, key=lambda name: (-_furthest(by_position[name]), name))[:MOST_CHARTS]
    sessions = list(dict.fromkeys(row["session"] for name in chosen for row in by_position[name]))
    reach = max(abs(value) for name in chosen for row in by_position[name] for value in _offsets(row))
    top = max(math.ceil(1.05 * reach / STEP_DB) * STEP_DB, STEP_DB)
    boxes, height = panel_boxes(len(chosen), columns=3, height=110)
    panels = [
        _control_panel(campaign, Panel(box, (-0.5, len(sessions) - 0.5), (-top, top), short(name, 24)),
                       by_position[name], sessions)
        for box, name in zip(boxes, chosen, strict=True)
    ]  # fmt: skip
    panels[0].y_label = "level less centre, dB"
    reference = campaign.settings.reference_condition
    look, title = condition_look(list(campaign.settings.conditions), reference), condition_title(campaign, reference)
    outside = sorted(name for name, own in by_position.items() if any(row["outside"] for row in own))
    point = operating_point(rows[0]["speed_mps"], rows[0]["yaw_deg"], campaign.settings.report.speed_unit)
    return figure_of(
        ("control", reference),
        f"Control charts, {title}, overall level {level}",
        panels,
        [
            Key("mount kept, or first", look.role, "circle", line=False),
            Key("new mount", f"{look.role} ho", "circle", line=False),
            Key("control limits", "li", dashes="4 3"),
            Key("outside", look.role, "cross", line=False),
        ],
        height=height,
        alt=f"Session means of {title} at {point}: furthest from its centre is {chosen[0]} with "
        f"{number(_furthest(by_position[chosen[0]]), 2)} dB; outside of the limits: {listed(outside) or 'none'}.",
        caption=f"Overall level {level} of {title} at {point}: each session's mean less the mean of all. Limits are "
        f"2.66 mean moving ranges. {len(chosen)} of {counted(len(by_position), 'position')}, those that moved most.",
        data=rows_data([row for name in chosen for row in by_position[name]], CHARTED),
    )


def _control_panel(campaign: Campaign, panel: Panel, rows: Sequence[Row], sessions: Sequence[str]) -> Panel:
    look = condition_look(list(campaign.settings.conditions), campaign.settings.reference_condition)
    room = (panel.box.right - panel.box.left) / len(sessions)
    step = math.ceil((min(max(map(len, sessions)), LABEL_LETTERS) + 1) * LETTER_PX / room)
    panel.x_ticks = [float(place) for place in range(0, len(sessions), step)]
    panel.x_words = lambda place: short(sessions[round(place)], LABEL_LETTERS)
    places = [float(sessions.index(row["session"])) for row in rows]
    values = [row["level_db"] - row["centre_db"] for row in rows]
    panel.level_line(0.0, "ze")
    for end in ("lower_limit_db", "upper_limit_db"):
        panel.level_line(rows[0][end] - rows[0]["centre_db"], "li", "4 3")
    panel.curve(places, values, look.role)
    kinds = ["cross" if row["outside"] else "kept" if row["mount"] in ("kept", "first") else "new" for row in rows]
    for kind, shape, role in (
        ("kept", "circle", look.role),
        ("new", "circle", f"{look.role} ho"),
        ("cross", "cross", look.role),
    ):
        inside = [place for place, found in enumerate(kinds) if found == kind]
        size = 5.0 if kind == "cross" else 3.4
        panel.dots([places[i] for i in inside], [values[i] for i in inside], role, shape=shape, size=size)
    for x, y, row in zip(places, values, rows, strict=True):
        mount = f", mount {row['mount']}" if row["mount"] else ""
        outside = ", outside of the limits" if row["outside"] else ""
        panel.reads(x, y, f"{row['position']}, {row['session']}: {number(y, 2, signed=True)} dB{mount}{outside}")
    return panel


def _offsets(row: Row) -> list[float]:
    ends = (row["level_db"], row["lower_limit_db"], row["upper_limit_db"])
    return [end - row["centre_db"] for end in ends if end is not None]


def _furthest(rows: Sequence[Row]) -> float:
    return float(max(abs(row["level_db"] - row["centre_db"]) for row in rows))
