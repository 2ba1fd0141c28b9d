"""The explanation of one level of one run: all chapters of its chain, or the reason why it has none."""

from __future__ import annotations

from collections.abc import Mapping

from tapeline.campaign.plan import Plan
from tapeline.campaign.tables import Run
from tapeline.explain.asked_number import AskedItem, known_name
from tapeline.explain.background_chapter import background_chapter
from tapeline.explain.band_chapters import bands_chapter, factors_chapter, response_chapter, weighting_chapter
from tapeline.explain.explanation import Chapter, Explanation, Fact, Value
from tapeline.explain.level_chapters import (
    decisions_chapter,
    operating_point_chapter,
    size_chapter,
    uncertainty_chapter,
)
from tapeline.explain.made_results import require_made, shown
from tapeline.explain.measured_level import LevelRow, level_rows, level_table, measured_level, require_levels_made
from tapeline.explain.signal_path import (
    SignalPath,
    pascal_chapter,
    recording_chapter,
    sensitivity_chapter,
    signal_path,
    spectra_chapter,
)
from tapeline.jobs import sensitivity, spectra, verdicts
from tapeline.report.attention_range import SAID
from tapeline.report.wording import interval, operating_point, pascal


def explain_level(plan: Plan, run_name: str, position: str, item: AskedItem) -> Explanation:
    """Where the level of a run at a position comes from.

    Raises NotExplainedError for a position that is not fitted, and where the results are not made.
    """
    run = plan.campaign.runs[run_name]
    fitted = [row.position for row in plan.campaign.fittings_of(run.session)]
    known_name(f"position in session {run.session}", position, fitted)
    title = _title(plan, run, position, item)
    subject: dict[str, Value] = {"run": run_name, "position": position, "session": run.session, **item.columns}
    if (reason := _why_out(plan, run)) is not None:
        return Explanation(title, subject, (f"No level: {reason}.",), ())
    for job, key in ((spectra.JOB, run_name), (sensitivity.JOB, run.session), (verdicts.JOB, run.session)):
        require_made(plan, job, key)
    path = signal_path(plan, run_name, position)
    if path.spectrum is None:
        return Explanation(title, subject, _without_spectrum(path), _chapters_before(path, None))
    require_levels_made(plan, run_name)
    row = next(iter(level_rows(plan, run_name, position, item, [run_name])), None)
    if row is None or row["state"] is None:
        return Explanation(title, subject, _without_level(plan, run, row), _chapters_before(path, row))
    return Explanation(title, subject, _answer(plan, run_name, item, row), _chapters(plan, path, item, row))


def _title(plan: Plan, run: Run, position: str, item: AskedItem) -> str:
    point = plan.campaign.operating_points.get(run.run)
    at = f", {operating_point(*point, plan.settings.report.speed_unit)}" if point else ""
    condition = f", condition {run.condition}" if run.condition else ""
    words = item.words(plan.settings.bands.fraction)
    return f"Run {run.run} (session {run.session}{condition}{at}) at {position}, {words}"


def _why_out(plan: Plan, run: Run) -> str | None:
    """Why a run gives no level by what the run table says; None for a run that may give one."""
    where = f"{plan.settings.tables.runs}:{run.line}"
    remark = f" ({run.remark})" if run.remark else ""
    if not run.use:
        return f"the run table leaves {run.run} out, use is no{remark}; {where}"
    if run.run in plan.replaced:
        return f"{plan.replaced[run.run]} was taken in place of {run.run}{remark}; {where}"
    if run.kind == "calibration":
        return (
            f"{run.run} is a calibrator recording; the chapter sensitivity of a measurement shows its checks; {where}"
        )
    return None


def _without_spectrum(path: SignalPath) -> tuple[str, ...]:
    said = [sentence.rstrip(".") + "." for sentence in path.quality["sentences"]]
    codes = ", ".join(path.quality["reasons"]) or "no reason is stated"
    return (f"No level: the channel gave no spectrum ({codes}).", *said)


def _without_level(plan: Plan, run: Run, row: LevelRow | None) -> tuple[str, ...]:
    if row is None:
        return ("No level: none of the bands in the range asked for has a level at this position.",)
    said = [f"{SAID[mark][1]} ({mark}); {SAID[mark][2]}" if mark in SAID else mark for mark in row["marks"]]
    return (f"No level in this band: {'; '.join(said) or 'no reason is stated'}.",)


def _answer(plan: Plan, run: str, item: AskedItem, row: LevelRow) -> tuple[str, ...]:
    where = shown(plan, level_table(plan, run, item))
    reference = pascal(plan.settings.reference_pressure_pa)
    confidence = f"{100.0 * plan.settings.confidence:g} %"
    if row["corrected_level_db"] is None:
        said = f"At most {row['upper_bound_db']:.2f} dB re {reference}: an upper bound, the background leaves no level."
        return (said, f"Column upper_bound_db of {where}.")
    ends = interval(row["absolute_lower_db"], row["absolute_upper_db"], 2)
    nominal = ""
    if plan.settings.compare.at_nominal and row["nominal_level_db"] is not None:
        taken = ", as comparisons take it" if plan.used[run].kind == "measurement" else ""
        nominal = f" At the nominal speed and air{taken}: {row['nominal_level_db']:.2f} dB."
    doubt = "" if row["usable"] else " Not usable: see the last chapter."
    return (
        f"{row['corrected_level_db']:.2f} dB re {reference} ({confidence} interval as an absolute level {ends}), state "
        f"{row['state']}.{nominal}{doubt}",
        f"Column corrected_level_db of {where}.",
    )


def _chapters_before(path: SignalPath, row: LevelRow | None) -> tuple[Chapter, ...]:
    """What is known of a channel that has no level in the band."""
    chapters = [recording_chapter(path), pascal_chapter(path), sensitivity_chapter(path)]
    if row is not None:
        chapters += [spectra_chapter(path), _limits_chapter(path, row)]
    return (*chapters, decisions_chapter(path.plan, path.quality, path.calibration, row))


def _limits_chapter(path: SignalPath, row: Mapping[str, Value]) -> Chapter:
    bands = path.plan.settings.bands
    parts = (
        Fact("lower_hz", "band from", row["lower_hz"], "Hz"),
        Fact("upper_hz", "to", row["upper_hz"], "Hz"),
        Fact("lines", "lines in the band", row["lines"], source=f"least: {bands.least_lines:g}, bands.least_lines"),
        Fact("averaged_s", "time averaged", path.spectrum["averaged_s"] if path.spectrum else None, "s"),
        Fact(
            "least_bandwidth_time",
            "least bandwidth times time",
            bands.least_bandwidth_time,
            source="bands.least_bandwidth_time",
        ),
        Fact("highpass_hz", "high-pass before the recorder", path.fitting.highpass_hz, "Hz"),
        Fact("lowpass_hz", "low-pass before the recorder", path.fitting.lowpass_hz, "Hz"),
    )
    return Chapter("limits", "What a band needs", parts)


def _chapters(plan: Plan, path: SignalPath, item: AskedItem, row: LevelRow) -> tuple[Chapter, ...]:
    level = measured_level(plan, path.run, path.channel.position, item)
    chapters = [
        factors_chapter(level, path, row),
        recording_chapter(path),
        pascal_chapter(path),
        sensitivity_chapter(path),
        spectra_chapter(path),
        response_chapter(level, path),
        bands_chapter(level, row),
        background_chapter(level, row),
        *([weighting_chapter(row)] if level.b is not None else []),
        operating_point_chapter(level, row),
        size_chapter(level, path, row),
        uncertainty_chapter(level, path, row),
        decisions_chapter(plan, path.quality, path.calibration, row),
    ]
    return tuple(chapter for chapter in chapters if chapter is not None)
