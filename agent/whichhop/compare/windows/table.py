"""Slices of time as arrays: what each session sent, lost and saw in each tick of ten seconds."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.model import SessionKey
from whichhop.model.units import NS_PER_S

if TYPE_CHECKING:
    from whichhop.compare.windows.seconds import SecondsSource

TICK_NS = 10 * NS_PER_S
"""Ten seconds: the shortest slice in which a packet a second still gives a usable quantile."""
LEAST_ANSWERS = 3
"""Under this many answers a tick's quantiles say nothing."""


Counts = NDArray[np.uint16]
Seconds = NDArray[np.float32]
Shorts = NDArray[np.float16]
"""Half precision: a tail is known to a few per cent at best."""

COUNTS = ("sent", "lost", "lost_out", "lost_back", "aside", "slow")
QUANTILES = ("q50_s", "q80_s", "tail_s")
SLOW_S = 0.025
"""An answer this much above its tick's median counts as slow: a packet of a call and the next one are due
by then (20 ms each, RFC 3551 section 4.5)."""
TAIL_CAP_S = 0.3
"""One packet's excess counts at most this much, so that a radio asleep is not all that is seen of a tick."""


def whole_ticks(start_ns: int, end_ns: int) -> tuple[int, int]:
    """The span's whole ticks, since windows lie on multiples of their length."""
    return start_ns - start_ns % TICK_NS, end_ns - end_ns % TICK_NS


class WindowTable(Struct, frozen=True, kw_only=True):
    """Features per tick and session; every array has the shape (ticks, sessions).

    start_ns: UTC nanoseconds of the first tick's begin.
    sent: packets sent, those set aside left out. lost: of them, lost in any direction (late ones too).
    lost_out, lost_back: of the lost, those whose direction is known. aside: packets set aside.
    slow: of the answered, those SLOW_S and more above the tick's own median.
    q50_s, q80_s: quantiles of the answered round trips in seconds, NaN under LEAST_ANSWERS answers.
    tail_s: their mean excess over the median in seconds, each at most TAIL_CAP_S; NaN as the quantiles.
    coarse: True when the quantiles come from histogram buckets, not from samples.
    stamps: whose stamps timed a session, as its records say (see Record); sessions of which none does are
        left out.
    """

    sessions: tuple[SessionKey, ...]
    start_ns: int
    sent: Counts
    lost: Counts
    lost_out: Counts
    lost_back: Counts
    aside: Counts
    slow: Counts
    q50_s: Seconds
    q80_s: Seconds
    tail_s: Shorts
    step_ns: int = TICK_NS
    coarse: bool = False
    stamps: Mapping[SessionKey, frozenset[str]] = field(default_factory=dict)
    ahead_s: Mapping[SessionKey, float] = field(default_factory=dict)
    """By how many seconds the target's clock is ahead of the agent's; those that do not tell are left out."""
    seconds: "SecondsSource | None" = None
    """Where the seconds inside of ticks can be had; None where only the ticks are known."""

    @property
    def ticks(self) -> int:
        """How many slices of time there are."""
        return int(self.sent.shape[0])

    @property
    def answered(self) -> Counts:
        """Packets answered in time."""
        return np.asarray(self.sent - self.lost, dtype=np.uint16)

    def answered_at_all(self) -> NDArray[np.bool_]:
        """Sessions of which a packet was answered, (sessions,)."""
        return np.asarray((self.sent > self.lost).any(axis=0))

    def judged_at_all(self) -> NDArray[np.bool_]:
        """Sessions that were ever answered often enough in a tick to be judged, (sessions,)."""
        return np.asarray(np.isfinite(self.q50_s).any(axis=0))

    def at_ns(self, tick: int) -> int:
        """When a tick begins."""
        return self.start_ns + int(tick) * self.step_ns

    def picked(self, keys: Sequence[SessionKey]) -> "WindowTable":
        """The same ticks for these sessions in this order; KeyError for one that is not there."""
        place = {key: i for i, key in enumerate(self.sessions)}
        columns = [place[key] for key in keys]
        if columns == list(range(len(self.sessions))):
            return self
        changed = self._each(lambda a: np.ascontiguousarray(a[:, columns]))
        return replace(changed, sessions=tuple(keys))

    def span(self, first: int, end: int) -> "WindowTable":
        """The ticks first..end-1, as views without a copy."""
        return replace(self._each(lambda a: a[first:end]), start_ns=self.at_ns(first))

    def with_silent(self, keys: Sequence[SessionKey]) -> "WindowTable":
        """The same with columns of sessions that sent nothing behind its own."""
        empty = empty_table(keys, self.start_ns, self.ticks, self.step_ns)
        changed: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(empty, name)], axis=1)
            for name in (*COUNTS, *QUANTILES)
        }
        return replace(self, sessions=(*self.sessions, *keys), **changed)

    def measured(self) -> "WindowTable | None":
        """From the first tick in which anything was sent to the last; None where nothing was.

        The one rule of where a judged span begins and ends: before it nothing could be learned, after it
        nothing was measured, so that neither can stretch an episode or unmake what is known.
        """
        ticks = np.flatnonzero(self.sent.any(axis=1))
        return self.span(int(ticks[0]), int(ticks[-1]) + 1) if ticks.size else None

    def _each(self, change: Callable[[NDArray[Any]], NDArray[Any]]) -> "WindowTable":
        changed: dict[str, Any] = {name: change(getattr(self, name)) for name in (*COUNTS, *QUANTILES)}
        return replace(self, **changed)


def empty_table(
    sessions: Sequence[SessionKey], start_ns: int, ticks: int, step_ns: int = TICK_NS
) -> WindowTable:
    """A table in which nobody sent anything, its arrays to be filled in place."""
    shape = (ticks, len(sessions))
    counts: dict[str, Any] = {name: np.zeros(shape, dtype=np.uint16) for name in COUNTS}
    seconds: dict[str, Any] = {name: np.full(shape, np.nan, dtype=_kept_as(name)) for name in QUANTILES}
    return WindowTable(sessions=tuple(sessions), start_ns=start_ns, step_ns=step_ns, **counts, **seconds)


def one_after_another(
    parts: Iterable[WindowTable],
    keys: Sequence[SessionKey],
    start_ns: int,
    end_ns: int,
    step_ns: int = TICK_NS,
) -> WindowTable:
    """The ticks of a span out of tables that do not overlap, whose ticks lie on multiples of their length.

    keys: the columns; a session that a part lacks sent nothing in it. The clocks are told by the latest part
    that does.
    """
    whole = empty_table(keys, start_ns, max(0, (end_ns - start_ns) // step_ns), step_ns)
    place = {key: i for i, key in enumerate(keys)}
    stamps: dict[SessionKey, frozenset[str]] = {}
    ahead_s: dict[SessionKey, float] = {}
    coarse = False
    for part in parts:
        first = (part.start_ns - start_ns) // step_ns
        here = slice(max(0, first), min(whole.ticks, first + part.ticks))
        if here.start >= here.stop:
            continue
        alike = part.sessions == whole.sessions
        columns = [i for i, key in enumerate(part.sessions) if key in place]
        into = [place[part.sessions[i]] for i in columns]
        for name in (*COUNTS, *QUANTILES):
            rows = getattr(part, name)[here.start - first : here.stop - first]
            if alike:
                getattr(whole, name)[here] = rows
            else:
                getattr(whole, name)[here, into] = rows[:, columns]
        for key, groups in part.stamps.items():
            stamps[key] = stamps.get(key, frozenset()) | groups
        ahead_s |= part.ahead_s
        coarse |= part.coarse
    return replace(whole, stamps=stamps, ahead_s=ahead_s, coarse=coarse)


def _kept_as(name: str) -> type[np.floating[Any]]:
    return np.float16 if name == "tail_s" else np.float32
