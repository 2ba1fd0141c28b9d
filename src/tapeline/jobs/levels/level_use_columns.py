"""The columns of the tables of levels that say what doubts a level and what it may be used for."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.jobs.cell_values import lists_of_names
from tapeline.jobs.levels.column_codes import any_in_lists, by_value, codes_of, combinations
from tapeline.limits import HANN_HALF_LOBE_LINES, MAINS_BANDS_POWER_SHARE
from tapeline.quality.use_of_levels import (
    BACKGROUND_DOUBTS,
    NOT_SUBTRACTED,
    LevelUse,
    doubts_level,
    doubts_of,
    level_use,
)
from tapeline.store import tables

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow, QualityRow

HUM, SPIKES = "hum", "spikes"

SET_BY_HAND = "overruled"

SUBTRACTED = ("corrected", "limited", "bound")
"""States in which the background makes a difference."""


@dataclass(frozen=True)
class ChannelDoubts:
    """Why the levels of one channel in one run are doubtful. `hum_hz` are its mains lines that are not left out.

    `codes` holds the reasons of its quality and of its calibration, once each; `reach_hz` is how far a line reaches.
    """

    codes: tuple[str, ...]
    hum_hz: tuple[float, ...]
    reach_hz: float

    def reached(self, lower_hz: Reals, upper_hz: Reals) -> NDArray[np.bool_]:
        """Which bands a mains line reaches, (bands,)."""
        lines = np.array(self.hum_hz)[:, None]
        return np.asarray(((lines >= lower_hz - self.reach_hz) & (lines <= upper_hz + self.reach_hz)).any(axis=0))

    def of(self, hum: Flags) -> dict[str, Flags]:
        """For each reason the levels that it holds for; `hum` says which ones hum reaches, both (levels,)."""
        return {code: hum if code == HUM else np.ones_like(hum) for code in self.codes}


def channel_doubts(
    quality: QualityRow,
    calibration: CalibrationRow,
    line_spacing_hz: float,
    left_out_hz: Sequence[tuple[float, float]],
    *,
    spikes_left_out: bool,
) -> ChannelDoubts:
    """From a channel's rows of the quality and calibration tables; a verdict set by hand replaces what was found.

    Mains lines within the ranges that are left out by hand, and spikes that are not averaged, doubt nothing.
    """
    if quality.get("overruled_by"):
        found = [SET_BY_HAND] if quality["verdict"] == "doubtful" else []
    else:
        found = doubts_of(quality.get("reasons") or ())
    codes = dict.fromkeys([*found, *doubts_of(calibration.get("reasons") or ())])
    if spikes_left_out:
        codes.pop(SPIKES, None)
    lines = tuple(f for f in quality.get("hum_hz") or () if not any(low <= f <= high for low, high in left_out_hz))
    return ChannelDoubts(tuple(codes), lines, HANN_HALF_LOBE_LINES * line_spacing_hz)


def doubt_column(channels: Sequence[ChannelDoubts], hum: Flags, marks: Mapping[str, Flags]) -> pa.ListArray:
    """All that makes levels doubtful, (channels x levels,): the reasons of the channel, then marks of the background.

    `hum` says which levels a mains line reaches, the flags of `marks` where each mark is; all (channels, levels).
    """
    of_background = {mark: flags for mark, flags in marks.items() if mark in BACKGROUND_DOUBTS}
    parts = [
        lists_of_names(channel.of(hum[p]) | {mark: flags[p] for mark, flags in of_background.items()}, hum.shape[1])
        for p, channel in enumerate(channels)
    ]
    return pa.concat_arrays(parts)


def hum_in_sum(channel: ChannelDoubts, lower_hz: Reals, upper_hz: Reals, powers: Reals) -> bool:
    """Whether the bands that hum reaches carry enough of a sum's power to doubt it; all (bands,)."""
    share = powers[channel.reached(lower_hz, upper_hz)].sum() / max(float(powers.sum()), np.finfo(float).tiny)
    return bool(share >= MAINS_BANDS_POWER_SHARE)


def undecided(levels: int) -> dict[str, pa.Array]:
    """The columns of the use of so many levels before `with_use` fills them."""
    return {field.name: pa.nulls(levels, pa.bool_()) for field in dataclasses.fields(LevelUse)}


def with_use(parts: Sequence[pa.Table], item: Sequence[str], cells: Mapping[str, int]) -> list[pa.Table]:
    """The levels of a session's runs, a table each, with the columns of their use filled in.

    `item` names the columns that tell a position's levels apart, `cells` numbers the repeats of each run. Without a
    column `background_source` nothing is subtracted from the levels.
    """
    if not parts:
        return []
    whole = pa.concat_tables(parts)
    at = combinations(*(codes_of(whole[name]) for name in item))
    run = by_value(whole["run"], cells.__getitem__, np.intp)
    if "background_source" in whole.column_names:
        stated = [whole[name].is_valid().to_numpy() for name in ("corrected_level_db", "upper_bound_db")]
        source = by_value(whole["background_source"], lambda name: background_source_rank([name])[0], np.intp)
        subtracted = by_value(whole["state"], lambda state: state in SUBTRACTED, bool)
    else:
        stated = [whole["level_db"].is_valid().to_numpy()]
        source, subtracted = np.zeros(whole.num_rows, dtype=np.intp), np.zeros(whole.num_rows, dtype=bool)
    sound = [by_value(whole[name], lambda verdict: verdict != "unusable", bool) for name in ("quality", "calibration")]
    use = level_use(
        usable=np.any(stated, axis=0) & np.all(sound, axis=0),
        doubted=any_in_lists(whole["doubt"], lambda code: doubts_level([code])),
        only_background=~any_in_lists(whole["doubt"], lambda code: code not in NOT_SUBTRACTED and doubts_level([code])),
        background_source=source,
        subtracted=subtracted,
        cell=combinations(run, codes_of(whole["position"]), at),
        item=at,
    )
    ends = np.cumsum([part.num_rows for part in parts])
    return [_filled(part, use, slice(end - part.num_rows, end)) for part, end in zip(parts, ends, strict=True)]


def _filled(part: pa.Table, use: LevelUse, rows: slice) -> pa.Table:
    for field in dataclasses.fields(use):
        place = part.schema.get_field_index(field.name)
        part = part.set_column(place, part.schema.field(place), pa.array(getattr(use, field.name)[rows]))
    return part


def background_source_rank(names: Sequence[str | None]) -> NDArray[np.int64]:
    """How much there was to subtract; a background between two measured speeds counts as one of its speed."""
    ranks = {
        name: tables.BACKGROUND_SOURCES.index(name.replace("between-speeds", "flow"))
        for name in tables.BACKGROUND_SOURCES
    }
    return np.array([ranks.get(name or "", 0) for name in names], dtype=np.int64)
