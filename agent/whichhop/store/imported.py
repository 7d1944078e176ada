"""What imported records tell of their makers: two machines of one name, and times in another unit."""

from collections import OrderedDict
from collections.abc import Iterator

from msgspec import Struct, field

from whichhop.errors import DataError
from whichhop.model import ABSENT, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.json_line import time_text
from whichhop.store.store import Store

_MOST_HOURS = 64
"""Of sessions, whose records are kept at hand; a file has its sessions one after the other, or all of an hour
side by side. Some 10 MB."""
_LEAST_ANSWERS = 60
"""A minute at a packet a second."""
_SLOW_NS = NS_PER_S
"""The least round trip of a path by geostationary satellite is 0.48 s (two hops of 35,786 km up and down, at
the speed of light); at its best no path of a home has twice that."""


class _Session(Struct):
    """overlaps: minutes that another source has too; within: those that this one has twice."""

    overlaps: set[int] = field(default_factory=set)
    within: set[int] = field(default_factory=set)
    left_out: int = 0
    answers: int = 0
    least_ns: int = 2**63 - 1


class Imported:
    """The records of one source, each looked at before it is stored.

    `refuse` tells what must not be mixed, `remarks` what is odd and taken all the same.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._hours: OrderedDict[tuple[SessionKey, int], dict[int, list[Record]]] = OrderedDict()
        self._own: OrderedDict[tuple[SessionKey, int], list[Record]] = OrderedDict()
        self._sessions: dict[SessionKey, _Session] = {}

    def look(self, record: Record) -> None:
        """Note one record, held against those of its session and minute that are stored, or came before."""
        session = self._sessions.setdefault(record.session, _Session())
        answers = [rtt for rtt in record.samples.rtt_ns if rtt != ABSENT]
        session.answers += len(answers)
        session.least_ns = min([session.least_ns, *answers])
        own = self._own_of(record)
        stored = [r for r in self._stored(record.session, record.minute) if r not in own]
        if record in stored or record in own:
            return  # the same export once more
        if any(is_of_another(record, other) for other in stored):
            session.overlaps.add(record.minute)
        if any(is_of_another(record, other) for other in own):
            session.within.add(record.minute)
        begins = [min(o.samples.sent_ns, default=0) for o in (*stored, *own)]
        session.left_out += min(record.samples.sent_ns, default=0) in begins
        own.append(record)

    def _own_of(self, record: Record) -> list[Record]:
        found = self._own.setdefault((record.session, record.minute), [])
        if len(self._own) > 60 * _MOST_HOURS:
            self._own.popitem(last=False)
        return found

    def _stored(self, key: SessionKey, minute: int) -> list[Record]:
        hour = minute // 60
        if (key, hour) not in self._hours:
            found = self._hours[key, hour] = {}
            for record in self._store.session_records(key, hour * 60, hour * 60 + 60):
                found.setdefault(record.minute, []).append(record)
            if len(self._hours) > _MOST_HOURS:
                self._hours.popitem(last=False)
        return self._hours[key, hour].get(minute, [])

    def refuse(self, place: str) -> None:
        """DataError where a session would get packets of two machines."""
        for key, session in self._sessions.items():
            if session.overlaps:
                raise DataError(
                    f"{_where(place, key)}: {_minutes(session.overlaps)} there already with other packets:"
                    f" two machines are named {key.agent}, or its clock was set back; give one another"
                    " name in its file, or take both by `whichhop records import --overlapping`"
                )

    @property
    def left_out(self) -> int:
        """Records that cannot be stored, since another of their session begins at the same nanosecond."""
        return sum(session.left_out for session in self._sessions.values())

    def remarks(self, place: str) -> Iterator[str]:
        """What is odd and taken all the same, a line each."""
        for key, session in self._sessions.items():
            if session.within:
                yield (
                    f"{_where(place, key)}: {_minutes(session.within)} there twice with different packets:"
                    " its clock was set back, or the file is made of two machines' that have one name"
                )
            if session.answers >= _LEAST_ANSWERS and session.least_ns > _SLOW_NS:
                least_s = session.least_ns / NS_PER_S
                yield (
                    f"{_where(place, key)}: the least of {session.answers} round trips is {least_s:.3g} s; if"
                    f" that is milliseconds, write seconds in rtt_s, {least_s / 1000:.3g}, and import into a"
                    " new store"
                )


def _where(place: str, key: SessionKey) -> str:
    return f"{place}: {key.agent} to {key.target} ({key.method})"


def _minutes(found: set[int]) -> str:
    first = time_text(min(found) * NS_PER_MINUTE)
    return f"the minute at {first} is" if len(found) == 1 else f"{len(found)} minutes from {first} on are"


def is_of_another(record: Record, other: Record) -> bool:
    """Whether two records of one session and minute hold packets that one sender cannot have sent in turn.

    A minute's second part, after a restart, begins when the first has ended; the same packets, from two
    exports, are the same to the nanosecond.
    """
    one, two = record.samples, other.samples
    if not one or not two:
        return False
    first, last = min(two.sent_ns), max(two.sent_ns)
    known = set(zip(two.sent_ns, two.rtt_ns, strict=True))
    return any(
        first <= sent <= last and (sent, rtt) not in known
        for sent, rtt in zip(one.sent_ns, one.rtt_ns, strict=True)
    )
