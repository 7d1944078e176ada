"""What a labelled case is: a scenario, and what was truly going on when."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from whichhop.lab.scenario import Scenario
from whichhop.model import Cause, Session

PROVIDER_SIDE = frozenset({Cause.UPSTREAM_LINK, Cause.BEYOND})
HOME_SIDE = frozenset(
    {Cause.WIRELESS_HOP, Cause.BACKHAUL, Cause.WIRED_LAN, Cause.HOME_NODE, Cause.OWN_TRAFFIC}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """The truth about a stretch of time, seconds since the scenario's start.

    element: what was at fault. accept: other elements whose naming is as right (two links hit by one hidden
    station: their access point's air). harmless: nothing of the network was at fault, so that silence is
    right, and so is naming one of `accept` or the element itself.
    """

    start_s: float
    end_s: float
    element: str
    cause: Cause
    rhythm: str
    size: str
    accept: frozenset[str] = field(default_factory=frozenset)
    harmless: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One home over some hours with its labels; `recipe` and `seed` make it again.

    absent: agents that never report, so that their sessions do not count in what rank allows.
    """

    recipe: str
    seed: int
    scenario: Scenario
    labels: tuple[Label, ...]
    absent: frozenset[str] = field(default_factory=frozenset)

    def heard(self, sessions: Sequence[Session]) -> tuple[Session, ...]:
        """The sessions between those that report: one that is silent speaks of its own node only."""
        return tuple(s for s in sessions if not {s.key.agent, s.key.target} & self.absent)

    @property
    def name(self) -> str:
        """What to ask for to see it again."""
        return f"{self.recipe}:{self.seed}"
