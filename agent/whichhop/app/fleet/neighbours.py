"""Homes of one region as vantage points for each other: is a fault past the home seen next door too? Pure.

Three explanations of a home's fault are held against what its neighbours show:

- shared: it is past the home, on what the region shares;
- own: it is past the home, and this home's alone: its line, or what hangs on it;
- inside: it is inside the home, and the home's own comparison was mistaken.

Of n judged neighbours k have a fault past the home that began with it. Under "shared" any share of them may
hang on the same part, one as likely as the other (Bayes' uniform prior), so that k of n has the probability
1/(n + 1) whatever k is. Under the others each neighbour has it by chance c, and k follows the binomial
distribution. c is measured, from the same answers: how often homes' faults past the home began at other
times of the span; for what was there all through it, how many homes elsewhere have such. Half an event is
added for what was not seen (Jeffreys' prior of a rate). Before any neighbour is heard, shared and own are
equally likely: no figure for it was found.
"""

from collections.abc import Mapping, Sequence
from math import comb, exp

from msgspec import Struct
from msgspec.structs import replace

from whichhop.app.fleet.homes import HomeFault, Standing
from whichhop.app.fleet.many import Judged
from whichhop.model.figure_words import probability_words
from whichhop.model.units import NS_PER_S

TOGETHER_NS = 300 * NS_PER_S
"""Homes notice the same fault within minutes of each other, as their packets and own baselines allow."""
LEAST_OTHERS = 2
"""One neighbour without the fault may hang on another branch; two are a beginning."""
SHARED = 0.5
"""Of faults past the home that are on what a region shares, before any neighbour is heard."""
_JUDGED = (Standing.FAULT, Standing.NO_FAULT)


class Neighbours(Struct, frozen=True, kw_only=True):
    """What the other homes of a region say of a home's fault.

    with_it: of `others` judged ones, those with a fault past the home that began at the same time. shared:
    the probability that it is on what they share. fault: the home's fault, as probable as it is now.
    """

    region: str
    others: int
    with_it: int
    shared: float
    fault: HomeFault

    @property
    def words(self) -> str:
        """In a line, for the list of homes; "" where too few neighbours can say anything."""
        sure = f"probability that they share it {probability_words(self.shared)}"
        if self.with_it and self.shared >= 0.5:
            return (
                f"{self.with_it} of {self.others} other homes in {self.region} have it too, from the same"
                f" time ({sure}): it is not this home's own, tell the provider so."
            )
        if self.with_it:
            return (
                f"{self.with_it} of {self.others} other homes in {self.region} have a fault since then too,"
                f" which may be chance ({sure})."
            )
        if self.others >= LEAST_OTHERS:
            return (
                f"None of {self.others} other homes in {self.region} has it ({sure}): look at this home's own"
                " line, modem and coax first."
            )
        return ""


def weighed(past: float, inside: float, *, others: int, with_it: int, chance: float) -> tuple[float, float]:
    """The probabilities (shared, past the home) by the neighbours; past, inside: those before, of sum 1."""
    alike = 1.0 / (others + 1)
    by_chance = comb(others, with_it) * chance**with_it * (1.0 - chance) ** (others - with_it)
    shared, own = past * SHARED * alike, past * (1.0 - SHARED) * by_chance
    total = shared + own + inside * by_chance
    return shared / total, (shared + own) / total


def neighbours_of(homes: Sequence[Judged], span_ns: int) -> Mapping[str, Neighbours]:
    """By home, for those with an ongoing fault past the home and a region that its owner gave.

    span_ns: how long a span was judged, which says how often faults begin.
    """
    judged = [one for one in homes if one.row.standing in _JUDGED]
    out = {}
    for one in judged:
        fault = _upstream(one)
        if fault is None or not one.region:
            continue
        others = [o for o in judged if o is not one and o.region == one.region]
        with_it = sum(_same(fault, found) for o in others if (found := _upstream(o)) is not None)
        chance = _chance(fault, [o for o in judged if o is not one], one.region, span_ns)
        past = fault.probability * fault.past
        shared, past_now = weighed(past, 1.0 - past, others=len(others), with_it=with_it, chance=chance)
        # What is inside the home keeps its parts: of the named group, and of everything else.
        named = (fault.probability - past) / (1.0 - past) if past < 1.0 else 0.0
        probability = min(past_now + (1.0 - past_now) * named, 1.0)
        out[one.row.home] = Neighbours(
            region=one.region,
            others=len(others),
            with_it=with_it,
            shared=shared,
            fault=replace(fault, probability=probability, past=past_now / probability),
        )
    return out


def with_neighbours(one: Judged, said: Neighbours | None) -> Judged:
    """The home with its fault as probable as its neighbours make it."""
    before = _upstream(one)
    if said is None or before is None:
        return one
    faults = [said.fault if fault is before else fault for fault in one.row.faults]
    return replace(one, row=replace(one.row, faults=tuple(sorted(faults, key=lambda f: -f.probability))))


def _chance(fault: HomeFault, homes: Sequence[Judged], region: str, span_ns: int) -> float:
    """How probable it is that a home has such a fault from the same time on, though it shares nothing."""
    if fault.since_ns is None:
        elsewhere = [o for o in homes if o.region != region]
        standing = sum(1 for o in elsewhere if (f := _upstream(o)) is not None and f.since_ns is None)
        return (standing + 0.5) / (len(elsewhere) + 1)
    apart = sum(1 for o in homes if (f := _upstream(o)) is not None and f.since_ns and not _same(fault, f))
    looked_ns = len(homes) * max(span_ns - 2 * TOGETHER_NS, 0)
    if not looked_ns:
        return 0.5
    return min(1.0 - exp(-(apart + 0.5) / looked_ns * 2 * TOGETHER_NS), 0.5)


class Shared(Struct, frozen=True, kw_only=True):
    """One fault past several homes of a region. homes: the names of those of its `judged` ones that have
    it. surest: as the home tells it that is surest. since_ns: the earliest; None for before measuring.
    sure: the least of their probabilities that it is shared."""

    region: str
    homes: tuple[str, ...]
    judged: int
    surest: HomeFault
    since_ns: int | None
    sure: float


def shared_faults(homes: Sequence[Judged], near: Mapping[str, Neighbours]) -> list[Shared]:
    """Faults that began at the same time past at least two homes of a region, the widest first; none that
    may as well be chance."""
    regions: dict[str, list[tuple[HomeFault, str]]] = {}
    for one in homes:
        said, fault = near.get(one.row.home), _upstream(one)
        if fault is not None and said is not None and said.shared >= 0.5:
            regions.setdefault(one.region, []).append((fault, one.row.home))
    out = []
    for region, found in regions.items():
        judged = sum(one.region == region and one.row.standing in _JUDGED for one in homes)
        found.sort(key=lambda pair: (pair[0].since_ns or 0, pair[1]))
        left = found
        while left:
            together = [pair for pair in left if _same(left[0][0], pair[0])]
            left = [pair for pair in left if pair not in together]
            if len(together) > 1:
                out.append(
                    Shared(
                        region=region,
                        homes=tuple(sorted(name for _, name in together)),
                        judged=judged,
                        surest=max((fault for fault, _ in together), key=lambda f: f.probability),
                        since_ns=together[0][0].since_ns,
                        sure=min(near[name].shared for _, name in together),
                    )
                )
    return sorted(out, key=lambda one: (-len(one.homes), one.region))


def _upstream(one: Judged) -> HomeFault | None:
    """Its surest ongoing fault that may be past the home."""
    return next((f for f in one.row.faults if f.past > 0.0), None)


def _same(one: HomeFault, two: HomeFault) -> bool:
    """Whether two faults began together; one of before the measured span began with every other such."""
    if one.since_ns is None or two.since_ns is None:
        return one.since_ns is two.since_ns
    return abs(one.since_ns - two.since_ns) <= TOGETHER_NS
