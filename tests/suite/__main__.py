"""`tests/run suite`: play the labelled suite and print its table, and the same as JSON."""

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from suite.learn import learnt
from suite.play import COMPARED, RAW, WHICHHOP, mono_ns, play, seconds_since
from suite.recipes import RECIPES
from suite.scoring import Score
from suite.show import story
from suite.summary import by, confusion, false_alarms, summarise
from suite.table import print_tables

SEEDS = Path(__file__).parent / "seeds" / "scoring.txt"
PROCESSES = 2


def read_seeds(path: Path) -> list[tuple[str, int]]:
    """Lines `RECIPE SEED` or `RECIPE FIRST-LAST`; # begins a remark. ValueError names a bad line."""
    out = []
    for number, line in enumerate(path.read_text().splitlines(), 1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        if len(words) != 2 or words[0] not in RECIPES:
            raise ValueError(f"{path.name}:{number}: expected RECIPE SEED or RECIPE FIRST-LAST: {line!r}")
        first, _, last = words[1].partition("-")
        out += [(words[0], seed) for seed in range(int(first), int(last or first) + 1)]
    return out


def _one(
    case: tuple[str, int], hours: float | None, methods: Sequence[str], keep: Path | None
) -> list[Score]:
    return play(*case, hours, methods, keep)


def run(
    cases: Sequence[tuple[str, int]],
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
    """All figures: by recipe and method, and for each method over everything by cause, rhythm and size."""
    recipes = list(dict.fromkeys(s.case.partition(":")[0] for s in scores))
    methods = list(dict.fromkeys(s.method for s in scores))
    out: dict[str, Any] = {"recipes": {}, "all": {}}
    for method in methods:
        own = [s for s in scores if s.method == method]
        out["all"][method] = summarise(own) | {
            key: {name: asdict(share) for name, share in by(own, key).items()}
            for key in ("cause", "rhythm", "size")
        }
        out["all"][method] |= {"confusion": confusion(own), "false_alarms": false_alarms(own)}
        for recipe in recipes:
            part = [s for s in own if s.case.partition(":")[0] == recipe]
            out["recipes"].setdefault(recipe, {})[method] = summarise(part)
    return out


def commit() -> str:
    """The commit of this source tree, "-dirty" behind it when something is not committed."""
    words = ["git", "-C", str(Path(__file__).parent), "describe", "--always", "--dirty", "--abbrev=9"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    return done.stdout.strip() or "unknown"


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests/run suite", description=__doc__)
    parser.add_argument("--seeds", type=Path, default=SEEDS, help="cases to play (default: scoring.txt)")
    parser.add_argument("--only", action="append", choices=RECIPES, help="recipes to play")
    parser.add_argument("--hours", type=float, help="hours of each case instead of the recipe's own")
    parser.add_argument("--cases", type=int, help="play at most this many of each recipe")
    parser.add_argument("--methods", nargs="+", choices=COMPARED, default=list(COMPARED))
    parser.add_argument(
        "--learn", action="store_true", help="print the calibration that development.txt teaches instead"
    )
    parser.add_argument("--show", metavar="RECIPE:SEED", help="tell one case line by line instead")
    parser.add_argument("--processes", type=int, default=PROCESSES, help="cases played at a time")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep drawn cases here and read them again")
    parser.add_argument("--json", type=Path, help="write all figures here too")
    args = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    if args.show:
        recipe, _, seed = args.show.partition(":")
        for line in story(recipe, int(seed), args.hours, args.methods[-1]):
            print(line)
        return 0
    if args.learn:
        # Never from the seeds that score, whatever --seeds says.
        cases = read_seeds(SEEDS.with_name("development.txt"))
        parts = run(cases, args.hours, (RAW,), args.processes, args.keep)
        print(learnt([s for part in parts for s in part]))
        return 0
    cases = [c for c in read_seeds(args.seeds) if args.only is None or c[0] in args.only]
    if args.cases:
        cases = [c for i, c in enumerate(cases) if [k[0] for k in cases[:i]].count(c[0]) < args.cases]
    scores = [s for part in run(cases, args.hours, args.methods, args.processes, args.keep) for s in part]
    figures = report(scores) | {"seeds": args.seeds.name, "hours_override": args.hours}
    print(f"made by `tests/run suite` from commit {commit()}, seeds {args.seeds.name}\n")
    print_tables(figures, focus=WHICHHOP if WHICHHOP in args.methods else args.methods[-1])
    if args.json:
        args.json.write_text(json.dumps(figures, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
