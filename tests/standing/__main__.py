"""`python -m standing`: plays the cases and prints who was named after three and ten minutes.

python -m standing --cases 20            # of every kind
python -m standing --only fault --show   # with every miss
python -m standing --factor 0.5          # with every usual median halved
"""

import argparse
import sys
import zlib
from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np

from standing.cases import FAULT_SHAPES, KINDS, UNUSUAL, Case, fault, healthy, two_faults
from standing.play import Answer, judge

AFTER = {"3 min": 180, "10 min": 600}
Draw = Callable[[np.random.Generator], Case]


def _drawers(only: str | None) -> Iterator[tuple[str, Draw]]:
    if only in (None, "healthy"):
        yield "healthy", healthy
    if only in (None, "unusual"):
        yield from UNUSUAL.items()
    if only in (None, "laptop"):
        yield "laptop healthy", lambda r: healthy(r, "laptop")
        for kind in ("wi-fi", "host", "cable"):
            for shape in FAULT_SHAPES:
                yield f"laptop {kind} {shape}", lambda r, k=kind, s=shape: fault(r, k, s, "laptop")
    if only in (None, "fault"):
        for kind in KINDS:
            for shape in FAULT_SHAPES:
                if not (kind in ("beyond", "destination") and shape == "steady"):
                    yield f"{kind} {shape}", lambda r, k=kind, s=shape: fault(r, k, s)
    if only in (None, "two"):
        yield "two faults", two_faults


def score(case: Case, answer: Answer, tag: str, row: Counter[str]) -> bool:
    """Count one answer in; True when it is as it should be."""
    truth = {ill.element for ill in case.ills}
    hits = [group & truth for group in answer.named]
    if not truth:
        row[f"{tag} blamed"] += bool(answer.named)
        return not answer.named
    right = frozenset[str]().union(*hits)
    row[f"{tag} right"] += right == truth
    row[f"{tag} one of two"] += 0 < len(right) < len(truth)
    row[f"{tag} wrong"] += any(not hit for hit in hits)
    return right == truth and all(hits)


def _told(case: Case, answer: Answer) -> str:
    if answer.weighed is None:
        return "nothing heard"
    p = answer.weighed.odds.probability
    first = np.argsort(-p)[:3]
    groups = answer.weighed.groups.members
    names = [f"{'+'.join(case.elements[j].name for j in groups[g])} {p[g]:.3f}" for g in first]
    return f"{case.home.nodes.keys() & {'modem', 'attic', 'garden'}} {case.ills} -> {'; '.join(names)}"


def _scale(factor: float) -> None:
    """Multiply every usual median, for the table of what each prior changes."""
    from msgspec.structs import replace

    from whichhop.compare.standing import usual

    def larger(u: usual.Usual) -> usual.Usual:
        parts = {n: getattr(u, n) for n in ("level", "tail", "loss", "late")}
        return replace(u, **{n: replace(s, median=s.median * factor) for n, s in parts.items()})

    table = {kind: larger(u) for kind, u in usual.USUAL.items()}
    usual.USUAL = table
    from whichhop.compare.standing import columns

    columns.USUAL = table


def main() -> None:
    """Play and print."""
    parser = argparse.ArgumentParser(prog="standing")
    parser.add_argument("--cases", type=int, default=4, help="of every kind")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--only", choices=("healthy", "unusual", "laptop", "fault", "two"))
    parser.add_argument("--show", action="store_true", help="print every miss")
    parser.add_argument("--factor", type=float, default=1.0, help="multiply every usual median")
    args = parser.parse_args()
    if args.factor != 1.0:
        _scale(args.factor)
    whole: dict[str, Counter[str]] = {"healthy": Counter(), "faults": Counter()}
    for words, draw in _drawers(args.only):
        row: Counter[str] = Counter()
        for seed in range(args.first, args.first + args.cases):
            case = draw(np.random.default_rng([seed, zlib.crc32(words.encode())]))
            row["cases"] += 1
            for tag, seconds in AFTER.items():
                answer = judge(case, seconds)
                if not score(case, answer, tag, row) and args.show:
                    print(f"  {words}:{seed} {tag}: {_told(case, answer)}")
        whole["faults" if case.ills else "healthy"].update(row)
        print(f"{words:28s}" + "  ".join(f"{k} {v}" for k, v in row.items() if v))
        sys.stdout.flush()
    for name, row in whole.items():
        print(f"{name:28s}" + "  ".join(f"{k} {v}" for k, v in row.items()))


if __name__ == "__main__":
    main()
