"""What a labelled case is: a scenario, and what was truly going on when."""

from collections.abc import Sequence

from msgspec import Struct, field

from whichhop.lab.scenario import Profile, Scenario
from whichhop.model import Cause, Home, Session

PROVIDER_SIDE = frozenset({Cause.UPSTREAM_LINK, Cause.BEYOND})
HOME_SIDE = frozenset(
    {Cause.WIRELESS_HOP, Cause.BACKHAUL, Cause.WIRED_LAN, Cause.HOME_NODE, Cause.OWN_TRAFFIC}
)


SLACK_S = 90.0
"""A verdict this long after a fault's end is still about it: smoothing and hysteresis lag."""


class Label(Struct, frozen=True, kw_only=True):
    """The truth about a stretch of time, seconds since the scenario's start.

    element: what was at fault. accept: other elements whose naming is as right (two links hit by one hidden
    station: their access point's air). harmless: nothing of the network was at fault, so that silence is
    right, and so is naming one of `accept` or the element itself. slack_s: how long after the end a verdict
    may begin and still be about it; where something heals, what begins afterwards is false. apart: it needs a
    verdict that began with it, and not one that was there before and happens to hold its name.
    """

    start_s: float
    end_s: float
    element: str
    cause: Cause
    rhythm: str
    size: str
    accept: frozenset[str] = field(default_factory=frozenset)
    harmless: bool = False
    slack_s: float = SLACK_S
    apart: bool = False


class Case(Struct, frozen=True, kw_only=True):
    """One home over some hours with its labels; `recipe` and `seed` make it again.

    absent: agents that never report, so that their sessions do not count in what rank allows. told: the home
    as its file describes it, where that is not how it is (a plan too large, a medium not known).
    warm_up_s: verdicts that end sooner do not count; 0 where what stands from the first packet must be named.
    """

    recipe: str
    seed: int
    scenario: Scenario
    labels: tuple[Label, ...]
    absent: frozenset[str] = field(default_factory=frozenset)
    told: Home | None = None
    warm_up_s: float = 0.0

    def heard(self, sessions: Sequence[Session]) -> tuple[Session, ...]:
        """The sessions between those that report: one that is silent speaks of its own node only."""
        return tuple(s for s in sessions if not {s.key.agent, s.key.target} & self.absent)

    @property
    def name(self) -> str:
        """What to ask for to see it again."""
        noise = "" if self.scenario.profile is Profile.SIMULATED else f":{self.scenario.profile}"
        return f"{self.recipe}:{self.seed}{noise}"

    @property
    def home(self) -> Home:
        """The home as the comparer is told."""
        return self.told or self.scenario.home
