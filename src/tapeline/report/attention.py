"""What needs attention: every reason for doubt as one line with the next action, the worst first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.quality.reasons import REASONS
from tapeline.report.attention_background import without_background
from tapeline.report.attention_item import (
    CALIBRATION,
    COVERAGE,
    QUALITY,
    Attention,
    comparison_place,
)
from tapeline.report.attention_order import order_lines
from tapeline.report.attention_range import range_lines
from tapeline.report.attention_repeats import repeat_lines
from tapeline.report.attention_sensor_lines import sensor_line_lines
from tapeline.report.comparison_views import condition_title, is_given
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.swapped_sensors import swapped_lines
from tapeline.report.view_names import run_anchor, run_file
from tapeline.report.wording import counted, listed, printable
from tapeline.store.tables import BOTH_BOUNDS

MANY_CHANNELS = 3
"""So many channels of a run with the very same sentence are told in one line."""

SEVERITY = {"unusable": 0, "doubtful": 1, "note": 2}


def attention_lines(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """All lines, unusable before doubtful before notes; within these in the order of the chapters of the report."""
    lines = [
        *_recordings(tables),
        *_channels(tables),
        *_calibration(tables),
        *_checks(tables),
        *_comparisons(tables, campaign),
        *without_background(tables, used_states(tables, campaign)),
        *range_lines(tables, campaign),
        *_single_runs(tables),
        *swapped_lines(tables),
        *repeat_lines(tables, campaign),
        *sensor_line_lines(tables),
        *order_lines(tables, campaign.settings.compare.practical_threshold_db),
        *_air(tables),
        *(Attention("note", "campaign files", printable(warning), "mend the file or leave it so knowingly")
          for warning in campaign.file_warnings),
    ]  # fmt: skip
    return sorted(lines, key=lambda line: SEVERITY.get(line.severity, len(SEVERITY)))


def sentence_of(row: Row, code: str) -> str:
    """The sentence that the quality table gives for a reason; the reason's meaning where it gives none."""
    reasons, sentences = row["reasons"] or [], row["sentences"] or []
    if code in reasons and len(sentences) == len(reasons):
        return str(sentences[reasons.index(code)])
    return meaning_of(code)


def meaning_of(code: str) -> str:
    """What a reason code means."""
    return REASONS[code].meaning if code in REASONS else code


def without_place(sentence: str, *, run: str = "", position: str = "") -> str:
    """A sentence without the run or position at its head, for where these are said before it."""
    for word, name in (("run", run), ("position", position)):
        for end in (": ", " "):
            if name:
                sentence = sentence.removeprefix(f"{word} {name}{end}")
    return sentence


def action_of(code: str) -> str:
    """The next action for a reason code."""
    return REASONS[code].action if code in REASONS else "see the recording"


def severity_of(code: str) -> str:
    """The verdict that a reason code leads to, "note" where it leads to none; an unknown one is doubtful."""
    verdict = REASONS[code].verdict if code in REASONS else "doubtful"
    return "note" if verdict == "good" else verdict


@dataclass(frozen=True)
class ReasonGroup:
    """The rows of the quality table that share a reason: many channels of one run, or one channel in some runs."""

    code: str
    session: str
    runs: tuple[str, ...]
    positions: tuple[str, ...]
    sentence: str
    severity: str
    channels: int = 1

    @property
    def where(self) -> str:
        """The place in words."""
        if len(self.positions) > 1:
            count = len(self.positions)
            share = f"all {count}" if count == self.channels else f"{count} of {self.channels}"
            return f"run {self.runs[0]}, {share} channels"
        word = "run" if len(self.runs) == 1 else "runs"
        return f"{self.positions[0]}, session {self.session}, {word} {listed(self.runs, 4)}"


def reason_groups(quality: Sequence[Row]) -> list[ReasonGroup]:
    """The reasons of the quality table, gathered so that a fault of a whole recording is said once."""
    channels: dict[str, int] = {}
    by_run: dict[tuple[str, str], list[Row]] = {}
    for row in quality:
        channels[row["run"]] = channels.get(row["run"], 0) + 1
        for code in row["reasons"] or ():
            by_run.setdefault((row["run"], code), []).append(row)
    groups: list[ReasonGroup] = []
    by_channel: dict[tuple[str, str, str], list[Row]] = {}
    for (run, code), rows in by_run.items():
        if len(rows) == channels[run] > 1 or (
            len(rows) >= MANY_CHANNELS and len({_of_all(row, code) for row in rows}) == 1
        ):
            positions = tuple(row["position"] for row in rows)
            sentence, severity = _of_all(rows[0], code), _severity(rows, code)
            groups.append(ReasonGroup(code, rows[0]["session"], (run,), positions, sentence, severity, channels[run]))
            continue
        for row in rows:
            by_channel.setdefault((row["session"], row["position"], code), []).append(row)
    for (session, position, code), rows in by_channel.items():
        runs = tuple(row["run"] for row in rows)
        severity = _severity(rows, code)
        groups.append(ReasonGroup(code, session, runs, (position,), _joint_sentence(rows, code), severity))
    return sorted(groups, key=lambda group: (SEVERITY[group.severity], group.code, group.runs, group.positions))


def _of_all(row: Row, code: str) -> str:
    """The sentence of a reason without the position that it is about."""
    return without_place(sentence_of(row, code), run=row["run"], position=row["position"])


def _severity(rows: Sequence[Row], code: str) -> str:
    """That of the code; a verdict set by hand is as severe as the verdict."""
    if code != "overruled":
        return severity_of(code)
    worst = min((row["verdict"] for row in rows), key=lambda verdict: SEVERITY.get(verdict, len(SEVERITY)))
    return worst if worst in SEVERITY else "note"


def _joint_sentence(rows: Sequence[Row], code: str) -> str:
    sentences = list(dict.fromkeys(_of_all(row, code) for row in rows))
    more = len(sentences) - 1
    return sentences[0] if more == 0 else f"{sentences[0]} (in {rows[0]['run']}; {more} more in the table of reasons)"


def _channels(tables: FinishedTables) -> list[Attention]:
    """Channels of measurements and backgrounds; what is wrong with calibrator recordings is said with the checks."""
    checked = {row["run"] for row in tables.checks}
    return [
        Attention(
            group.severity,
            group.where,
            printable(group.sentence),
            action_of(group.code),
            run_file(group.runs[0]) if len(group.runs) == 1 else QUALITY,
        )
        for group in reason_groups([row for row in tables.quality if row["run"] not in checked])
    ]


def _recordings(tables: FinishedTables) -> list[Attention]:
    """Unusable runs that the quality table says nothing of."""
    explained = {row["run"] for row in tables.quality if row["reasons"]}
    return [
        Attention(
            "unusable",
            f"run {row['run']}",
            "the recording cannot be used",
            "see the run's log",
            f"#{run_anchor(row['run'])}",
        )
        for row in tables.runs
        if row["status"] == "unusable" and row["run"] not in explained
    ]


@dataclass(frozen=True)
class _Said:
    """One sentence of a reason and the rows that say it, alike but for the position."""

    code: str
    words: str
    rows: tuple[Row, ...]

    def line(self, where: str) -> Attention:
        """The line of the list, with the place given."""
        return Attention(severity_of(self.code), where, printable(self.words), action_of(self.code), CALIBRATION)


def _gathered(rows: Iterable[Row], group: str) -> Iterator[_Said]:
    """Reasons of rows that share the column `group`, gathered where they say the same."""
    together: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        for code in row["reasons"] or ():
            words = without_place(sentence_of(row, code), position=row["position"])
            together.setdefault((row[group], code, words), []).append(row)
    for (_, code, words), own in sorted(together.items(), key=lambda item: item[0]):
        yield _Said(code, words, tuple(own))


def _calibration(tables: FinishedTables) -> list[Attention]:
    """Doubts of the decisions, sessions that say the same in one line; those of the checks are said with the checks."""
    of_checks = {(row["session"], row["position"], code) for row in tables.checks for code in row["reasons"] or ()}
    together: dict[tuple[str, str, tuple[str, ...]], list[_Said]] = {}
    for said in _gathered(tables.calibration, "session"):
        rows = [row for row in said.rows if (row["session"], row["position"], said.code) not in of_checks]
        if rows:
            kept = _Said(said.code, said.words, tuple(rows))
            places = tuple(row["position"] for row in rows)
            together.setdefault((said.code, said.words, places), []).append(kept)
    lines = []
    for (_, _, places), sessions in together.items():
        first = sessions[0].rows[0]
        sensors = {row["sensor"] for said in sessions for row in said.rows}
        sensor = f", sensor {first['sensor'] or 'not stated'}" if len(sensors) == 1 else ""
        when = f"session{'s' if len(sessions) > 1 else ''} {listed((s.rows[0]['session'] for s in sessions), 4)}"
        lines.append(sessions[0].line(f"{listed(places)}, {when}{sensor}"))
    return lines


def _checks(tables: FinishedTables) -> list[Attention]:
    """Calibrator checks that went wrong, gathered by run and reason."""
    return [
        said.line(f"check {said.rows[0]['run']}, {listed(row['position'] for row in said.rows)}")
        for said in _gathered(tables.checks, "run")
    ]


def _comparisons(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """Comparisons without any result: no runs to compare, or why the levels of those that there are tell nothing."""
    rows: dict[str, list[Row]] = {}
    for row in tables.comparisons:
        rows.setdefault(row["comparison"], []).append(row)
    lines = []
    for name, pair in campaign.settings.comparisons.items():
        own = rows.get(name, [])
        if any(map(is_given, own)):
            continue
        titles = f"{condition_title(campaign, pair.treatment)} and {condition_title(campaign, pair.reference)}"
        found = f"{titles} have no usable runs at one operating point"
        action = "run both conditions at the same speed and yaw"
        if reasons := Counter(row["why_not"] for row in own if row["why_not"]):
            why = reasons.most_common(1)[0][0]
            found, action = f"{titles}: {why}", "look at the reasons in the table of comparisons"
            if why == BOTH_BOUNDS:
                action = "measure with less background, or at a higher speed"
        lines.append(Attention("doubtful", f"comparison {name}", f"no result: {found}", action, COVERAGE))
    return lines


def used_states(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """Counts of states of the measurements that are used, with their `condition`; of no reference sensor."""
    rows: list[Row] = []
    for row in tables.band_states:
        if row["position"] in campaign.settings.background.references:
            continue
        run = tables.run_by_name.get(row["run"])
        if run is not None and run["kind"] == "measurement" and run["status"] == "used":
            rows.append({**row, "condition": run["condition"]})
    return rows


def _single_runs(tables: FinishedTables) -> list[Attention]:
    """Comparisons with a single run of a condition; where there are more, they cannot be put together."""
    single: dict[tuple[str, bool], set[str]] = {}
    for row in filter(is_given, tables.comparisons):
        for side in ("reference", "treatment"):
            if len(row[f"{side}_runs"] or ()) == 1:
                single.setdefault((row["comparison"], (row[f"{side}_available"] or 1) > 1), set()).add(
                    row["session_label"]
                )
    return [
        Attention(
            "note",
            f"comparison {name}, session {listed(sorted(sessions), 3)}",
            "a condition rests on one run at some operating points, its repeats being unusable, in doubt or without "
            "a background there"
            if more
            else "a condition has a single run at some operating points, so its interval rests on other repeats or on "
            "random error",
            "see quality and background of the repeats" if more else "repeat the run",
            comparison_place(name),
        )
        for (name, more), sessions in sorted(single.items())
    ]


def _air(tables: FinishedTables) -> list[Attention]:
    assumed = [row for row in tables.runs if row["air_assumed"] and row["status"] == "used"]
    if not assumed:
        return []
    names = sorted({name for row in assumed for name in row["air_assumed"]})
    return [
        Attention(
            "note",
            counted(len(assumed), "run"),
            f"{listed(names)} not given: standard values assumed",
            "enter the air of the day in the run table",
            f"#{run_anchor(assumed[0]['run'])}",
        )
    ]
