"""All that was read of a campaign, before it is known to hold together."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from tapeline.campaign.faults import Fault
from tapeline.campaign.settings_source import SettingsSource
from tapeline.campaign.table_source import TableRows
from tapeline.campaign.tables import Calibrator, Cavity, Fitting, LeftOut, Override, Position, Run, Sensor

ChannelCount: TypeAlias = Callable[[Path], int | None]


@dataclass(frozen=True)
class Material:
    """Settings and tables with what the checks find in them. `source` is None where campaign.yaml cannot be read."""

    root: Path
    source: SettingsSource | None
    runs: TableRows[Run]
    positions: TableRows[Position]
    fittings: TableRows[Fitting]
    sensors: TableRows[Sensor]
    calibrators: TableRows[Calibrator]
    cavities: TableRows[Cavity]
    overrides: TableRows[Override]
    left_out: TableRows[LeftOut]
    bad_cells: frozenset[tuple[str, int | None, int | str | None]]
    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)

    def note(self, fault: Fault) -> None:
        """Keep a fault, unless its cell could not be read in the first place."""
        if fault.cell not in self.bad_cells:
            self.faults.append(fault)

    def note_unknown(
        self,
        table: TableRows[Any],
        line: int,
        column: str,
        name: str | None,
        known: Collection[str] | None,
        expected: str,
    ) -> bool:
        """Note a name that is none of those known, None where these cannot be read; returns whether it is such."""
        if not name or known is None or name in known:
            return False
        self.note(table.unknown(line, column, name, known, expected))
        return True

    @property
    def fitted_sensors(self) -> frozenset[str]:
        """The sensors that the fittings name."""
        return frozenset(self.fittings.names("sensor"))
