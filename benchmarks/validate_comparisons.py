"""Generated campaigns through the comparisons: do intervals, findings and ranks hold as often as they say?

    python benchmarks/validate_comparisons.py --campaigns 600

Levels are drawn with known truth (tests/jobs/generated_campaign.py; synthetic): one to five repeats a condition, drawn
campaign by campaign, scatter of runs, sessions and mounts drawn too. Everything after the levels is the job `compare`.
Prints Markdown; exit status 1 where a figure misses its limit.
"""

import argparse
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "jobs"))

from generated_campaign import Design, Generated, Scatters, generated

from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.compared_pairs import compared_pairs, pairing_of
from tapeline.jobs.compare.compared_runs import repeat_pools
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.contributed_spots import Found, contributed_spots
from tapeline.jobs.compare.ranking import ranking_rows
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.compare.session_mean_rows import session_mean_rows

Reals = NDArray[np.float64]
THRESHOLD_DB = Compare().practical_threshold_db
SHAPE = (2, 8, 12)  # operating points, positions, bands


@dataclass
class Shares:
    """Shares of cases by campaign: a campaign's cases have run scatter in common, so campaigns are what counts."""

    values: dict[str, list[tuple[float, int]]] = field(default_factory=lambda: defaultdict(list))

    def add(self, name: str, hits: NDArray[np.bool_]) -> None:
        if hits.size:
            self.values[name].append((float(hits.mean()), int(hits.size)))

    def mean(self, name: str) -> tuple[float, float, int]:
        """Share over all cases, its standard error between campaigns, and how many cases."""
        shares, sizes = (np.array(part, dtype=float) for part in zip(*self.values[name], strict=True))
        mean = float((shares * sizes).sum() / sizes.sum())
        count = len(shares)
        spread = float(np.sqrt((sizes**2 * (shares - mean) ** 2).sum()) / sizes.sum()) if count > 1 else 1.0
        return mean, spread, int(sizes.sum())


@dataclass
class Page:
    missed: list[str] = field(default_factory=list)

    def line(self, what: str, value: float, error: float, low: float | None, high: float) -> str:
        """One row of a table; the limits apply to the share give or take two standard errors of its own."""
        holds = (low is None or value + 2.0 * error >= low) and value - 2.0 * error <= high
        if not holds:
            self.missed.append(what)
        limit = f"at most {high:g}" if low is None else f"{low:g} to {high:g}"
        return f"| {what} | {value:.3f} ± {error:.3f} | {limit} | {'holds' if holds else 'MISSED'} |"


def found_pairs(made: Generated, name: str) -> list[Found]:
    job = made.job
    pools = repeat_pools(job)
    comparison = job.needs.comparisons[name]
    pairs = compared_pairs(job, comparison, pools, session_changes(job, pools))
    return [(found, contributed(job, comparison, found)) for found in pairs]


def differences_of(made: Generated, design: Design, name: str) -> dict[str, dict[str, NDArray[Any]]]:
    """Arrays of truth and result of one comparison, by pairing."""
    job, comparison = made.job, made.job.needs.comparisons[name]
    parts: dict[str, dict[str, list[Any]]] = defaultdict(lambda: defaultdict(list))
    for found, adds in found_pairs(made, name):
        k = design.points.index(found.pair.point)
        true = made.truth[comparison.treatment][k] - made.truth[comparison.reference][k]
        for p, position in enumerate(job.cube.positions):
            into = parts[pairing_of(job, position, found.pair.sessions)]
            into["true"].append(true[p])
            into["low"].append(found.result.lower_db[p])
            into["high"].append(found.result.upper_db[p])
            into["word"].append(adds.words[p].astype(str))
    return {key: {name: np.concatenate(rows) for name, rows in part.items()} for key, part in parts.items()}


def covered(part: dict[str, NDArray[Any]]) -> NDArray[np.bool_]:
    return np.asarray((part["low"] <= part["true"]) & (part["true"] <= part["high"]))


def random_scatters(random: np.random.Generator, **fixed: float) -> Scatters:
    drawn = Scatters(
        run=float(random.uniform(0.05, 0.5)),
        session=float(random.uniform(0.1, 0.8)),
        mount=float(random.uniform(0.2, 1.5)),
        random=float(random.uniform(0.03, 0.2)),
        alike=float(random.uniform(0.0, 0.6)),
        session_alike=0.0,
    )
    return replace(drawn, **fixed)


def random_truth(random: np.random.Generator, reference: str, others: tuple[str, ...], null: float) -> dict[str, Reals]:
    """Levels of about 80 dB; a share `null` of the other conditions' differences is zero."""
    base = random.normal(80.0, 5.0, SHAPE)
    truth = {reference: base}
    for name in others:
        truth[name] = base + np.where(random.random(SHAPE) < null, 0.0, random.normal(0.0, 2.0, SHAPE))
    return truth


def pairings(campaigns: int, page: Page) -> list[str]:
    """Two to five sessions; each holds the reference, two of them one half each of a comparison across sessions."""
    shares = Shares()
    for seed in range(campaigns):
        random = np.random.default_rng(seed)
        names = ("april", "may", "june", "july", "august")[: int(random.integers(2, 6))]
        repeats = {name: {"open": int(random.integers(1, 6))} for name in names}
        repeats["april"] |= {"front": int(random.integers(1, 6)), "rear": int(random.integers(1, 6))}
        repeats["may"] |= {"sealed": int(random.integers(1, 6))}
        if all(count == 1 for session in repeats.values() for count in session.values()):
            repeats["april"]["open"] = 2
        design = Design(repeats, {"within": ("open", "front"), "across": ("rear", "sealed")})
        others = ("front", "rear", "sealed")
        scatters = random_scatters(random)
        made = generated(replace(design, scatters=scatters), random_truth(random, "open", others, 0.5), random)
        for name in design.comparisons:
            for pairing, part in differences_of(made, design, name).items():
                shares.add(pairing, covered(part))
                if name == "across":
                    shares.add(f"... {pairing}, {len(names)} sessions", covered(part))
                if name == "within":
                    least = min(repeats["april"]["open"], repeats["april"]["front"])
                    shares.add(f"... fewer repeats of both sides: {least}", covered(part))
        for where, changed in (("positions", {"session_alike": 0.5}), ("bands", {"bands_alike": 0.5})):
            alike = replace(design, scatters=replace(scatters, **changed))
            together = generated(alike, random_truth(random, "open", others, 0.5), random)
            for pairing, part in differences_of(together, alike, "across").items():
                shares.add(f"{pairing}, half of a session's change the same in all {where}", covered(part))
    lines = [f"| 95 % intervals that hold the truth ({campaigns} campaigns) | share | limit | |", "|---|---|---|---|"]
    for name in sorted(shares.values, key=lambda word: (", half" in word, word.startswith("..."), word)):
        mean, error, count = shares.mean(name)
        # An interval between sessions also holds the change that was measured there.
        high = 1.0 if "mount" in name else 0.97
        lines.append(page.line(f"{name} ({count:,})", mean, error, 0.93, high))
    return lines


def discoveries(campaigns: int, page: Page) -> list[str]:
    """One session, half of the differences zero; then all of them zero."""
    shares = Shares()
    wrong_families = defaultdict(list)
    for seed in range(campaigns):
        for adjustment, null in (("false-discovery", 0.5), ("false-discovery", 1.0), ("family-wise", 0.5)):
            random = np.random.default_rng(100_000 + seed)
            counts = {name: int(random.integers(1, 6)) for name in ("open", "front")} | {"rear": 2}
            design = Design({"april": counts}, {"within": ("open", "front")}, scatters=random_scatters(random))
            design = replace(design, compare=Compare(adjustment=adjustment))
            truth = random_truth(random, "open", ("front", "rear"), null)
            part = differences_of(generated(design, truth, random), design, "within")["same-session"]
            claimed = np.isin(part["word"], ("lower", "higher"))
            false = claimed & (part["true"] == 0.0)
            share = float(false.sum() / max(claimed.sum(), 1))
            wrong_families[f"{adjustment}, {null:.0%} of the differences zero"].append(
                share if adjustment == "false-discovery" else float(false.any())
            )
            if null == 0.5 and adjustment == "false-discovery":
                right = claimed & (np.sign(part["true"]) == np.where(part["word"] == "higher", 1.0, -1.0))
                shares.add("findings of 2 dB or more found", right[np.abs(part["true"]) >= 2.0])
    lines = [f"| Findings ({campaigns} campaigns of 192 bands) | share | limit | |", "|---|---|---|---|"]
    for name, values in wrong_families.items():
        kind = "mean share of false findings" if name.startswith("false") else "campaigns with a false finding"
        error = float(np.std(values) / np.sqrt(len(values)))
        lines.append(page.line(f"{kind}: {name}", float(np.mean(values)), error, None, 0.05))
    mean, error, count = shares.mean("findings of 2 dB or more found")
    lines.append(
        f"| differences of 2 dB or more that are found, with the right sign ({count:,}) | {mean:.3f} | none set | |"
    )
    return lines


def equivalence(campaigns: int, page: Page) -> list[str]:
    """True differences at the practical threshold and beyond it, and none at all."""
    shares = Shares()
    for seed in range(campaigns):
        random = np.random.default_rng(200_000 + seed)
        counts = {name: int(random.integers(1, 6)) for name in ("open", "front")} | {"rear": 3}
        design = Design({"april": counts}, {"within": ("open", "front")}, scatters=random_scatters(random))
        base = random.normal(80.0, 5.0, SHAPE)
        size = random.choice([0.0, 1.0, 1.2], SHAPE) * THRESHOLD_DB
        truth = {"open": base, "rear": base, "front": base + size * random.choice([-1.0, 1.0], SHAPE)}
        part = differences_of(generated(design, truth, random), design, "within")["same-session"]
        claimed = part["word"] == "equivalent"
        for factor, name in ((1.0, "at"), (1.2, "20 % beyond")):
            shares.add(name, claimed[np.isclose(np.abs(part["true"]), factor * THRESHOLD_DB)])
        shares.add("none", claimed[np.abs(part["true"]) < 1e-9])
    lines = [
        f"| `equivalent` within ± {THRESHOLD_DB:g} dB ({campaigns} campaigns) | share | limit | |",
        "|---|---|---|---|",
    ]
    for name in ("at", "20 % beyond"):
        mean, error, count = shares.mean(name)
        lines.append(
            page.line(f"claimed though the difference is {name} the threshold ({count:,})", mean, error, None, 0.025)
        )
    mean, error, count = shares.mean("none")
    lines.append(f"| claimed where there is no difference ({count:,}) | {mean:.3f} | none set | |")
    return lines


def ranking(campaigns: int, page: Page) -> list[str]:
    """A gap that adds log-normal powers (spread 2 to 8 dB) to a ground of 3 to 8 dB spread, louder or quieter."""
    stated, right, plain, ranks = [], [], [], Shares()
    for seed in range(campaigns):
        random = np.random.default_rng(300_000 + seed)
        counts = {name: int(random.integers(1, 6)) for name in ("sealed", "open")} | {"other": 2}
        scatters = random_scatters(random, session=0.0, mount=0.0)
        applied = {"sealed": ("tape",), "open": ()}
        design = Design({"april": counts}, {"gap": ("sealed", "open")}, scatters=scatters, applied=applied)
        ground = random.normal(70.0, random.uniform(3.0, 8.0), SHAPE)
        loudness, spread = random.uniform(60.0, 70.0), random.uniform(2.0, 8.0)
        gap = random.normal(loudness, spread, SHAPE[1:]) + random.normal(0.0, 1.0, (2, 1, 1))
        truth = {"sealed": ground, "other": ground, "open": 10 * np.log10(10 ** (ground / 10) + 10 ** (gap / 10))}
        made = generated(design, truth, random)
        pairs = found_pairs(made, "gap")
        every = made.job.needs.ranking.model_copy(update={"entries": 96})
        job = replace(made.job, needs=replace(made.job.needs, ranking=every))
        rows = [row for row in ranking_rows(job, "gap", pairs) if row["rank"] is not None]
        true = (10.0 ** (gap / 10.0)).mean(axis=0)
        places = {name: p for p, name in enumerate(made.job.cube.positions)}
        bands = {item.band_hz: i for i, item in enumerate(made.job.cube.items)}
        # Ranks are among the spots that are shown.
        power = np.array([true[places[row["position"]], bands[row["band_hz"]]] for row in rows])
        at = (-power).argsort().argsort() + 1
        if rows:
            stated.append(rows[0]["first_probability"])
            right.append(at[0] == 1)
        spots = contributed_spots(made.job, pairs)
        plain.append(as_measured(spots.net, spots.error, true, random))
        ranks.add(
            "ranks", np.array([row["rank_lower"] <= k <= row["rank_upper"] for row, k in zip(rows, at, strict=True)])
        )
    share, hit = np.array(stated), np.array(right, dtype=float)
    lines = [f"| Ranking ({campaigns} campaigns of 96 spots) | stated | right | limit | |", "|---|---|---|---|---|"]
    lines.append(first_place("first place, all", share, hit, page))
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        chosen = (share >= low) & (share < high)
        if chosen.any():
            name = f"... stated {low:g} to {min(high, 1.0):g} ({int(chosen.sum())})"
            lines.append(first_place(name, share[chosen], hit[chosen], page))
    measured = np.array(plain, dtype=float)
    lines.append(
        f"| for comparison: ranked as measured, draws about the measured values | {measured[:, 0].mean():.3f} | "
        f"{measured[:, 1].mean():.3f} | none: overstated | |"
    )
    mean, error, count = ranks.mean("ranks")
    lines += ["", "| Intervals of ranks | share | limit | |", "|---|---|---|---|"]
    lines.append(page.line(f"hold the true rank ({count:,} entries)", mean, error, 0.93, 1.0))
    return lines


def as_measured(net: Reals, error: Reals, true: Reals, random: np.random.Generator) -> tuple[float, bool]:
    """What the first place would be called, and whether it is right, without regard to the other spots."""
    value, spread = net.ravel(), error.ravel()
    first = int(value.argmax())
    drawn = value + spread * random.normal(size=(400, value.size))
    return float(np.mean(drawn.argmax(axis=1) == first)), first == int(true.argmax())


def first_place(name: str, stated: Reals, right: Reals, page: Page) -> str:
    """Right at least as often as stated, but for three standard errors (there are five such lines)."""
    mean, hits = float(stated.mean()), float(right.mean())
    error = float(np.sqrt(max(mean * (1.0 - mean), 1.0 / len(right)) / len(right)))
    holds = hits >= mean - 3.0 * error
    if not holds:
        page.missed.append(name)
    return f"| {name} | {mean:.3f} | {hits:.3f} ± {error:.3f} | at least as stated | {'holds' if holds else 'MISSED'} |"


def few_positions(campaigns: int, page: Page) -> list[str]:
    """Two positions that keep their mount and two that do not, two sessions; bands that change alike or alone."""
    shares = Shares()
    positions = 4
    for seed in range(campaigns):
        for alike in (0.0, 1.0):
            random = np.random.default_rng(700_000 + seed)
            repeats = {
                "april": {"open": int(random.integers(2, 4)), "rear": int(random.integers(1, 4))},
                "may": {"open": int(random.integers(2, 4)), "sealed": int(random.integers(1, 4))},
            }
            scatters = random_scatters(random, bands_alike=alike)
            design = Design(repeats, {"across": ("rear", "sealed")}, positions=positions, kept=2, scatters=scatters)
            base = random.normal(80.0, 5.0, (2, positions, SHAPE[2]))
            made = generated(design, dict.fromkeys(("open", "rear", "sealed"), base), random)
            for pairing, part in differences_of(made, design, "across").items():
                shares.add(f"{pairing}, changes {'in all bands alike' if alike else 'of each band'}", covered(part))
    lines = [f"| Four positions, two sessions ({campaigns} campaigns each) | share | limit | |", "|---|---|---|---|"]
    for name in sorted(shares.values):
        mean, error, count = shares.mean(name)
        lines.append(page.line(f"95 % intervals that hold, {name} ({count:,})", mean, error, 0.93, 1.0))
    return lines


def unlike_points(campaigns: int, page: Page) -> list[str]:
    """Four operating points of one session; at one of them runs scatter more, by what all positions have in common."""
    shares = Shares()
    points = ((20.0, 0.0), (30.0, 0.0), (40.0, 0.0), (40.0, 10.0))
    for seed in range(campaigns):
        for factor in (1.0, 2.0, 5.0):
            random = np.random.default_rng(600_000 + seed)
            count = int(random.integers(2, 4))
            scatters = Scatters(run=0.1, random=0.03, session=0.0, mount=0.0, alike=float(random.uniform(0.3, 1.0)))
            design = Design({"april": {"open": count, "front": count}}, {"within": ("open", "front")}, points=points)
            design = replace(design, scatters=scatters, odd_point=factor)
            base = random.normal(80.0, 5.0, (len(points), *SHAPE[1:]))
            made = generated(design, {"open": base, "front": base}, random)
            for found, _ in found_pairs(made, "within"):
                held = (found.result.lower_db <= 0.0) & (found.result.upper_db >= 0.0)
                odd = found.pair.point == points[0]
                name = (
                    "all alike"
                    if factor == 1.0
                    else f"{factor:g} times at one point, {'there' if odd else 'elsewhere'}"
                )
                shares.add(name, held)
    lines = [
        f"| Operating points that scatter unlike ({campaigns} campaigns each) | share | limit | |",
        "|---|---|---|---|",
    ]
    for name in sorted(shares.values):
        mean, error, count = shares.mean(name)
        what = f"95 % intervals that hold, {name} ({count:,})"
        lines.append(page.line(what, mean, error, 0.93, 1.0))
    return lines


def several_sessions(campaigns: int, page: Page) -> list[str]:
    """Both conditions in two to five sessions; the true difference is the same in all, or another in each."""
    shares = Shares()
    for seed in range(campaigns):
        for between in (0.0, 0.3):
            random = np.random.default_rng(500_000 + seed)
            names = ("april", "may", "june", "july", "august")[: int(random.integers(2, 6))]
            repeats = {
                name: {"open": int(random.integers(1, 6)), "front": int(random.integers(1, 6))} for name in names
            }
            repeats["april"]["open"] += 1
            design = Design(repeats, {"within": ("open", "front")}, scatters=random_scatters(random))
            truth = random_truth(random, "open", ("front",), 0.5)
            made = generated(design, truth, random, {"front": between})
            job = made.job
            pools = repeat_pools(job)
            pairs = compared_pairs(job, job.needs.comparisons["within"], pools, session_changes(job, pools))
            places = {name: p for p, name in enumerate(job.cube.positions)}
            bands = {item.band_hz: i for i, item in enumerate(job.cube.items)}
            hits = []
            for row in session_mean_rows(job, "within", pairs):
                k = design.points.index((row["speed_mps"], row["yaw_deg"]))
                at = k, places[row["position"]], bands[row["band_hz"]]
                hits.append(row["lower_db"] <= truth["front"][at] - truth["open"][at] <= row["upper_db"])
            kind = "the same" if between == 0.0 else f"{between:g} dB apart"
            shares.add(
                f"{'two' if len(names) == 2 else 'three to five'} sessions, true differences {kind}", np.array(hits)
            )
    lines = [f"| Means over sessions ({campaigns} campaigns each) | share | limit | |", "|---|---|---|---|"]
    for name in sorted(shares.values):
        mean, error, count = shares.mean(name)
        lines.append(page.line(f"95 % intervals that hold, {name} ({count:,})", mean, error, 0.93, 0.99))
    return lines


def unrepeated(campaigns: int, page: Page) -> list[str]:
    """No condition was measured twice: what settings assume of repeats stands in."""
    shares = Shares()
    for seed in range(campaigns):
        random = np.random.default_rng(400_000 + seed)
        for run in (0.1, 0.2, 0.4):
            scatters = random_scatters(random, run=run)
            design = Design({"april": {"open": 1, "front": 1}}, {"within": ("open", "front")}, scatters=scatters)
            truth = random_truth(random, "open", ("front",), 0.5)
            part = differences_of(generated(design, truth, random), design, "within")["same-session"]
            shares.add(f"{run:g} dB", covered(part))
    assumed = Compare().repeat_sd_db
    lines = [f"| No repeats at all, {assumed:g} dB assumed | share | limit | |", "|---|---|---|---|"]
    for name in shares.values:
        mean, error, count = shares.mean(name)
        what = f"95 % intervals that hold, true scatter {name} ({count:,})"
        if float(name.split()[0]) <= assumed:
            lines.append(page.line(what, mean, error, 0.93, 1.0))
        else:
            lines.append(f"| {what} | {mean:.3f} ± {error:.3f} | none: more than assumed | |")
    return lines


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--campaigns", type=int, default=600, help="campaigns of each kind")
    options = parser.parse_args()
    page = Page()
    print("## Comparisons of generated campaigns with known truth (synthetic data)\n")
    print(f"`python benchmarks/validate_comparisons.py --campaigns {options.campaigns}`\n")
    sections: list[Callable[[int, Page], list[str]]] = [
        pairings,
        discoveries,
        equivalence,
        ranking,
        few_positions,
        unlike_points,
        several_sessions,
        unrepeated,
    ]
    for section in sections:
        print("\n".join(section(options.campaigns, page)), end="\n\n")
    print("All limits hold." if not page.missed else "Missed: " + "; ".join(page.missed) + ".")
    return 1 if page.missed else 0


if __name__ == "__main__":
    sys.exit(main())
