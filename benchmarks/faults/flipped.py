"""Single bits turned over in every kind of file, and tables that are edited or exchanged by hand."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq
from cases import CHECK, DONE, Bases, Case, once
from changed_inputs import CHECKED, write
from commands import Place
from planted_campaign import FILES, RECORDINGS

from tapeline.store.file_records import FOLDER

TITLE = "Flipped bits, tables changed by hand"
SEED = 20_260_415
CHECK_RESULTS = ("check-results", "{campaign}")
CHANGED = 4
"""Status of `tapeline check-results` where a file is not as it was made."""

FLIPS_A_TABLE = 2
EDITED = "results/tables/comparisons.parquet"
PARTS = ("first 16 bytes", "middle", "last 16 bytes")
LEVELS = "results/tables/bands/session=april/part-0.parquet"
FLOW, CHART, SHEET = "recordings/m1_flow.csv", "charts/s1.csv", "charts/s1.bin"
TIMES = ("written_ns", "changed_ns")
"""The fields of a record by which a file is known to be untouched; where they differ, its content is looked at."""

MADE_OF = {
    "results/calibration/checks/april.parquet": "results/calibration/april.parquet",
    "results/calibration/judged/april.parquet": "results/tables/checks.parquet",
    "results/calibration/april.parquet": LEVELS,
    "results/quality/m1.parquet": "results/verdicts/april.parquet",
    "results/verdicts/april.parquet": LEVELS,
    "results/spectra/m1/spectra.parquet": LEVELS,
    LEVELS: "results/tables/comparisons.parquet",
    "results/tables/comparisons.parquet": "results/report.html",
    "results/tables/quality.parquet": "results/report.html",
    "results/manifest.json": "results/report.html",
}
"""What is deleted, so that the next run makes it anew of the file with the flipped bit."""

Flip = Callable[[bytes], bytes]


def cases(bases: Bases) -> list[Case]:
    """No flipped bit gets into another result, and `tapeline check-results` finds each in the results."""
    return [*_verified_flips(bases), *_flips_below_others(), *_by_hand(bases), *_input_flips()]


def _kinds(base: Path) -> dict[str, list[str]]:
    """The files of results by the words for their kind."""
    found: dict[str, list[str]] = {}
    for path in sorted((base / "results").rglob("*")):
        name = path.relative_to(base)
        if path.is_file() and name.parts[1] not in ("logs", "benchmarks"):
            record = "the record of " * (".written" in name.parts)
            words = f"results/{name.parts[1]}" if len(name.parts) == 3 else f"a file of results/{name.parts[1]}"
            found.setdefault(record + words, []).append(name.as_posix())
    return found


def _verified_flips(bases: Bases) -> list[Case]:
    """Three of each kind, the tables all."""
    draw = random.Random(SEED)
    found = []
    for words, names in _kinds(bases.finished).items():
        chosen = names if words == "a file of results/tables" else sorted(draw.sample(names, min(3, len(names))))
        for number, name in enumerate(chosen):
            for part in PARTS if len(chosen) == 1 else (PARTS[number % 3],):
                change = flipped(part, number)
                plant = partial(write, name=name, change=change, set_back_ns=0)
                if harmless := _harmless(bases.finished / name, change):
                    found.append(once(f"a bit of {harmless}", plant, 0, "nothing is amiss", *CHECK_RESULTS))
                    continue
                says = Path(name).name if ".written" not in name else "results/"
                found.append(once(f"a bit of {words}, its time set back", plant, CHANGED, says, *CHECK_RESULTS))
    return found


def _harmless(path: Path, change: Flip) -> str:
    """The words for a record that may change: it says the same of the file's content."""
    if FOLDER not in path.parts:
        return ""
    if path.name.endswith(".made_from.json"):
        return "the record of what a result was made from, which the next run makes anew"
    before, after = path.read_bytes(), change(path.read_bytes())
    if not json.loads(before):
        return "the record of a job that read no recording"
    try:
        same = json.loads(before, object_hook=_timeless) == json.loads(after, object_hook=_timeless)
    except ValueError:
        return ""
    return "a time in the record of a result" * same


def _timeless(record: dict[str, object]) -> dict[str, object]:
    return {key: type(value) if key in TIMES else value for key, value in record.items()}


def _flips_below_others() -> list[Case]:
    found = []
    for number, (name, made) in enumerate(MADE_OF.items()):
        change = flipped(PARTS[1], 10 + number)
        plant = partial(_flip_and_delete, name=name, change=change, away=made)
        fault = f"a bit in the {PARTS[1]} of {name}, {made} deleted"
        found.append(Case(fault, plant, says=(Path(name).name, DONE)))
    log = partial(write, name="results/logs/spectra/april-1.log", change=lambda _: b"written by hand\n", set_back_ns=0)
    found.append(Case("another line in results/logs/spectra/april-1.log", log, says=DONE, unharmed=True))
    return found


def _by_hand(bases: Bases) -> list[Case]:
    found = []
    for fault, plant in (
        ("5 dB added to every difference in tables/comparisons.parquet", _add_5_db),
        ("tables/comparisons.parquet replaced by another campaign's", partial(_exchange, neighbour=bases.neighbour)),
    ):
        found.append(
            once(f"{fault}; `tapeline check-results`", plant, CHANGED, r"comparisons\.parquet", *CHECK_RESULTS)
        )
        found.append(
            Case(f"{fault}; `tapeline run`", plant, (0,), (r"changed.*comparisons\.parquet", DONE), unharmed=True)
        )
    return found


def _input_flips() -> list[Case]:
    found = []
    recordings = tuple(f"recordings/{name}" for name in RECORDINGS)
    for names, words in ((recordings, "each recording"), ((FLOW,), "a flow series")):
        says = (*(f"not the file that results were made from.*{Path(name).name}" for name in names), DONE)
        fault = f"a bit in the middle of {words}, the time set back, `--check-recordings`"
        plant = partial(_flip_all, names=names)
        found.append(Case(fault, plant, (0, 3), says, CHECKED, then_statuses=(0, 3), unharmed=True))
    for name, part, status, told in ((CHART, PARTS[0], 2, f"{CHART}:1"), (SHEET, PARTS[1], 0, "checksum")):
        plant = partial(write, name=name, change=flipped(part, 20), set_back_ns=0)
        found.append(once(f"a bit in the {part} of {name}, its time set back", plant, status, told))
    for name in FILES:
        for number in range(FLIPS_A_TABLE):
            plant = partial(write, name=name, change=flipped(PARTS[1], 30 + number), set_back_ns=0)
            fault = f"a bit of one of {len(FILES)} tables, charts and flow series; `tapeline check`"
            found.append(Case(fault, plant, (0, 2), "no faults|found|warning", CHECK, again=False, bare=True))
    return found


def flipped(part: str, number: int) -> Flip:
    """One bit turned over, at random among the first 16 bytes, the last 16, or between."""

    def flip(content: bytes) -> bytes:
        draw = random.Random(SEED + number)
        size = len(content)
        edge = min(16, size // 3)
        at = draw.randrange(*{PARTS[0]: (0, edge), PARTS[1]: (edge, size - edge), PARTS[2]: (size - edge, size)}[part])
        return content[:at] + bytes([content[at] ^ (1 << draw.randrange(8))]) + content[at + 1 :]

    return flip


def _flip_all(place: Place, names: tuple[str, ...]) -> None:
    for name in names:
        write(place, name, flipped(PARTS[1], 20), set_back_ns=0)


def _flip_and_delete(place: Place, name: str, change: Flip, away: str) -> None:
    write(place, name, change, set_back_ns=0)
    (place.campaign / away).unlink()


def _add_5_db(place: Place) -> None:
    path = place.campaign / EDITED
    table = pq.read_table(path, partitioning=None)
    for name in ("difference_db", "lower_db", "upper_db"):
        index = table.schema.names.index(name)
        raised = pc.cast(pc.add(table[name], 5.0), table.schema.field(index).type)
        table = table.set_column(index, table.schema.field(index), raised)
    pq.write_table(table, path)


def _exchange(place: Place, neighbour: Path) -> None:
    write(place, EDITED, lambda _: (neighbour / EDITED).read_bytes(), set_back_ns=0)
