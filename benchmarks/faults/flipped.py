"""Single bits turned over in every kind of file, and tables that are edited or exchanged by hand."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
from cases import CHECK, Bases, Case
from changed_inputs import CHECKED, DONE, write_unseen
from commands import Place
from planted_campaign import FILES, RECORDINGS

TITLE = "Flipped bits, tables changed by hand"
SEED = 20_260_415
VERIFY = ("verify", "{campaign}")
VERIFY_FINDS = (4,)
"""Status of `tapeline verify` where a file is not as it was made."""

FLIPS_A_TABLE = 6
EDITED = "results/tables/comparisons.parquet"
PARTS = ("its first bytes", "its middle", "its last bytes")
INTERMEDIATE = (
    "results/calibration/checks/april.parquet",
    "results/calibration/judged/april.parquet",
    "results/calibration/april.parquet",
    "results/quality/m1.parquet",
    "results/verdicts/april.parquet",
    "results/spectra/m1/spectra.parquet",
    "results/spectra/m1/history.parquet",
    "results/spectra/m1/flow_bins.parquet",
)
READ_BY_OTHERS = (
    *(f"results/tables/{name}/session=april/part-0.parquet" for name in ("bands", "overall", "narrowband")),
    "results/tables/calibration.parquet",
    "results/tables/quality.parquet",
    "results/tables/comparisons.parquet",
)
MADE_OF_OTHERS = {
    "results/calibration/checks/april.parquet": ("results/calibration/april.parquet", "results/quality/m1.parquet"),
    "results/calibration/judged/april.parquet": ("results/tables/checks.parquet",),
    "results/calibration/april.parquet": (
        "results/tables/calibration.parquet",
        "results/tables/bands/session=april/part-0.parquet",
    ),
    "results/quality/m1.parquet": ("results/verdicts/april.parquet",),
    "results/verdicts/april.parquet": (
        "results/tables/quality.parquet",
        "results/tables/bands/session=april/part-0.parquet",
    ),
    **{
        f"results/spectra/m1/{name}.parquet": ("results/tables/bands/session=april/part-0.parquet",)
        for name in ("spectra", "history", "flow_bins")
    },
    "results/pressure/m1.arrow": ("results/spectra/m1/spectra.parquet",),
    "results/tables/comparisons.parquet": ("results/report.html",),
    "results/tables/quality.parquet": ("results/report.html",),
    "results/manifest.json": ("results/report.html",),
}
"""What is deleted, so that the next run makes it anew of the file with the flipped bit."""

Flip = Callable[[bytes], bytes]


def flipped(part: str, number: int) -> Flip:
    """One bit turned over: at random among the first 16 bytes, the last 16, or between."""
    draw = random.Random(SEED + number)

    def flip(content: bytes) -> bytes:
        bounds = {PARTS[0]: (0, 16), PARTS[1]: (16, len(content) - 16), PARTS[2]: (len(content) - 16, len(content))}
        low, high = bounds[part]
        at = draw.randrange(max(low, 0), min(max(high, low + 1), len(content)))
        return content[:at] + bytes([content[at] ^ (1 << draw.randrange(8))]) + content[at + 1 :]

    return flip


def cases(bases: Bases, quick: bool) -> list[Case]:
    """No flipped bit gets into another result, and `tapeline verify` finds each in the results."""
    found = [*_results_flips(bases), *_by_hand(bases), *_input_flips()]
    return found[::12] if quick else found


def _results_flips(bases: Bases) -> list[Case]:
    tables = sorted(
        path.relative_to(bases.finished).as_posix() for path in bases.finished.glob("results/tables/**/*.parquet")
    )
    found = []
    for name in (*INTERMEDIATE, *tables, "results/manifest.json", "results/report.html"):
        for number, part in enumerate(PARTS):
            found.append(
                _verified(
                    f"a bit of {name}, its times set back",
                    partial(write_unseen, name=name, change=flipped(part, number)),
                    name,
                )
            )
    for name in (*INTERMEDIATE, *READ_BY_OTHERS, "results/manifest.json", "results/pressure/m1.arrow"):
        away = MADE_OF_OTHERS.get(name, ("results/tables/ranking.parquet",))
        for number, part in enumerate(PARTS[1:] if name.endswith(".arrow") else PARTS[1:2]):
            found.append(
                Case(
                    f"a bit in {part.removeprefix('its ')} of {name}, and what is made of it deleted",
                    partial(_flip_and_delete, name=name, change=flipped(part, 10 + number), away=away),
                    (0, 1),
                    rf"{DONE}|{Path(name).name}",
                    start="kept" if name.endswith(".arrow") else "finished",
                    then_says=DONE,
                )
            )
    log = "results/logs/spectra/m1.log"
    found.append(Case(f"a bit of {log}", partial(_write_log, name=log), says=DONE, then_says=DONE, unharmed=True))
    return found


def _verified(fault: str, plant: Callable[[Place], None], name: str) -> Case:
    return Case(fault, plant, VERIFY_FINDS, Path(name).name, command=VERIFY, again=False, bare=True)


def _by_hand(bases: Bases) -> list[Case]:
    found = []
    for fault, plant in (
        ("5 dB added to all differences in tables/comparisons.parquet by pyarrow", _add_5_db),
        ("tables/comparisons.parquet replaced by another campaign's", partial(_exchange, neighbour=bases.neighbour)),
    ):
        found.append(_verified(f"{fault}; `tapeline verify`", plant, EDITED))
        found.append(Case(f"{fault}; `tapeline run`", plant, (0, 1), r"comparisons\.parquet", then_says=DONE))
    return found


def _input_flips() -> list[Case]:
    found = []
    names = [*(f"recordings/{name}" for name in RECORDINGS), "recordings/m1_flow.csv", "charts/s1.csv", "charts/s1.bin"]
    for name in names:
        found.append(
            Case(
                f"a bit in the middle of {name}, its times set back, --check-recordings",
                partial(write_unseen, name=name, change=flipped(PARTS[1], 20)),
                (0, 2, 3),
                Path(name).name,
                command=CHECKED,
                then_statuses=(0, 2, 3),
            )
        )
    for name in (*(f"recordings/{name}" for name in RECORDINGS), *FILES):
        for number in range(FLIPS_A_TABLE):
            part = PARTS[number % 3] if name.startswith("recordings") else PARTS[1]
            found.append(
                Case(
                    f"a bit of {name}; `tapeline check`",
                    partial(write_unseen, name=name, change=flipped(part, 30 + number)),
                    (0, 2),
                    "no faults|found|warning",
                    command=CHECK,
                    again=False,
                    bare=True,
                )
            )
    return found


def _flip_and_delete(place: Place, name: str, change: Flip, away: tuple[str, ...]) -> None:
    write_unseen(place, name, change)
    for each in away:
        (place.campaign / each).unlink()


def _write_log(place: Place, name: str) -> None:
    (place.campaign / name).write_bytes(b"\x00\xff\xfe a bit\n")


def _add_5_db(place: Place) -> None:
    path = place.campaign / EDITED
    table = pq.read_table(path, partitioning=None)
    column = table.schema.names.index("difference_db")
    field = table.schema.field(column)
    raised = pc.cast(pc.add(table.column(column), 5.0), field.type)
    pq.write_table(table.set_column(column, field, raised), path)


def _exchange(place: Place, neighbour: Path) -> None:
    path = place.campaign / EDITED
    before = path.stat()
    path.write_bytes((neighbour / EDITED).read_bytes())
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
