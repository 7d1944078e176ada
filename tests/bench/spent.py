"""What a piece of work took: seconds by the clock and of processors, and the most memory."""

import os
import resource

from msgspec import Struct

from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock


class Spent(Struct, frozen=True, kw_only=True):
    """Processor seconds are this process's and those of its children that have ended."""

    wall_s: float
    cpu_s: float

    @classmethod
    def now(cls) -> "Spent":
        """A beginning."""
        return cls(wall_s=SystemClock().mono_ns() / NS_PER_S, cpu_s=sum(os.times()[:4]))

    @classmethod
    def since(cls, began: "Spent") -> "Spent":
        """What was spent since a beginning."""
        here = cls.now()
        return cls(wall_s=here.wall_s - began.wall_s, cpu_s=here.cpu_s - began.cpu_s)


def peak_mb(children: int) -> int:
    """The most that this process and so many of its children at once have held, each at its own peak."""
    own, child = (
        resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return (own + children * child) // 1024
