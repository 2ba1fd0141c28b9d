"""Plants every fault in copies of a small campaign and writes docs/faults.md; exit status 1 where one ends badly.

python benchmarks/faults/page.py [--only kills] [--quick]
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import ModuleType

import changed_inputs
import flipped
import full_disk
import hostile
import kills
import other_kinds
import together
from cases import Bases, Case, Outcome, carry_out
from commands import Place
from planted_campaign import write_campaign
from results_held import Undisturbed

PAGE = Path(__file__).resolve().parents[2] / "docs" / "faults.md"
FAMILIES: dict[str, ModuleType] = {
    "kills": kills,
    "disk": full_disk,
    "together": together,
    "inputs": changed_inputs,
    "flips": flipped,
    "hostile": hostile,
    "kinds": other_kinds,
}
AT_ONCE = 2
MOST_LETTERS = 180
HEADER = (
    "| fault | says | status | lost | the same again | status | results as undisturbed |\n|---|---|---|---|---|---|---|"
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", choices=FAMILIES, action="append", help="a family; may be given more than once")
    parser.add_argument("--quick", action="store_true", help="a few faults of each family; the page is left as it is")
    parser.add_argument("--fault", default="", help="only faults whose words this pattern finds")
    options = parser.parse_args()
    outcomes: dict[str, list[Outcome]] = {}
    with tempfile.TemporaryDirectory(prefix="faults-") as name:
        bases = _bases(Path(name))
        for family in options.only or FAMILIES:
            planted = [
                case for case in FAMILIES[family].cases(bases, options.quick) if re.search(options.fault, case.fault)
            ]
            outcomes[family] = _all_carried_out(planted, bases, Path(name) / family)
    text = _page(outcomes)
    if options.quick or options.only or options.fault:
        print(text)
    else:
        PAGE.write_text(text, encoding="utf-8")
    failed = [outcome for family in outcomes.values() for outcome in family if outcome.failures]
    for outcome in failed:
        print(f"{outcome.case.fault}:\n    " + "\n    ".join(outcome.failures), file=sys.stderr)
    total = sum(map(len, outcomes.values()))
    print(f"{total} faults planted, {len(failed)} ended otherwise than expected", file=sys.stderr)
    return 1 if failed else 0


def _bases(folder: Path) -> Bases:
    """Finished campaigns, two made at once, so that a run takes as long as those that are disturbed."""
    environment = {"HOME": str(folder / "home"), "XDG_CACHE_HOME": str(folder / "home"), "COLUMNS": "120"}
    (folder / "home").mkdir()
    undisturbed = Undisturbed(folder / "undisturbed", environment)
    places = {
        name: Place(folder / "bases" / name, environment=environment) for name in ("finished", "kept", "neighbour")
    }
    for name, place in places.items():
        write_campaign(place.campaign, 8 if name == "neighbour" else 7, "keep_pressure: true\n" * (name == "kept"))
    ran = partial(_timed_run, places)
    ran("neighbour")
    with ThreadPoolExecutor(AT_ONCE) as pool:
        times = list(pool.map(ran, ("finished", "kept")))
    made = [place.campaign for place in places.values()]
    return Bases(made[0], made[1], made[2], undisturbed, environment, max(times))


def _timed_run(places: dict[str, Place], name: str) -> float:
    begun = time.monotonic()
    said = places[name].call("run", str(places[name].campaign), "--cores", "1")
    if said.status != 0:
        raise RuntimeError(f"the undisturbed campaign ends with {said.status}: {said.text}")
    return time.monotonic() - begun


def _all_carried_out(planted: Sequence[Case], bases: Bases, folder: Path) -> list[Outcome]:
    with ThreadPoolExecutor(AT_ONCE) as pool:
        roots = [folder / f"case-{number}" for number in range(len(planted))]
        return list(pool.map(lambda case, root: carry_out(case, bases, root), planted, roots))


def _page(outcomes: dict[str, list[Outcome]]) -> str:
    seen = [outcome for family in outcomes.values() for outcome in family]
    held = sum(not outcome.failures and not outcome.not_here for outcome in seen)
    not_here = sum(bool(outcome.not_here) for outcome in seen)
    memory_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    parts = [
        "# Planted faults",
        "",
        "For who wants to know what tapeline does when a machine, a disk, a file or a person fails. Each fault is "
        "planted for real in a copy of a small synthetic campaign of four recordings, which is then run as a person "
        "would.",
        "",
        f"`make faults`; {platform.machine()}, {os.cpu_count()} cores, {memory_gib:.0f} GiB of memory, "
        f"Python {platform.python_version()}. Random moments: seed {kills.SEED}; flipped bits: seed {flipped.SEED}.",
        "",
        f"{len(seen)} faults planted: {held} ended as expected, {len(seen) - held - not_here} did not, {not_here} "
        "were not run here.",
        "",
        "Columns: what the command printed (its telling line; `CAMPAIGN` stands for the folder) and its exit status; "
        "what the results then lacked against those of an undisturbed run on the same files, byte by byte; what the "
        "same command did next; whether all results then were those of an undisturbed run, to the byte. A dash: not "
        "asked. Of every fault it is also expected that the command ends, prints and logs no traceback, and writes "
        "nothing outside the campaign's folder.",
    ]
    for name, family in outcomes.items():
        parts += ["", f"## {FAMILIES[name].TITLE}", "", HEADER, *_rows(family)]
    return "\n".join(parts) + "\n"


def _rows(outcomes: Iterable[Outcome]) -> list[str]:
    """One row a fault; those of the same words together."""
    by_fault: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        by_fault.setdefault(outcome.case.fault, []).append(outcome)
    return [_row(fault, same) for fault, same in by_fault.items()]


def _row(fault: str, same: Sequence[Outcome]) -> str:
    times = f" ({len(same)} times)" if len(same) > 1 else ""
    bad = sum(bool(outcome.failures) for outcome in same)
    mark = f" **{bad} not as expected**" if bad else ""
    here = [outcome for outcome in same if not outcome.not_here]
    if not here:
        return f"| {_cell(fault)}{times} | not run here: {same[0].not_here} | | | | | |"
    lost = [outcome.lost for outcome in here if outcome.lost is not None]
    equal = Counter(outcome.equal for outcome in here if outcome.equal is not None)
    mended = f"{same[0].case.mended}: " if same[0].case.mended else ""
    cells = [
        f"{_cell(fault)}{times}{mark}",
        _said(outcome.said for outcome in here),
        _counted(outcome.status for outcome in here),
        str(max(lost, key=lambda each: (each.absent, each.other, each.files))) if lost else "-",
        f"{mended}{_said(outcome.then_said for outcome in here)}" if same[0].case.again else "-",
        _counted(outcome.then_status for outcome in here) if same[0].case.again else "-",
        "-" if not equal else "yes" if not equal[False] else f"{equal[True]} of {equal.total()}",
    ]
    return f"| {' | '.join(cells)} |"


def _said(lines: Iterable[str]) -> str:
    """The commonest line, the first of equals."""
    counted = Counter(line for line in lines if line)
    if not counted:
        return "(nothing)"
    (line, _), *_ = counted.most_common(1)
    more = f" (and {len(counted) - 1} others)" if len(counted) > 1 else ""
    return f"`{_cell(_shortened(line)).replace('`', chr(39))}`{more}"


def _shortened(line: str) -> str:
    return line if len(line) <= MOST_LETTERS else f"{line[:MOST_LETTERS]}…"


def _counted(statuses: Iterable[int | None]) -> str:
    counted = Counter("did not end" if status is None else str(status) for status in statuses)
    return ", ".join(
        word if len(counted) == 1 else f"{word} ({count} times)" for word, count in sorted(counted.items())
    )


def _cell(text: str) -> str:
    return re.sub(r"\s", " ", text).replace("|", "\\|")


if __name__ == "__main__":
    sys.exit(main())
