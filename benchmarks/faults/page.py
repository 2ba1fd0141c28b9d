"""Plants every fault in copies of a small campaign and writes docs/faults.md; exit status 1 where one ends badly.

python benchmarks/faults/page.py [kills disk ...] [--fault PATTERN]
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
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import ModuleType

sys.path.append(str(Path(__file__).resolve().parents[2] / "tests" / "campaign"))

import changed_inputs
import flipped
import full_disk
import hostile
import kills
import other_kinds
import together
from cases import RUN, Bases, Case, Outcome, carry_out
from commands import PATIENCE_S, Place
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
MOST_LETTERS = 180
HEADER = (
    "| fault | it says | status | results after it | the same again says | status | as undisturbed |\n"
    "|---|---|---|---|---|---|---|"
)
COUNTED = re.compile(r"^(\d+) cases in ([\d.]+) minutes: (\d+) as expected, (\d+) could not be planted here\.$", re.M)
TEXT = """# Planted faults

For who wants to know what tapeline does when a machine, a disk, a file or a person fails. Each fault is planted for
real in a copy of a small synthetic campaign of four recordings. The command is then called as a person would, which is
`tapeline run` where no other one is named.

`make faults`; {machine}, {cores} cores, {memory:.0f} GiB of memory, Python {python}. Seeds: {kills} of random moments,
{flips} of flipped bits.

{total} cases in {minutes:.0f} minutes: {held} ended as expected, {failed} did not, {not_here} could not be planted
here.

- it says: one telling line of what the command printed; `CAMPAIGN` stands for its folder, `ELSEWHERE` for the one
  around it. "(5 times)" beside a fault: so many cases of it, with their commonest line.
- results after it: held against an undisturbed run on the same files. What is not made or not up to date is made by the
  same command, called again; a dash: this was not looked at, since the command makes nothing.
- as undisturbed: whether all results then are those of an undisturbed run, to the byte.

Of every case is expected too: the command ends, within {patience:.0f} s. Neither the terminal nor a log holds a
traceback. Recordings, tables and all that lies beside the campaign are as they were. To be bound by permissions as any
user is, the command gives up root's rights to pass over them (CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH); files that it may
not read are another user's.
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("families", nargs="*", help=f"families of faults ({', '.join(FAMILIES)}); without any, all")
    parser.add_argument("--fault", default="", help="only faults whose words this pattern finds")
    parser.add_argument("--at-once", type=int, default=os.cpu_count() or 1, help="cases at a time (default: all cores)")
    options = parser.parse_args()
    if unknown := set(options.families) - FAMILIES.keys():
        parser.error(f"{', '.join(sorted(unknown))}: no such family; there are {', '.join(FAMILIES)}")
    sections: dict[str, str] = {}
    failed: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        bases = _bases(Path(folder), options.at_once)
        for family in options.families or FAMILIES:
            begun = time.monotonic()
            cases = [case for case in FAMILIES[family].cases(bases) if re.search(options.fault, case.fault)]
            roots = [Path(folder) / family / f"case-{number}" for number in range(len(cases))]
            with ThreadPoolExecutor(options.at_once) as pool:
                outcomes = list(pool.map(partial(_told, bases=bases), cases, roots))
            sections[family] = _section(FAMILIES[family].TITLE, outcomes, (time.monotonic() - begun) / 60)
            failed += [outcome for outcome in outcomes if outcome.failures]
            if options.fault:
                print(sections[family])
            else:
                PAGE.write_text(_page(_sections_there() | sections), encoding="utf-8")
    print(f"{len(failed)} cases ended otherwise than expected", file=sys.stderr)
    return 1 if failed else 0


def _told(case: Case, root: Path, bases: Bases) -> Outcome:
    begun = time.monotonic()
    outcome = carry_out(case, bases, root)
    word = "FALLS SHORT" if outcome.failures else "not here" if outcome.not_here else "held"
    print(f"{word:11} {time.monotonic() - begun:5.1f} s  {case.fault}", file=sys.stderr, flush=True)
    for failure in outcome.failures:
        print(f"    {failure}", file=sys.stderr, flush=True)
    return outcome


def _bases(folder: Path, at_once: int) -> Bases:
    """Finished campaigns, made at once, so that a run takes as long as those that are disturbed."""
    environment = {"HOME": str(folder / "home"), "XDG_CACHE_HOME": str(folder / "home"), "COLUMNS": "120"}
    (folder / "home").mkdir()
    places = [Place(folder / "bases" / name, environment=environment) for name in ("finished", "neighbour")]
    for place, seed in zip(places, (7, 8), strict=True):
        write_campaign(place.campaign, seed)
    with ThreadPoolExecutor(at_once) as pool:
        times = list(pool.map(_timed_run, places))
    finished, neighbour = (place.campaign for place in places)
    undisturbed = Undisturbed(folder / "undisturbed", environment)
    return Bases(finished, neighbour, undisturbed, environment, times[0])


def _timed_run(place: Place) -> float:
    begun = time.monotonic()
    said = place.call(*(word.format(campaign=place.campaign) for word in RUN))
    if said.status != 0:
        raise RuntimeError(f"the undisturbed campaign ends with {said.status}: {said.text}")
    return time.monotonic() - begun


def _sections_there() -> dict[str, str]:
    """The sections of the page as it is, by family."""
    text = PAGE.read_text(encoding="utf-8") if PAGE.is_file() else ""
    by_title = {part.partition("\n")[0]: f"## {part}".rstrip("\n") + "\n" for part in text.split("\n## ")[1:]}
    return {name: by_title[family.TITLE] for name, family in FAMILIES.items() if family.TITLE in by_title}


def _page(sections: Mapping[str, str]) -> str:
    counted = [[float(word) for word in found] for text in sections.values() for found in COUNTED.findall(text)]
    total, minutes, held, not_here = (sum(column) for column in zip(*counted, strict=True))
    head = TEXT.format(
        machine=platform.machine(),
        cores=os.cpu_count(),
        memory=os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30,
        python=platform.python_version(),
        kills=kills.SEED,
        flips=flipped.SEED,
        total=int(total),
        minutes=minutes,
        held=int(held),
        failed=int(total - held - not_here),
        not_here=int(not_here),
        patience=PATIENCE_S,
    )
    not_run = {
        name: f"## {family.TITLE}\n\nNot run yet: `make faults FAMILIES={name}`.\n" for name, family in FAMILIES.items()
    }
    return "\n".join([head, *(sections.get(name, not_run[name]) for name in FAMILIES)])


def _section(title: str, outcomes: Sequence[Outcome], minutes: float) -> str:
    not_here = sum(bool(outcome.not_here) for outcome in outcomes)
    held = sum(not outcome.failures for outcome in outcomes) - not_here
    counts = f"{held} as expected, {not_here} could not be planted here."
    return (
        f"## {title}\n\n{len(outcomes)} cases in {minutes:.1f} minutes: {counts}\n\n"
        f"{HEADER}\n{''.join(_rows(outcomes))}"
    )


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
        return f"| {_cell(fault)}{times} | not planted here: {same[0].not_here} | | | | | |\n"
    again = same[0].case.again
    short = Counter(str(outcome.short) for outcome in here if outcome.short is not None)
    equal = [outcome.equal for outcome in here if outcome.equal is not None]
    mended = f"{same[0].case.mended}: " if same[0].case.mended else ""
    cells = [
        f"{_cell(fault)}{times}{mark}",
        _said(outcome.said for outcome in here),
        _counted(outcome.status for outcome in here),
        "; ".join(text for text, _ in short.most_common(3)) or "-",
        f"{mended}{_said(outcome.then_said for outcome in here)}" if again else "-",
        _counted(outcome.then_status for outcome in here) if again else "-",
        "-" if not equal else "yes" if all(equal) else f"{sum(equal)} of {len(equal)}",
    ]
    return f"| {' | '.join(cells)} |\n"


def _said(lines: Iterable[str]) -> str:
    """The commonest line, the first of equals."""
    counted = Counter(line for line in lines if line)
    if not counted:
        return "(nothing)"
    (line, _), *_ = counted.most_common(1)
    more = f" (and {len(counted) - 1} others)" if len(counted) > 1 else ""
    shortened = line if len(line) <= MOST_LETTERS else f"{line[:MOST_LETTERS]}…"
    return f"`{_cell(shortened).replace('`', chr(39))}`{more}"


def _counted(statuses: Iterable[int | None]) -> str:
    counted = Counter("none" if status is None else str(status) for status in statuses)
    return ", ".join(
        word if len(counted) == 1 else f"{word} ({count} times)" for word, count in sorted(counted.items())
    )


def _cell(text: str) -> str:
    return re.sub(r"\s", " ", text).replace("|", "\\|")


if __name__ == "__main__":
    sys.exit(main())
