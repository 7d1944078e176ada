"""What is going on now, as running counts: fed a sample at a time, read by the exporter and the page."""

from bisect import bisect_left
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from whichhop.model import Fate, Sample, SessionKey
from whichhop.serve.catalogue import BUCKETS_S

BOUNDS_NS = tuple(round(bound * 1e9) for bound in BUCKETS_S)
OTHER = "other"
"""The target under which sessions are counted that the home file does not name."""


@dataclass(slots=True)
class SessionState:
    """One session since the agent started. `buckets` has one place more than there are bounds."""

    fates: dict[Fate, int] = field(default_factory=lambda: dict.fromkeys(Fate, 0))
    buckets: list[int] = field(default_factory=lambda: [0] * (len(BOUNDS_NS) + 1))
    rtt_sum_ns: int = 0
    last_rtt_ns: int | None = None
    last_sent_ns: int | None = None
    duplicates: int = 0
    reordered: int = 0
    clock_error_ns: int | None = None

    @property
    def sent(self) -> int:
        """Packets that were asked of the path: all but those set aside."""
        return sum(n for fate, n in self.fates.items() if not fate.set_aside)

    def observe(self, sample: Sample) -> None:
        """Count one sample."""
        self.fates[sample.fate] += 1
        if self.last_sent_ns is None or sample.sent_ns > self.last_sent_ns:
            self.last_sent_ns = sample.sent_ns
        if sample.fate is Fate.ANSWERED and sample.rtt_ns is not None:
            self.buckets[bisect_left(BOUNDS_NS, sample.rtt_ns)] += 1
            self.rtt_sum_ns += sample.rtt_ns
            self.last_rtt_ns = sample.rtt_ns


class LiveState:
    """The running state of one agent; one thread (the daemon's loop) feeds and reads it.

    names: the home's node names: what labels may say.
    values: gauges and counters of the agent by their catalogue name without "whichhop_", for instance
        "loop_lateness_seconds", "steal_ratio", "wan_received_bytes", "store_writable"; set by the daemon.
    faults: probability by element. episodes: (cause, element) pairs going on now. Both from the comparer.
    """

    def __init__(self, *, home: str, agent: str, names: Collection[str]) -> None:
        self.home = home
        self.agent = agent
        self.values: dict[str, float] = {}
        self.faults: Mapping[str, float] = {}
        self.episodes: Collection[tuple[str, str]] = ()
        self._names = frozenset(names)
        self._sessions: dict[SessionKey, SessionState] = {}

    def session(self, key: SessionKey) -> SessionState:
        """The state of a session, begun when it is new."""
        state = self._sessions.get(key)
        if state is None:
            if key.target not in self._names:
                key = SessionKey(agent=key.agent, target=OTHER, method=key.method)
            state = self._sessions.setdefault(key, SessionState())
        return state

    def observe(self, key: SessionKey, sample: Sample) -> None:
        """Count one sample; a microsecond's work. Fits probes' Sink."""
        self.session(key).observe(sample)

    def facts(
        self, key: SessionKey, *, duplicates: int, reordered: int, clock_error_ns: int | None = None
    ) -> None:
        """Add a minute's record facts to the session's counts."""
        state = self.session(key)
        state.duplicates += duplicates
        state.reordered += reordered
        state.clock_error_ns = clock_error_ns

    def sessions(self) -> Iterator[tuple[SessionKey, SessionState]]:
        """Every session seen, in a steady order."""
        yield from sorted(self._sessions.items(), key=lambda item: item[0])

    def forget(self, names: Collection[str]) -> None:
        """Take the node names of a home file read anew; sessions to nodes that are gone are dropped."""
        self._names = frozenset(names)
        self._sessions = {k: s for k, s in self._sessions.items() if k.target in self._names}
