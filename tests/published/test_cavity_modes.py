"""Modes of cavities against published and worked frequencies."""

from __future__ import annotations

import math

import pytest

from reference_tables import reference_rows
from tapeline.acoustics.cavity_modes import (
    CavityInputs,
    cavity_modes,
    depth_hz,
    matched,
    modified_rossiter_hz,
    mouth_m,
    neck_hz,
    rossiter_hz,
)

ROWS = reference_rows("cavity_modes.csv")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['formula']} {row['order']} {row['value']}")
def test_frequency(row: dict[str, str]) -> None:
    order, value = int(row["order"]), {name: float(cell) for name, cell in row.items() if name != "formula"}
    flow = (order, value["speed_mps"], value["length_m"], value["mach"], value["lag"])
    opening = math.pi * value["radius_m"] ** 2
    found = {
        "rossiter": lambda: rossiter_hz(*flow),
        "modified": lambda: modified_rossiter_hz(*flow),
        "neck": lambda: neck_hz(value["volume_m3"], opening, value["neck_m"], value["sound_speed_mps"], value["ends"]),
        "depth": lambda: depth_hz(order, value["depth_m"], value["sound_speed_mps"]),
        "mouth": lambda: depth_hz(
            order, value["depth_m"], value["sound_speed_mps"], mouth_m(value["length_m"], value["depth_m"])
        ),
    }[row["formula"]]()
    assert found == pytest.approx(value["value"], abs=value["within"])


def test_a_measured_deep_cavity() -> None:
    """M219 at Mach 0.85, L 0.508 m, D and W 0.1016 m: 135, 350, 590 and 820 Hz measured (from memory, within 10 Hz).

    U / L = 544 1/s as quoted with them. One to one within the bands of the shear-layer modes 1 to 4.
    """
    speed = 544.0 * 0.508
    known = CavityInputs(0.508, 0.1016, 0.1016, None, None, None, speed, speed / 0.85)
    modes = cavity_modes(known, 0.01, 0.005, 0.002)
    matches = matched([135.0, 350.0, 590.0, 820.0], modes, 1.96)
    assert [modes[match.mode].name if match.mode is not None else None for match in matches] == [
        f"shear-layer {order}" for order in (1, 2, 3, 4)
    ]
