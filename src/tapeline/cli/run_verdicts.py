"""What is said of a run or a session as soon as its tables are there: the verdict, and of what is amiss why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from tapeline.campaign.plan import Plan
from tapeline.jobs.sensitivity import calibration_file
from tapeline.jobs.spectra import quality_file
from tapeline.jobs.verdicts import verdicts_file
from tapeline.quality.reasons import FILE_FAULTS, ORDER, REASONS
from tapeline.report.wording import counted, operating_point
from tapeline.store import parquet
from tapeline.store.tables import CALIBRATION, QUALITY

COLUMNS = ["position", "verdict", "reasons", "sentences"]
BY_HAND = ["overruled_by", "override_reason"]
MOST_SENTENCES = 3

Said = tuple[str, dict[str, Any]]
"""A text for people and the same in values."""


def run_said(plan: Plan, run: str) -> Said:
    """The verdict on a run by its own recording."""
    rows = parquet.read_rows(QUALITY, quality_file(plan.results, run), COLUMNS)
    verdict, found = _found(rows)
    values = {"run": run, "verdict": verdict, "channels": len(rows), "found": found}
    if fault := next((each for each in found if each["reason"] in FILE_FAULTS), None):
        sentence, action = fault["sentence"].removeprefix(f"run {run}: "), REASONS[fault["reason"]].action
        return f"{run}  left out: {sentence}; {action}", {**values, "left_out": True}
    return f"{run}  {_words(rows, 'channel')}  ({_what(plan, run)}){_why(found)}", {**values, "left_out": False}


def verdicts_said(plan: Plan, session: str) -> list[Said]:
    """The runs of a session whose verdict the other channels and runs made worse, or a verdict by hand changed."""
    by_run: dict[str, list[Any]] = {}
    for row in parquet.read_rows(QUALITY, verdicts_file(plan.results, session), ["run", *COLUMNS, *BY_HAND]):
        by_run.setdefault(row["run"], []).append(row)
    said = []
    for run in plan.recordings_of(session):
        own = {row["position"]: row for row in parquet.read_rows(QUALITY, quality_file(plan.results, run), COLUMNS)}
        changed = [row for row in by_run.get(run, []) if row["verdict"] != own[row["position"]]["verdict"]]
        if changed:
            verdict, found = _found(changed)
            found += [_by_hand(row) for row in changed if row["overruled_by"]]
            words = f"{run}  {_words(changed, 'channel')}, judged with the whole session{_why(found)}"
            said.append((words, {"run": run, "verdict": verdict, "channels": len(changed), "found": found}))
    return said


def sensitivities_said(plan: Plan, session: str) -> Said:
    """The verdicts on the sensitivities of a session."""
    rows = parquet.read_rows(CALIBRATION, calibration_file(plan.results, session), COLUMNS)
    verdict, found = _found(rows)
    values = {"session": session, "verdict": verdict, "sensors": len(rows), "found": found}
    return f"{session}  calibrated: {_words(rows, 'sensor')}{_why(found)}", values


def _found(rows: Iterable[Any]) -> tuple[str, list[dict[str, str]]]:
    """The worst verdict, and every reason that leads to one."""
    verdict, found = "good", []
    for row in rows:
        verdict = max(verdict, row["verdict"], key=ORDER.__getitem__)
        for code, sentence in zip(row["reasons"], row["sentences"], strict=True):
            if row["verdict"] != "good" and REASONS[code].verdict != "good":
                found.append({"position": row["position"], "reason": code, "sentence": sentence})
    return verdict, found


def _by_hand(row: Any) -> dict[str, str]:
    sentence = f"{row['verdict']} by hand: {row['override_reason']} ({row['overruled_by']})"
    return {"position": row["position"], "reason": "by hand", "sentence": sentence}


def _words(rows: Sequence[Any], noun: str) -> str:
    """How many are good, and how many not."""
    counts = {verdict: sum(row["verdict"] == verdict for row in rows) for verdict in ("unusable", "doubtful")}
    amiss = [(count, verdict) for verdict, count in counts.items() if count]
    if not amiss:
        return f"good, {counted(len(rows), noun)}"
    (first, verdict), *others = amiss
    said = [f"{first} of {counted(len(rows), noun)} {verdict}", *(f"{count} {verdict}" for count, verdict in others)]
    return ", ".join(said)


def _why(found: Sequence[dict[str, str]]) -> str:
    """The first sentences on what is amiss."""
    sentences = list(dict.fromkeys(f"{each['position']}: {_bare(each)}" for each in found))
    more = len(sentences) - MOST_SENTENCES
    shown = [*sentences[:MOST_SENTENCES], *([f"and {more} more in the report"] if more > 0 else [])]
    return "".join(f"\n      {sentence}" for sentence in shown)


def _bare(each: dict[str, str]) -> str:
    return each["sentence"].removeprefix(f"position {each['position']}").lstrip(": ")


def _what(plan: Plan, run: str) -> str:
    """What a run is: kind or condition, and operating point."""
    row = plan.used[run]
    names: list[str] = [row.kind] if row.kind != "measurement" else []
    names += [row.condition] if row.condition else []
    point = operating_point(row.speed_mps, row.yaw_deg, plan.settings.report.speed_unit)
    return ", ".join([*names, *([point] if row.speed_mps is not None else [])])
