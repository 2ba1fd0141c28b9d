"""Plants one fault at a time in campaigns with known truth and says in Markdown what each one did to the results.

    python benchmarks/validate_influence.py --seeds 8

Each seed is another noise, another scatter of runs, another error of every calibrator, sensor and mount. A campaign is
written and computed sound, then with one fault after the other, by the jobs themselves in one process. Rows that a
fault is in have to hold the truth or to say that they cannot; all others have to stay as they were. Exit status 1 where
a figure misses its limit.
"""

import argparse
import dataclasses
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "independent"))

from cab_campaign import Cab
from cab_faults import FAULTS, mended, planted
from influence_judgement import KEYS, VALUE_WITHIN_DB, WIDTH_WITHIN, covers, false_findings, influence, results
from jobs_in_order import run_jobs

LEAST_COVERAGE, ALL_COVERAGE = 0.90, (0.93, 0.99)
MOST_MOVED = {"moved": 0.02, "reworded": 0.015, "rewidened": 0.10}
"""Shares of the rows that a fault is not in. A run less moves what is pooled, also where all is handled as it should
be: the campaigns mended by hand show how much. A position less in a session moves what sessions pool over positions."""

LEAST_FALSE, FALSE_SHARE = 1.0, 0.003
"""New false findings of a campaign that are chance: one, and this share of the rows touched. A family of tests with a
run less finds others; campaigns mended by hand have 0 to 3.5."""

WORDS = {
    "comparisons": "differences", "area_differences": "differences of areas", "session_means": "means over sessions",
    "mirror_differences": "left against right", "areas": "levels of areas", "shift": "shifts between sessions",
    "scatter": "scatter of repeats", "ranking": "ranking",
}  # fmt: skip


def one_seed(seed: int, names: tuple[str, ...]) -> pd.DataFrame:
    """Rows of counts, one a fault and table, of the campaigns of one seed."""
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as name:
        sound = Cab(Path(name) / "sound", seed)
        sound.write_sound()
        run_jobs(sound.folder)
        before = results(sound)
        for table, found in before.items():
            valued = found.value.notna()
            counted = {"valued": valued.sum(), "covered": (covers(found) & valued).sum()}
            wrong = false_findings(found).sum()
            rows.append({"fault": "none", "mended": False, "table": table, **counted, "false_findings": wrong})
        for fault in names:
            faulty, touched = planted(sound, fault, Path(name) / fault)
            run_jobs(faulty.folder, sound.folder)
            other = mended(faulty, fault, Path(name) / f"{fault}-mended")
            if other is not None:
                run_jobs(other.folder, faulty.folder)
            for cab in (faulty, other):
                if cab is not None:
                    after = results(cab)
                    rows += [
                        {"fault": fault, "mended": cab is other, "table": table}
                        | dataclasses.asdict(influence(table, before[table], after[table], touched))
                        for table in KEYS
                    ]
    return pd.DataFrame(rows).assign(seed=seed)


def shares(counts: pd.DataFrame) -> pd.Series:
    """Sums of some rows of counts, and what they say of rows touched and not."""
    total = counts.drop(columns=["fault", "mended", "table", "seed"]).sum()
    untouched = max(total.untouched, 1)
    found = {name: total[name] / untouched for name in MOST_MOVED}
    held = total.held + total.held_doubtful
    with_value = held + total.missed + total.missed_doubtful
    bounds = total.bounds_held + total.bounds_missed
    found["coverage"] = held / with_value if with_value else float("nan")
    found["bounds"] = total.bounds_held / bounds if bounds else float("nan")
    found["silent"] = total.without_value / max(total.touched, 1)
    found["doubtful"] = (total.held_doubtful + total.missed_doubtful) / max(total.touched, 1)
    found["sound"] = total.sound_held / total.sound_valued if total.sound_valued else float("nan")
    found["all"] = total.covered / total.valued
    found["false"] = total.false_findings / counts.seed.nunique()
    found["touched"] = total.touched / counts.seed.nunique()
    return pd.Series(found)


def number(value: float, text: str = "{:.3f}") -> str:
    return "" if pd.isna(value) else text.format(value)


def fault_lines(counts: pd.DataFrame) -> tuple[list[str], list[str]]:
    """The table of faults, and what misses its limit."""
    lines = [
        "| Fault | rows touched | hold the truth (sound) | marked doubtful | no value | bounds that hold | new false "
        "findings | others moved | reworded | other width | |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    missed: list[str] = []
    mended_parts = counts[counts.mended].groupby("fault")
    bounds_by_hand = {name: shares(part).bounds for name, part in mended_parts}
    for (name, by_hand), part in counts[counts.fault != "none"].groupby(["fault", "mended"], sort=False):
        found = shares(part)
        least = min(LEAST_COVERAGE, found.sound)
        wrong = [word for word, most in MOST_MOVED.items() if found[word] > most]
        wrong += ["coverage"] if found.coverage < least else []
        least_bounds = min(LEAST_COVERAGE, bounds_by_hand.get(name, 1.0))
        wrong += ["bounds"] if found.bounds < least_bounds and part.bounds_missed.sum() > part.seed.nunique() else []
        wrong += ["false findings"] if found["false"] > LEAST_FALSE + FALSE_SHARE * found.touched else []
        cells = [
            "... left out by hand" if by_hand else FAULTS[str(name)].words,
            f"{found.touched:.0f}",
            f"{number(found.coverage)} ({number(found.sound)})",
            number(found.doubtful), number(found.silent), number(found.bounds), f"{found['false']:.1f}",
            *(number(found[word], "{:.4f}") for word in MOST_MOVED),
            "" if by_hand else "MISSED: " + ", ".join(wrong) if wrong else "holds",
        ]  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
        missed += [f"{name}: {', '.join(wrong)}"] if wrong and not by_hand else []
    return lines, missed


def table_lines(counts: pd.DataFrame) -> tuple[list[str], list[str]]:
    """How each table holds, sound and with faults."""
    lines = ["| Rows | sound campaigns hold the truth | with a fault | touched rows | |", "|---|---|---|---|---|"]
    missed = []
    for name, words in WORDS.items():
        part = counts[counts.table == name]
        sound = part[part.fault == "none"]
        faulty = shares(part[(part.fault != "none") & ~part.mended])
        share = sound.covered.sum() / sound.valued.sum()
        low, high = ALL_COVERAGE
        fits = low <= share and (share <= high or name in ("mirror_differences", "areas", "shift", "scatter"))
        lines.append(
            f"| {words} | {share:.3f} | {faulty['all']:.3f} | {number(faulty.coverage)} "
            f"| {'holds' if fits else 'MISSED'} |"
        )
        missed += [] if fits else [f"coverage of {words}"]
    return lines, missed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=8, help="how many campaigns to draw")
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--faults", nargs="+", choices=FAULTS, default=list(FAULTS), help="which faults to plant")
    parser.add_argument("--cores", type=int, default=2, help="campaigns at a time")
    parser.add_argument("--counts", type=Path, help="write the counts of every seed, fault and table to this CSV file")
    options = parser.parse_args()
    every = range(options.first, options.first + options.seeds)
    with ProcessPoolExecutor(options.cores) as pool:
        waiting = [pool.submit(one_seed, seed, tuple(options.faults)) for seed in every]
        parts = []
        for seed, done in zip(every, waiting, strict=True):
            parts.append(done.result())
            print(f"seed {seed} done", file=sys.stderr, flush=True)
    counts = pd.concat(parts, ignore_index=True)
    if options.counts:
        counts.to_csv(options.counts, index=False)
    print(f"## One fault at a time ({options.seeds} campaigns from seed {options.first}; synthetic data)\n")
    print(
        "Rows of eight kinds of results of a campaign of two sessions, eight positions, three conditions, two speeds "
        f"and three repeats. Moved: by more than {VALUE_WITHIN_DB:g} dB, or a value came or went; reworded: another "
        f"finding; other width: the half-width of the interval by more than {100 * WIDTH_WITHIN:g} %. In brackets what "
        "the same rows hold in the sound campaign. A doubtful row that misses the truth counts as a miss. Counts are "
        "a campaign.\n"
    )
    missed: list[str] = []
    for lines, wrong in (fault_lines(counts), table_lines(counts)):
        print("\n".join(lines), end="\n\n")
        missed += wrong
    print("All limits hold." if not missed else "Missed: " + "; ".join(missed) + ".")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
