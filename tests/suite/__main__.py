"""`tests/run suite`: play the labelled suite and print its table, and the same as JSON."""

import argparse
import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from msgspec import to_builtins

from suite.learn import learnt
from suite.play import COMPARED, RAW, SERVER, WHICHHOP, kept, mono_ns, play, seconds_since
from suite.recipes import RECIPES
from suite.scoring import Score
from suite.show import story
from suite.summary import by, confusion, false_alarms, summarise
from suite.sweep import sweep, told
from suite.table import print_tables
from suite.tries import Played, read_tries, tried
from whichhop.lab.scenario import Profile

SEEDS = Path(__file__).parent / "seeds" / "scoring.txt"
SITUATIONS = SEEDS.with_name("situations-scoring.txt")
SWEEP = SEEDS.with_name("sweep.txt")
TRY_SEEDS = SEEDS.with_name("tries-cases.txt")
SWEEP_HOURS = 1.0
"""A bounded part of each case: every prior is played twice on all of them."""
PROCESSES = 2


class Asked(NamedTuple):
    """One case to play, and on whose noise."""

    recipe: str
    seed: int
    noise: Profile = Profile.SIMULATED


def read_seeds(path: Path) -> list[Asked]:
    """Lines `RECIPE SEED` or `RECIPE FIRST-LAST`, `measured` behind it for measured noise; # begins a remark.

    ValueError names a bad line.
    """
    out: list[Asked] = []
    for number, line in enumerate(path.read_text().splitlines(), 1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        noise = words[2] if len(words) == 3 else Profile.SIMULATED.value
        if len(words) not in (2, 3) or words[0] not in RECIPES or noise not in list(Profile):
            raise ValueError(
                f"{path.name}:{number}: expected RECIPE SEED or RECIPE FIRST-LAST [measured]: {line!r}"
            )
        first, _, last = words[1].partition("-")
        seeds = range(int(first), int(last or first) + 1)
        out += [Asked(words[0], seed, Profile(noise)) for seed in seeds]
    return out


def _hours(case: Asked, most: float | None) -> float:
    """How much of a case is played."""
    return min(most or RECIPES[case.recipe].hours, RECIPES[case.recipe].hours)


def _one(case: Asked, hours: float | None, methods: Sequence[str], keep: Path | None) -> list[Score]:
    return play(case.recipe, case.seed, _hours(case, hours), methods, keep, case.noise)


def run(
    cases: Sequence[Asked],
    hours: float | None,
    methods: Sequence[str],
    processes: int = PROCESSES,
    keep: Path | None = None,
) -> Iterator[list[Score]]:
    """Every method's score on every case, as they come; progress goes to stderr."""
    began = mono_ns()
    with ProcessPoolExecutor(processes) as pool:
        for done, scores in enumerate(
            pool.map(partial(_one, hours=hours, methods=methods, keep=keep), cases), 1
        ):
            if sys.stderr.isatty() or done % 10 == 0 or done == len(cases):
                left = (seconds_since(began)) / done * (len(cases) - done)
                sys.stderr.write(f"\r{done} of {len(cases)} cases, {left:.0f} s to go   ")
                sys.stderr.flush()
            yield scores
    sys.stderr.write("\n")


def report(scores: Sequence[Score]) -> dict[str, Any]:
    """All figures of each suite by itself: simulated noise and measured noise are never put together."""
    names = list(dict.fromkeys(s.suite for s in scores))
    return {"suites": {name: _one_suite([s for s in scores if s.suite == name]) for name in names}}


def _one_suite(scores: Sequence[Score]) -> dict[str, Any]:
    """By recipe and method, and for each method over everything by cause, rhythm and size."""
    recipes = list(dict.fromkeys(s.case.partition(":")[0] for s in scores))
    methods = list(dict.fromkeys(s.method for s in scores))
    out: dict[str, Any] = {"recipes": {}, "all": {}}
    for method in methods:
        own = [s for s in scores if s.method == method]
        out["all"][method] = summarise(own) | {
            key: {name: to_builtins(share) for name, share in by(own, key).items()}
            for key in ("cause", "rhythm", "size")
        }
        out["all"][method] |= {"confusion": confusion(own), "false_alarms": false_alarms(own)}
        for recipe in recipes:
            part = [s for s in own if s.case.partition(":")[0] == recipe]
            out["recipes"].setdefault(recipe, {})[method] = summarise(part)
    return out


def _nth(seen: "Counter[tuple[str, str]]", case: Asked) -> int:
    seen[case.recipe, case.noise] += 1
    return seen[case.recipe, case.noise]


def _short(cases: Sequence[Asked], hours: float | None, up_to: float) -> Iterator[Asked]:
    """As many cases of each recipe and noise as fit into `up_to` hours, and at least one."""
    seen = Counter[tuple[str, str]]()
    for case in cases:
        nth = _nth(seen, case)
        if nth == 1 or nth * _hours(case, hours) <= up_to:
            yield case


def _sweep(args: argparse.Namespace) -> int:
    """Print the table of priors as it goes, and write it as JSON."""
    asked = [c for path in args.seeds or [SWEEP] for c in read_seeds(path)]
    hours = {c: _hours(c, args.hours or SWEEP_HOURS) for c in asked}
    cases = [kept(c.recipe, c.seed, hours[c], args.keep, c.noise) for c in asked]
    print(f"made by `tests/run suite --sweep` from commit {commit()}: {len(cases)} cases, "
          f"{sum(hours.values()):.1f} hours\n")  # fmt: skip
    rows, base = [], None
    for prior, effects in sweep(cases, args.processes, args.sweep or None, _progress):
        if prior is None or base is None:
            base = effects[0]
            if isinstance(base, str):
                raise RuntimeError(base)
            print(f"as it stands: {base}\n")
            print("| prior | value | source | halved | doubled |\n|---|---|---|---|---|")
            continue
        half, twice = (told(e, base) for e in effects)
        print(f"| {prior.words} | {prior.value:g} | {prior.source} | {half} | {twice} |", flush=True)
        told_of = {"prior": prior.words, "value": prior.value, "source": prior.source}
        rows.append(told_of | {"halved": half, "doubled": twice})
    if args.json:
        args.json.write_text(json.dumps({"commit": commit(), "priors": rows}, indent=1) + "\n")
    return 0


def _tries(args: argparse.Namespace) -> int:
    """Print the table of constants at neighbouring values as it goes."""
    asked = [c for path in args.seeds or [TRY_SEEDS] for c in read_seeds(path)]
    hours = {c: _hours(c, args.hours or SWEEP_HOURS) for c in asked}
    cases = [(c.recipe, c.seed, hours[c], args.keep, c.noise) for c in asked]
    for case in cases:
        kept(*case)
    print(f"made by `tests/run suite --tries` from commit {commit()}: {len(cases)} cases, "
          f"{sum(hours.values()):.1f} hours\n")  # fmt: skip
    base: Played | None = None
    for one, value, played in tried(read_tries(args.tries), cases, args.processes):
        if one is None or base is None:
            if isinstance(played, str):
                raise RuntimeError(played)
            base = played
            print(f"as it stands: {base.effect}, {base.cpu_s:.0f} s of processor\n")
            print(
                "| constant | tried | figures | cases told otherwise | time |\n|---|---|---|---|---|",
                flush=True,
            )
            continue
        words = f"| {one.module} {one.name} | `{value}` | "
        if isinstance(played, str):
            print(words + f"{played} | | |", flush=True)
            continue
        other = sum(a != b for a, b in zip(played.verdicts, base.verdicts, strict=True))
        figures = told(played.effect, base.effect)
        print(words + f"{figures} | {other} | {played.cpu_s / base.cpu_s - 1:+.0%} |", flush=True)
    return 0


def _progress(done: int, every: int) -> None:
    sys.stderr.write(f"\r{done} of {every} priors   ")
    sys.stderr.flush()


def commit() -> str:
    """The commit of this source tree, "-dirty" behind it when something is not committed."""
    words = ["git", "-C", str(Path(__file__).parent), "describe", "--always", "--dirty", "--abbrev=9"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests/run suite", description=__doc__)
    parser.add_argument(
        "--seeds",
        type=Path,
        action="append",
        help="file of cases to play (default: scoring.txt and situations-scoring.txt)",
    )
    parser.add_argument("--noise", choices=list(Profile), help="only cases on this noise")
    parser.add_argument("--only", action="append", choices=RECIPES, help="recipes to play")
    parser.add_argument("--hours", type=float, help="at most this many hours of each case")
    parser.add_argument("--cases", type=int, help="play at most this many of each recipe")
    parser.add_argument(
        "--up-to", type=float, metavar="HOURS", help="play at most this many hours of each recipe and noise"
    )
    parser.add_argument("--methods", nargs="+", choices=(*COMPARED, SERVER), default=list(COMPARED))
    parser.add_argument(
        "--learn", action="store_true", help="print the calibration that development.txt teaches instead"
    )
    parser.add_argument(
        "--sweep",
        nargs="?",
        const="",
        metavar="PART",
        help="halve and double every prior, or those with PART in their name, on seeds/sweep.txt instead",
    )
    parser.add_argument(
        "--tries",
        type=Path,
        metavar="FILE",
        help="play each constant of FILE (seeds/tries.txt) at the values named there instead",
    )
    parser.add_argument("--show", metavar="RECIPE:SEED[:measured]", help="tell one case line by line instead")
    parser.add_argument("--processes", type=int, default=PROCESSES, help="cases played at a time")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep drawn cases here and read them again")
    parser.add_argument(
        "--brief", action="store_true", help="leave out the tables that set method against method"
    )
    parser.add_argument("--json", type=Path, help="write all figures here too")
    args = parser.parse_args()
    if args.show:
        recipe, seed, *noise = args.show.split(":")
        profile = Profile(noise[0]) if noise else Profile.SIMULATED
        for line in story(recipe, int(seed), args.hours, args.methods[-1], profile):
            print(line)
        return 0
    if args.learn:
        # Never from the seeds that score, whatever --seeds says.
        cases = read_seeds(SEEDS.with_name("development.txt"))
        parts = run(cases, args.hours, (RAW,), args.processes, args.keep)
        print(learnt([s for part in parts for s in part]))
        return 0
    if args.sweep is not None:
        return _sweep(args)
    if args.tries is not None:
        return _tries(args)
    files = args.seeds or [SEEDS, SITUATIONS]
    cases = [c for path in files for c in read_seeds(path) if args.only is None or c.recipe in args.only]
    cases = [c for c in cases if args.noise is None or c.noise == args.noise]
    if args.cases:
        seen = Counter[tuple[str, str]]()
        cases = [c for c in cases if _nth(seen, c) <= args.cases]
    if args.up_to:
        cases = list(_short(cases, args.hours, args.up_to))
    if not cases:
        parser.error(f"no cases of that kind in {', '.join(path.name for path in files)}; name other --seeds")
    scores = [s for part in run(cases, args.hours, args.methods, args.processes, args.keep) for s in part]
    names = ", ".join(path.name for path in files)
    figures = report(scores) | {"seeds": names, "hours_override": args.hours, "commit": commit()}
    print(f"made by `tests/run suite` from commit {commit()}, seeds {names}")
    print("emulated packets are a suite of their own: `tests/run lab-suite`\n")
    focus = WHICHHOP if WHICHHOP in args.methods else args.methods[-1]
    for name, part in figures["suites"].items():
        print(f"== {name} noise ==\n")
        print_tables(part, focus=focus, brief=args.brief)
    if args.json:
        args.json.write_text(json.dumps(figures, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
