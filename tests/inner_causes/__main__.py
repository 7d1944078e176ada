"""`python -m inner_causes [--seeds scoring] [--many N] [--write FILE]`: right, wrong and abstained."""

import argparse
from collections import Counter
from pathlib import Path

from inner_causes.drawn_hop import BOTH, DRAWS, FACTS_ONLY, NONE, seen_of
from whichhop.inside.answer import answer_of

FIRST = {"development": 1_000, "scoring": 500_000}
"""Seeds of their own: weights are tuned on the first alone."""


def _ece(told: list[tuple[float, bool]]) -> float:
    """Expected calibration error in ten bins of what was named."""
    bins: dict[int, list[tuple[float, bool]]] = {}
    for p, right in told:
        bins.setdefault(min(9, int(p * 10)), []).append((p, right))
    return sum(
        len(b) / len(told) * abs(sum(p for p, _ in b) / len(b) - sum(r for _, r in b) / len(b))
        for b in bins.values()
    )


def table(first: int, many: int, show: str = "", only: str = "") -> str:
    """The confusion table as text."""
    lines = ["sort         cause                     facts  right wrong abstained  named instead"]
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
                if show == cause and what != "right":
                    print(first + i, facts, answer.line, seen.shape)
            total += count
            lines.append(
                f"{sort:12} {cause:25} {'read' if facts else 'none':5} {count['right']:6} {count['wrong']:5}"
                f" {count['abstained']:9}  {', '.join(f'{k} {v}' for k, v in instead.most_common(3))}"
            )
    named_all = total["right"] + total["wrong"]
    lines += [
        "",
        f"right among the named: {total['right'] / named_all:.1%} of {named_all};"
        f" abstained: {total['abstained'] / total.total():.1%} of {total.total()};"
        f" calibration error of the named: {_ece(told):.3f}",
        "",
    ]
    for sort, act, seconds in NONE:
        answers = [answer_of(*seen_of(sort, (act,), seconds, first + i, facts=False)) for i in range(many)]
        names = Counter(a.named.cause for a in answers if a.named)
        lines.append(
            f"no such cause: {sort:12} {act.__name__:8} abstained {many - names.total()} of {many}"
            f"  {', '.join(f'{k} {v}' for k, v in names.most_common(3))}"
        )
    for sort, causes, acts in BOTH:
        answers = [answer_of(*seen_of(sort, acts, 2400.0, first + i, facts=False)) for i in range(many)]
        names = Counter(a.named.cause for a in answers if a.named)
        other = sum(n for k, n in names.items() if k not in causes)
        lines.append(
            f"two causes: {causes[0]} + {causes[1]}: abstained {many - names.total()}, one of the two"
            f" {names.total() - other}, another {other} of {many}"
        )
    return "\n".join(lines) + "\n"


def main() -> int:
    """Print the table; write it where asked."""
    parser = argparse.ArgumentParser(prog="inner_causes", description=__doc__)
    parser.add_argument("--seeds", choices=sorted(FIRST), default="development")
    parser.add_argument("--many", type=int, default=40, help="hops for each cause")
    parser.add_argument("--only", default="", metavar="PART", help="causes with this in their name")
    parser.add_argument("--write", type=Path)
    parser.add_argument("--show", default="", metavar="CAUSE", help="each miss of a cause (development only)")
    args = parser.parse_args()
    if args.show and args.seeds != "development":
        parser.error("--show is for development seeds alone")
    text = table(FIRST[args.seeds], args.many, args.show, args.only)
    print(text)
    if args.write:
        args.write.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
