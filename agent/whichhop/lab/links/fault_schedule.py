"""A scenario's faults as a list of switchings in time, for whoever plays it against a clock."""

from collections.abc import Iterable
from dataclasses import dataclass

from whichhop.lab.scenario import Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Switching:
    """At this many seconds from the start, a fault goes on or off; `number` is its place in the scenario."""

    at_s: float
    number: int
    on: bool
    fault: Fault


def switchings(faults: Iterable[Fault]) -> list[Switching]:
    """Every switching in order of time; what ends at an instant goes off before what begins there goes on."""
    out = []
    for number, fault in enumerate(faults):
        out.append(Switching(at_s=fault.at_s, number=number, on=True, fault=fault))
        out.append(Switching(at_s=fault.at_s + fault.for_s, number=number, on=False, fault=fault))
    return sorted(out, key=lambda s: (s.at_s, s.on))
