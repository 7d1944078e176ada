"""`python -m inner_causes [--homes [--quick]] [--seeds scoring] [--write FILE]`: right, wrong and abstained.

Of single drawn hops; with --homes of whole homes through records and `compare`, some seconds each, or one
with --quick.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from inner_causes import through_compare
from inner_causes.drawn_hop import BOTH, DRAWS, FACTS_ONLY, NONE, seen_of
from inner_causes.through_compare import ece
from whichhop.inside.answer import answer_of

FIRST = {"development": 1_000, "scoring": 500_000}
HOMES_FIRST = {"development": 20_000, "scoring": 700_000}
"""Seeds of their own: weights are tuned on the first alone."""


def table(first: int, many: int, only: str, show: bool) -> Iterator[str]:
    """The confusion table, line by line as it comes."""
    yield "sort         cause                     facts  right wrong abstained  named instead"
    told: list[tuple[float, bool]] = []
    total: Counter[str] = Counter()
    for sort, cause, act, seconds in DRAWS:
        for facts in (False, True):
            if (cause in FACTS_ONLY and not facts) or only not in cause:
                continue
            count: Counter[str] = Counter()
            instead: Counter[str] = Counter()
            for i in range(many):
                seen, packets = seen_of(sort, (act,), seconds, first + i, facts=facts)
                answer = answer_of(seen, packets)
                named = answer.named
                what = "abstained" if named is None else "right" if named.cause is cause else "wrong"
                count[what] += 1
                if named is not None:
                    told.append((named.probability, named.cause is cause))
                    if what == "wrong":
                        instead[named.cause] += 1
                if show and what != "right":
                    print(first + i, facts, answer.line, seen.shape)
            total += count
            yield (
                f"{sort:12} {cause:25} {'read' if facts else 'none':5} {count['right']:6} {count['wrong']:5}"
                f" {count['abstained']:9}  {', '.join(f'{k} {v}' for k, v in instead.most_common(3))}"
            )
    named_all = total["right"] + total["wrong"]
    yield (
        f"right among the named: {total['right'] / max(1, named_all):.1%} of {named_all};"
        f" abstained: {total['abstained'] / max(1, total.total()):.1%} of {total.total()};"
        f" calibration error of the named: {ece(told):.3f}"
    )
    for sort, act, seconds in NONE:
        answers = [answer_of(*seen_of(sort, (act,), seconds, first + i, facts=False)) for i in range(many)]
        told += [(a.named.probability, False) for a in answers if a.named]
        names = Counter(a.named.cause for a in answers if a.named)
        yield (
            f"no such cause: {sort:12} {act.__name__:8} abstained {many - names.total()} of {many}"
            f"  {', '.join(f'{k} {v}' for k, v in names.most_common(3))}"
        )
    for sort, causes, acts in BOTH:
        answers = [answer_of(*seen_of(sort, acts, 2400.0, first + i, facts=False)) for i in range(many)]
        told += [(a.named.probability, a.named.cause in causes) for a in answers if a.named]
        names = Counter(a.named.cause for a in answers if a.named)
        other = sum(n for k, n in names.items() if k not in causes)
        yield (
            f"two causes: {causes[0]} + {causes[1]}: abstained {many - names.total()}, one of the two"
            f" {names.total() - other}, another {other} of {many}"
        )
    yield f"calibration error over all that was named, these rows too: {ece(told):.3f} of {len(told)}"


def main() -> int:
    """Print the table; write it where asked."""
    parser = argparse.ArgumentParser(prog="inner_causes", description=__doc__)
    parser.add_argument("--homes", action="store_true", help="whole homes, through compare")
    parser.add_argument("--quick", action="store_true", help="homes: only what changes while it is measured")
    parser.add_argument("--seeds", choices=sorted(FIRST), default="development")
    parser.add_argument("--many", type=int, default=20, help="hops or homes for each row")
    parser.add_argument("--only", default="", metavar="PART", help="rows with this in their words")
    parser.add_argument("--write", type=Path)
    parser.add_argument("--show", action="store_true", help="each miss (development only)")
    args = parser.parse_args()
    if args.show and args.seeds != "development":
        parser.error("--show is for development seeds alone")
    of = partial(through_compare.table, quick=args.quick) if args.homes else table
    lines = []
    for line in of((HOMES_FIRST if args.homes else FIRST)[args.seeds], args.many, args.only, args.show):
        print(line, flush=True)
        lines.append(line)
    if args.write:
        args.write.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
