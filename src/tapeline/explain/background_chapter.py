"""The chapter on what is subtracted from a level: background runs, margin, state, and the bound where none is left."""

from __future__ import annotations

import math

import numpy as np

from tapeline.acoustics.background import correction_db
from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER, level_db
from tapeline.explain.explanation import Chapter, Fact, Heading, Listing, Part
from tapeline.explain.measured_level import LevelRow, MeasuredLevel
from tapeline.explain.signal_path import SignalPath, signal_path
from tapeline.jobs.tables.run_background import SpeedGroup
from tapeline.report.wording import speed

RUN_HEADINGS = (
    Heading("run", "run"),
    Heading("files", "recording"),
    Heading("sample_format", "samples"),
    Heading("channel", "channel"),
    Heading("sensor", "sensor"),
    Heading("speed", "speed"),
    Heading("gain_db", "gain", "dB"),
    Heading("polarity", "polarity"),
    Heading("pa_per_full_scale", "full scale", "Pa"),
    Heading("mean_pa", "mean", "Pa"),
    Heading("blocks", "blocks"),
    Heading("level_db", "level", "dB"),
    Heading("used", "used"),
    Heading("why_not", "why not"),
)

KINDS = {
    "flow": "background runs at the run's speed",
    "between-speeds": "a power law between background runs at two speeds",
    "electrical": "wind-off runs: the electrical part alone",
}


def background_chapter(level: MeasuredLevel, row: LevelRow) -> Chapter:
    """Which background runs, their mean, the margin, and what is subtracted under which limits."""
    settings, result = level.job.needs.background, level.result
    found = level.session_run.backgrounds
    kind = level.measured.background.kind
    unit = level.plan.settings.report.speed_unit
    parts: list[Part] = [
        Fact("state", "state", row["state"], source=state_rule(level, row["state"])),
        Fact(
            "background_source",
            "what there was to subtract",
            row["background_source"],
            source=KINDS.get(kind or "", ""),
        ),
    ]
    if found.at_mps and kind is not None:
        parts.append(Fact("at_mps", "stands for the speed", found.at_mps, "m/s", speed(found.at_mps, unit)))
    rows = tuple(each for group in level.measured.background.groups for each in _run_rows(level, group, unit))
    if rows:
        parts.append(
            Listing(
                "runs", "Background runs, from counts to levels as in the chapters above", RUN_HEADINGS, rows, "columns"
            )
        )
    parts += [f"Refused: {refusal}." for refusal in found.refused]
    if row["background_pa2"] is not None:
        parts += _mean_facts(level, row)
    if row["electrical_level_db"] is not None:
        floor = ", ".join(level.measured.background.floor.names) if level.measured.background.floor else ""
        parts.append(Fact("electrical_level_db", "level with the wind off", row["electrical_level_db"], "dB", floor))
    if row["coherent_pa2"] is not None:
        heard = ", ".join(level.measured.run.references)
        parts += [
            Fact("coherent_level_db", "coherent with references", row["coherent_level_db"], "dB", heard),
            Fact("kept_pa2", "P: total less the coherent part", level.at(result.kept), "Pa^2"),
        ]
    if row["margin_db"] is not None:
        needed = level.at(result.needed_margin_db)
        parts += [
            Fact("margin_db", "margin: total above all that is subtracted", row["margin_db"], "dB"),
            Fact(
                "no_correction_above_db",
                "clear from",
                settings.no_correction_above_db,
                "dB",
                "background.no_correction_above_db",
            ),
            Fact("enough_margin_db", "corrected from", settings.enough_margin_db, "dB", "background.enough_margin_db"),
            Fact("least_margin_db", "limited from", settings.least_margin_db, "dB", "background.least_margin_db"),
        ]
        if math.isfinite(needed):
            parts.append(
                Fact(
                    "needed_margin_db",
                    "a level is stated from",
                    needed,
                    "dB",
                    "least_margin_db, or more where chance makes that much",
                )
            )
    if row["corrected_level_db"] is not None:
        parts += _corrected_facts(level, row)
    elif row["upper_bound_db"] is not None:
        parts += _bound_facts(level, row)
    return Chapter("background", "Background", tuple(parts))


def state_rule(level: MeasuredLevel, state: str | None) -> str:
    """Why the level has its state, in a sentence with the limits."""
    b = level.job.needs.background
    rules = {
        "clear": f"margin from {b.no_correction_above_db:g} dB on: nothing is subtracted",
        "corrected": f"margin from {b.enough_margin_db:g} to {b.no_correction_above_db:g} dB: it is subtracted",
        "limited": f"margin below {b.enough_margin_db:g} dB: subtracted, with little margin",
        "bound": "the margin is smaller than a level needs: only an upper bound is known",
        "none": "there is no background to subtract",
    }
    if level.b is None and state == "bound":
        return f"bounds carry more than {b.bound_share:g} of the sum (background.bound_share)"
    if level.b is None and state == "clear":
        return f"{rules['clear']} from the sum as a whole; each band has its own state"
    return rules.get(state or "", "")


def _run_rows(level: MeasuredLevel, group: SpeedGroup, unit: str) -> list[dict[str, object]]:
    """One row a background run: how its counts become pascal, its own level, and whether it counts."""
    reference, rows = level.job.needs.reference_pressure_pa, []
    for name, spectra, used in zip(group.names, group.spectra, group.used[:, level.p], strict=True):
        path = signal_path(level.plan, name, level.position)
        power = level.sums(spectra).power[level.p][level.places].sum()
        why_not = "" if used else f"{path.quality['verdict']}, or refused here"
        rows.append(
            _path_cells(path)
            | {
                "speed": speed(group.speed_mps, unit),
                "level_db": float(level_db(power, reference)) if used else None,
                "used": bool(used),
                "why_not": why_not,
            }
        )
    return rows


def _path_cells(path: SignalPath) -> dict[str, object]:
    spectrum = path.spectrum
    return {
        "run": path.run,
        "files": list(path.source.paths),
        "sample_format": path.recording.kind if path.recording else None,
        "channel": path.channel.channel,
        "sensor": path.channel.sensor,
        "gain_db": path.gain_db,
        "polarity": path.channel.polarity,
        "pa_per_full_scale": path.pa_per_unit,
        "mean_pa": path.quality["mean_pa"],
        "blocks": spectrum["blocks"] if spectrum else None,
        "first_frame": path.first_frame,
        "frames": path.quality["frames"],
    }


def _mean_facts(level: MeasuredLevel, row: LevelRow) -> list[Part]:
    parts: list[Part] = [
        Fact("background_pa2", "mean square of the background", row["background_pa2"], "Pa^2"),
        Fact("background_level_db", "level of the background", row["background_level_db"], "dB"),
    ]
    for group in level.measured.background.groups:
        scatter = DB_PER_RELATIVE_POWER * math.sqrt(float(group.scatter.relative_variance[level.p]))
        degrees = float(group.scatter.degrees_of_freedom[level.p])
        told = f"{', '.join(group.names)}; background.repeat_sd_db counts too, {degrees:g} degrees of freedom in all"
        parts.append(Fact("scatter_db", "scatter of a background from run to run", scatter, "dB", told))
    parts += _gain_facts(level)
    half = level.at(level.result.half_width)
    if half > 0.0:
        parts.append(Fact("half_width_pa2", "background may be off by", half, "Pa^2", "other gain, or a tone of both"))
    if len(level.measured.background.groups) > 1:
        parts.append("The background at the run's speed is P1 (P2/P1)^a in each band, a = ln(U/U1) / ln(U2/U1).")
    return parts


def _gain_facts(level: MeasuredLevel) -> list[Part]:
    """What bringing a background of another gain to the run's gain changes of its electrical part."""
    found, changes = level.measured.background, level.gain_change_pa2
    steps = [step for step in found.gain_steps if np.isfinite(step.more_db[level.p]) and step.used[level.p]]
    if changes is None:
        return []
    parts: list[Part] = []
    for step in steps:
        floor = ", ".join(step.floor.names) if step.floor else "none"
        own = ", ".join(found.floor.names) if found.floor else "none"
        told = f"wind-off runs at that gain: {floor}; at the run's: {own}"
        parts.append(Fact("gain_more_db", "gain of background above run", float(step.more_db[level.p]), "dB", told))
    changed = float(changes[level.places].sum())
    why = "electrical part brought to the run's gain; half-way where one wind-off level tells"
    return [*parts, Fact("gain_change_pa2", "added to the mean of the runs", changed, "Pa^2", why)]


def _corrected_facts(level: MeasuredLevel, row: LevelRow) -> list[Part]:
    """K1 as subtracted, or as it was not worth subtracting."""
    parts: list[Part] = []
    subtracted = row["level_db"] - row["corrected_level_db"]
    if row["margin_db"] is not None:
        k1 = float(correction_db(np.array(row["margin_db"])))
        left = "not subtracted: the state is clear" if row["state"] == "clear" and level.b is not None else ""
        parts.append(Fact("k1_db", "K1 = -10 lg(1 - 10^(-margin/10))", k1, "dB", left))
    return [
        *parts,
        Fact(
            "subtracted_db",
            "subtracted",
            subtracted,
            "dB",
            "" if level.b is not None else "sum of bands, each by its own state",
        ),
        Fact("corrected_pa2", "corrected mean square", row["corrected_pa2"], "Pa^2"),
        Fact("corrected_level_db", "corrected level", row["corrected_level_db"], "dB"),
        Fact("corrected_lower_db", "its interval by run and background, from", row["corrected_lower_db"], "dB"),
        Fact("corrected_upper_db", "to", row["corrected_upper_db"], "dB"),
    ]


def _bound_facts(level: MeasuredLevel, row: LevelRow) -> list[Part]:
    """How far above the difference the bound lies; where the background is louder it is the run's own upper end."""
    result, limits = level.result, level.job.limits
    louder = bool(level.at(result.louder))
    kept, below = level.at(result.kept), level.at(result.below)
    run_dof = _degrees_of_freedom(kept, level.at(result.variance))
    bound = [Fact("upper_bound_db", "upper bound", row["upper_bound_db"], "dB")]
    factor = "background.bound_factor"
    common: list[Part] = [
        Fact(
            "louder",
            "background taken for another one",
            louder,
            source="louder than the run beyond chance, or close by",
        ),
        Fact(
            "bound_probability",
            "one-sided probability",
            limits.bound_probability,
            source=f"normal law, {factor} {limits.bound_factor:g}",
        ),
        Fact("run_degrees_of_freedom", "degrees of freedom of the run", run_dof, source="2 P^2 / variance"),
    ]
    if level.b is None:
        left, half = float(level.added_pa2.sum()), level.at(result.half_width)
        reach = level.at(result.upper_bound) - left - half
        return [
            *common,
            Fact("sum_pa2", "sum of what bands add", left, "Pa^2", "chapter Sum of lines and bands"),
            Fact("sum_half_width_pa2", "their backgrounds may be off by", half, "Pa^2"),
            Fact("reach_pa2", "to the upper end of the sum", reach, "Pa^2", "and what bounds of bands have on top"),
            *bound,
            "Bound = the sum of these three; the interval is that of the range as one band.",
        ]
    if louder:
        return [
            *common,
            *bound,
            "The bound is the upper end of the run's own power: P x degrees of freedom / chi-square quantile at "
            "1 - probability.",
        ]
    below_dof = _degrees_of_freedom(below, level.at(result.below_variance))
    tail = level.at(result.chosen.tail_of_bound(1.0 - limits.bound_probability))
    return [
        *common,
        Fact(
            "background_degrees_of_freedom",
            "degrees of freedom of the background",
            below_dof,
            source="2 B^2 / variance, scatter included",
        ),
        Fact(
            "tail",
            "upper tail of the bound",
            tail,
            source="1 - probability, less close to the margin that a level needs",
        ),
        *bound,
        "Bound = max(0, P - B) + what the background may be off by + sqrt((P_high - P)^2 + (B - B_low)^2).",
        "P_high = P x degrees of freedom / chi-square quantile at the tail; B_low = B x degrees of freedom / "
        "chi-square quantile at 1 - tail.",
    ]


def _degrees_of_freedom(power: float, variance: float) -> float | None:
    """Of a scaled chi-square with this mean and variance; None, infinite, for a power that is certain."""
    return 2.0 * power**2 / variance if variance > 0.0 else None
