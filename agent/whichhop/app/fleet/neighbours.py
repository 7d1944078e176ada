"""Homes of one region as vantage points for each other: is a fault past the home seen next door too? Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from whichhop.app.fleet.many import Judged
from whichhop.app.homes import HomeFault, Standing
from whichhop.model import Cause
from whichhop.model.units import NS_PER_S

TOGETHER_NS = 300 * NS_PER_S
"""Homes notice the same fault within minutes of each other, as their packets and own baselines allow."""
LEAST_OTHERS = 2
"""One neighbour without the fault may hang on another branch; two are a beginning."""
_PAST_THE_HOME = frozenset({Cause.UPSTREAM_LINK, Cause.BEYOND})
_JUDGED = (Standing.FAULT, Standing.NO_FAULT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbours:
    """What the other homes of a region say of a home's fault. with_it: of `others` judged ones, those with a
    fault past the home that began at the same time."""

    region: str
    others: int
    with_it: int

    @property
    def words(self) -> str:
        """In a line, for the list of homes; "" where too few neighbours can say anything."""
        if self.with_it:
            return (
                f"{self.with_it} of {self.others} other homes in {self.region} have it too, from the same"
                " time: it is not this home's own, tell the provider so."
            )
        if self.others >= LEAST_OTHERS:
            return (
                f"None of {self.others} other homes in {self.region} has it: look at this home's own line,"
                " modem and coax first."
            )
        return ""


def neighbours_of(homes: Sequence[Judged]) -> Mapping[str, Neighbours]:
    """By home, for those with an ongoing fault past the home and a region that its owner gave."""
    out = {}
    for one in homes:
        fault = _upstream(one)
        if fault is None or not one.region:
            continue
        others = [o for o in homes if o is not one and o.region == one.region and o.row.standing in _JUDGED]
        with_it = sum(_same(fault, found) for o in others if (found := _upstream(o)) is not None)
        out[one.row.home] = Neighbours(region=one.region, others=len(others), with_it=with_it)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """One fault past several homes of a region. homes: the names of those of its `judged` ones that have
    it. surest: as the home tells it that is surest. since_ns: the earliest; None for before measuring."""

    region: str
    homes: tuple[str, ...]
    judged: int
    surest: HomeFault
    since_ns: int | None


def shared_faults(homes: Sequence[Judged]) -> list[Shared]:
    """Faults that began at the same time past at least two homes of a region, the widest first."""
    regions: dict[str, list[tuple[HomeFault, str]]] = {}
    for one in homes:
        if one.region and (fault := _upstream(one)) is not None:
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
                    )
                )
    return sorted(out, key=lambda one: (-len(one.homes), one.region))


def _upstream(one: Judged) -> HomeFault | None:
    """Its surest ongoing fault that may be past the home."""
    return next((f for f in one.row.faults if f.cause in _PAST_THE_HOME), None)


def _same(one: HomeFault, two: HomeFault) -> bool:
    """Whether two faults began together; one of before the measured span began with every other such."""
    if one.since_ns is None or two.since_ns is None:
        return one.since_ns is two.since_ns
    return abs(one.since_ns - two.since_ns) <= TOGETHER_NS
