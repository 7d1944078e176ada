"""`tests/run promises`: whether before and after, and the plan, keep their promises on known truths."""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path

import numpy as np
from scipy import stats

from promises.figures import CASES, UNIT, Case, Home, a_home, changed, effect_of
from promises.homes import Floats
from promises.plan_share import plan_lines
from whichhop.change.effect import ChangeAnswer
from whichhop.stats.looks import alpha_at

FIGURES = 9
"""Of a table with three links: each figure's share of the chance of error, as the product divides it."""
SEEDS = {"development": 1, "scoring": 2}
LOOKS = 14
PASTS = (21, 0)
Sides = tuple[int, int, int]
BEFORE = AFTER = 7
CHANGES = (
    ("delay", 2.0, False),
    ("delay", 5.0, False),
    ("delay", 10.0, False),
    ("delay", 8.0, True),
    ("loss", 1.0, False),
    ("rate", 20.0, False),
    ("level", 1.0, False),
    ("level", 3.5, False),
)
POWER_NOISES = (
    "days differ by 0.5",
    "days differ by 1",
    "days differ by a factor 1.6",
    "days differ by 10%",
    "weather of 0.4",
)


def welch(before: Floats, after: Floats, alpha: float) -> tuple[float, float]:
    """A plain comparison of days' means (Welch 1947); endless where a side has one day."""
    if min(len(before), len(after)) < 2:
        return -np.inf, np.inf
    found = stats.ttest_ind(after, before, equal_var=False).confidence_interval(1 - alpha)
    return float(found.low), float(found.high)


def dice(seeds: int, case: Case, number: int) -> np.random.Generator:
    return np.random.default_rng([seeds, number, *map(ord, case.figure + case.noise.name)])


def told(home: Home, sides: tuple[int, int, int], look: int) -> bool:
    """Whether the product shows a difference at a look, spending what it spends in a home of three links."""
    return effect_of(home, sides, alpha_at(look) / FIGURES / 1.5, look=look).answer in (
        ChangeAnswer.HELPED,
        ChangeAnswer.WORSE,
        ChangeAnswer.MIXED,
    )


def plainly(home: Home, sides: tuple[int, int, int], look: int) -> bool:
    """The same by a plain test of days' means with the same spending."""
    days, (past, before, after) = home.plain, sides
    middle = past + before
    low, high = welch(days[past:middle], days[middle : middle + after], alpha_at(look) / FIGURES)
    return low > 0 or high < 0


def interval_line(case: Case, past: int, homes: int, seeds: int) -> str:
    """How often the 95 % interval holds the truth and how wide it is, beside a plain test; false claims."""
    sides = (past, BEFORE, AFTER)
    held = plain_held = false = plain_false = 0
    halves, plain_halves = [], []
    for number in range(homes):
        home = a_home(case, dice(seeds, case, number), sum(sides))
        found = effect_of(home, sides, 0.05, shares=False)
        low, high = welch(home.plain[past : past + BEFORE], home.plain[past + BEFORE :], 0.05)
        held += (found.low or 0.0) <= 0 <= (found.high or 0.0)
        plain_held += low <= 0 <= high
        halves.append(((found.high or 0.0) - (found.low or 0.0)) / 2)
        plain_halves.append((high - low) / 2)
        false += told(home, sides, 1)
        plain_false += plainly(home, sides, 1)
    wide = float(np.median(halves)) / UNIT[case.figure]
    figures = (100 * held / homes, 100 * plain_held / homes)
    claims = (100 * false / homes, 100 * plain_false / homes)
    return (
        f"{_place(case, past)}+7 {figures[0]:6.1f} {figures[1]:6.1f}"
        f" {wide:7.2f} {np.median(plain_halves):7.2f} {claims[0]:6.1f} {claims[1]:6.1f}"
    )


def _place(case: Case, past: int) -> str:
    return f"{case.figure:6s} {case.noise.name:26s} {past:3d}+7"


def first_told(homes: Sequence[Home], past: int, shown: Callable[[Home, Sides, int], bool]) -> list[int]:
    """The look at which each home is told of a change; LOOKS + 1 where it never is. Looks come one by one,
    so that what depends on the days alone is prepared once for all homes."""
    out = [LOOKS + 1] * len(homes)
    for look in range(1, LOOKS + 1):
        for place, home in enumerate(homes):
            if out[place] > look and shown(home, (past, BEFORE, look), look):
                out[place] = look
    return out


def looks_line(case: Case, past: int, homes: int, seeds: int) -> str:
    """False claims of fourteen daily looks at nothing."""
    days = past + BEFORE + LOOKS
    some = [a_home(case, dice(seeds, case, 10_000 + n), days) for n in range(homes)]
    rates = (
        100 * sum(day <= LOOKS for day in first_told(some, past, shown)) / homes for shown in (told, plainly)
    )
    return f"{_place(case, past)}+k" + "".join(f" {rate:6.1f}" for rate in rates)


def power_line(case: Case, change: tuple[str, float, bool], past: int, homes: int, seeds: int) -> str:
    """The day at which half of the homes are told of a change, and the share within two weeks."""
    days = past + BEFORE + LOOKS
    some = [a_home(case, dice(seeds, case, 20_000 + n), days) for n in range(homes)]
    some = [changed(home, past + BEFORE, change[1], evenings=change[2]) for home in some]
    ours, plain = (first_told(some, past, shown) for shown in (told, plainly))

    def half(when: list[int]) -> str:
        middle = float(np.median(when))
        return f"{middle:4.0f}" if middle <= LOOKS else "   -"

    rates = [100 * float(np.mean([day <= LOOKS for day in when])) for when in (ours, plain)]
    what = f"{change[1]:g}{' evenings' if change[2] else ''}"
    return f"{what:12s} {_place(case, past)}+k {half(ours)} {half(plain)} {rates[0]:6.0f} {rates[1]:6.0f}"


def interval_lines(homes: int, seeds: int) -> Iterator[str]:
    """How often intervals hold the truth, and false claims of one look."""
    yield f"{homes} homes a line; second figures: a plain test of days' means (Welch)."
    yield "Homes (%) whose 95 % interval of a figure holds the truth; half its width (ms, %, Mbit/s, dB);"
    yield "homes (%) told of a change at one look though there was none, promised 0.28 for a figure of nine."
    yield f"{'':33s} {'days':>7s} {'covers':>6s} {'':>6s} {'half':>7s} {'':>7s} {'false':>6s}"
    for case in CASES:
        for past in PASTS:
            yield interval_line(case, past, homes, seeds)


def looks_lines(homes: int, seeds: int) -> Iterator[str]:
    """False claims of many looks."""
    yield f"{homes} homes a line, fourteen daily looks at nothing: homes (%) told of a change, beside a plain"
    yield "test; promised 0.53 for one figure of nine."
    for case in CASES:
        yield looks_line(case, 21, homes, seeds)


def power_lines(homes: int, seeds: int) -> Iterator[str]:
    """Days until changes are shown."""
    yield f"{homes} homes a line, a look a day: days until half of them are told of a change, beside a plain"
    yield "test; homes (%) told within two weeks."
    for change in CHANGES:
        for case in CASES:
            if case.figure == change[0] and case.noise.name in POWER_NOISES:
                for past in PASTS:
                    yield power_line(case, change, past, homes, seeds)


def needed_lines(homes: int, seeds: int) -> Iterator[str]:
    """Whether the days that are asked for are enough."""
    yield f"{homes} homes a line, three days after a change: homes (%) told how many more days, and that two"
    yield "months would not do; of the former, those (%) for whom that many more days did decide."
    for case in (case for case in CASES if case.figure == "delay" and case.noise.name in POWER_NOISES):
        for change in (0.0, 2.0, 3.0, 5.0):
            asked = never = right = 0
            for number in range(homes):
                home = a_home(case, dice(seeds, case, 30_000 + number), 21 + BEFORE + 70)
                home = changed(home, 21 + BEFORE, change)
                found = effect_of(home, (21, BEFORE, 3), alpha_at(1) / FIGURES, shares=False)
                never += found.needed == 0
                if found.needed:
                    later = (21, BEFORE, 3 + found.needed)
                    asked += 1
                    then = effect_of(home, later, alpha_at(2) / FIGURES, look=2, shares=False)
                    right += then.needed is None
            share = f"{100 * right / asked:6.0f}" if asked else "     -"
            rates = f"{100 * asked / homes:6.0f} {100 * never / homes:6.0f}"
            yield f"{change:4.0f} {_place(case, 21)}+3 {rates} {share}"


PARTS: dict[str, Callable[[int, int], Iterator[str]]] = {
    "intervals": interval_lines,
    "looks": looks_lines,
    "power": power_lines,
    "needed": needed_lines,
    "plan": plan_lines,
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests/run promises", description=__doc__)
    parser.add_argument("--only", choices=PARTS, help="one part of the table")
    parser.add_argument("--homes", type=int, default=200, help="homes a line (default 200)")
    parser.add_argument("--seeds", choices=SEEDS, default="scoring", help="development: to tune on")
    parser.add_argument("--write", type=Path, metavar="FILE", help="keep the table there too")
    args = parser.parse_args()
    table: list[str] = []
    for name in [args.only] if args.only else PARTS:
        for line in chain([""] if table else [], PARTS[name](args.homes, SEEDS[args.seeds])):
            sys.stdout.write(line + "\n")
            sys.stdout.flush()
            table.append(line)
    if args.write:
        args.write.write_text("\n".join(table) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
