"""Which clocks of agents are off now, for who follows a home: looked at once a minute, by new minutes."""

from collections.abc import Sequence

from msgspec import Struct, field

from whichhop.app.stored.store_windows import ahead_in
from whichhop.compare.windows.clocks import LEAST_OFF_S, clocks_of, off, one_clock_words
from whichhop.model import Home, Record, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.store import Store

LOOKED_NS = 3 * NS_PER_MINUTE
"""Of what was stored lately: two whole minutes, and what is said of them does not rest on one."""


class LiveClocks(Struct):
    """off_s: by agent, by how many seconds its clock is ahead, those in line left out."""

    home: Home
    store: Store
    off_s: dict[str, float] = field(default_factory=dict)
    _looked_ns: int = -NS_PER_MINUTE

    def moved(self, due_ns: int, loose: Sequence[Record], *, anew: bool) -> bool:
        """Look; whether a clock is off by another length than is reckoned with."""
        if not anew and 0 <= due_ns - self._looked_ns < NS_PER_MINUTE:
            return False
        self._looked_ns = due_ns
        agents = {node.name for node in self.home.agents}
        keys = [s.key for s in derive_sessions(self.home) if s.key.target in agents]
        # Minutes are named by the agent's own clock: one that is off has its newest elsewhere.
        reach_ns = LOOKED_NS + self.reach_ns
        ahead = ahead_in(self.store, keys, due_ns - reach_ns, due_ns + reach_ns, loose)
        found = off(clocks_of(ahead, agents))
        names = {*found, *self.off_s}
        if not any(abs(found.get(n, 0.0) - self.off_s.get(n, 0.0)) >= LEAST_OFF_S for n in names):
            return False
        self.off_s = found
        return True

    @property
    def reach_ns(self) -> int:
        """How far off the furthest is."""
        return round(max(map(abs, self.off_s.values()), default=0.0) * NS_PER_S)

    @property
    def words(self) -> dict[str, str]:
        """By agent, what is wrong with its clock."""
        return {name: one_clock_words(seconds) for name, seconds in self.off_s.items()}
