"""What probers have in common: a session's flight of packets, when each left, and its facts. Pure."""

from collections.abc import Callable, Hashable, Iterator
from functools import lru_cache
from ipaddress import ip_address
from itertools import takewhile
from typing import Generic, TypeVar

from msgspec import Struct

from whichhop.model import Fate, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.probes.base import SessionFacts
from whichhop.wire.flight import Flight

STAMPING_NS = 50_000
"""What lies between a packet's scheduling and driver stamps when no queue does is the taking of the stamps:
2 to 10 us on a veth with every core busy, 40 us when interrupted. Only above this is it told as a queue,
which is four full frames at 1 Gb/s."""


class Course(Struct, kw_only=True):
    """One session's packets to one address; when the target moves, a new course begins."""

    key: SessionKey
    address: str
    flight: Flight
    send_failures: int = 0

    def not_sent(self, seq: int) -> tuple[Sample, ...]:
        """The system refused the packet: the path was never asked."""
        self.send_failures += 1
        return self.flight.settle(seq, Fate.NOT_SENT)

    def facts(self, clock_error_ns: int | None = None) -> SessionFacts:
        """Counts since they were last taken."""
        told, failures = self.flight.facts(), self.send_failures
        self.send_failures = 0
        return SessionFacts(
            duplicates=told.duplicates,
            reordered=told.reordered,
            late=told.too_late,
            stamps=told.stamps,
            clock_error_ns=clock_error_ns,
            send_failures=failures,
            refused={str(reason): count for reason, count in told.refused.items()},
        )


_C = TypeVar("_C", bound=Course)
_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")
_KEPT = 2048
"""Packets remembered by number or token: five calls at once, 250 a second, for longer than they are waited
for and held (wire.flight.WAIT_NS, LINGER_NS). More would cost memory: a row is some 200 octets."""


class Remembered(Generic[_K, _V]):
    """A table of bounded length that forgets its oldest row."""

    def __init__(self) -> None:
        self._rows: dict[_K, _V] = {}

    def keep(self, key: _K, value: _V) -> None:
        """Put a row last, over an older one of the same key."""
        self._rows.pop(key, None)
        self._rows[key] = value
        if len(self._rows) > _KEPT:
            del self._rows[next(iter(self._rows))]

    def get(self, key: _K) -> _V | None:
        """The row, None when there is none or it is forgotten."""
        return self._rows.get(key)

    def drop(self, key: _K) -> None:
        """Forget a row that is done with."""
        self._rows.pop(key, None)

    def forget_while(self, over: Callable[[_V], bool]) -> None:
        """Drop the oldest rows as long as they are over."""
        for key in list(takewhile(lambda key: over(self._rows[key]), self._rows)):
            del self._rows[key]

    def __len__(self) -> int:
        return len(self._rows)


def flying(key: SessionKey, address: str) -> Course:
    """The course of a session whose packets are plain ones."""
    return Course(key=key, address=address, flight=Flight())


class Courses(Generic[_C]):
    """A prober's courses: the one that flies for each key, and old ones while a packet is unsettled."""

    def __init__(self, make: Callable[[SessionKey, str], _C]) -> None:
        """`make` begins a course for a key and a canonical address."""
        self._make = make
        self._flying: dict[SessionKey, _C] = {}
        self._landing: list[_C] = []

    def to(self, key: SessionKey, address: str) -> _C:
        """The course of a session to an address, begun when there is none."""
        course = self._flying.get(key)
        if course is None or course.address != address:
            if course is not None:
                self._landing.append(course)
            course = self._flying[key] = self._make(key, address)
        return course

    def of(self, key: SessionKey) -> _C | None:
        """The course that flies now, None when nothing was sent yet."""
        return self._flying.get(key)

    def unanswered(self, before_ns: MonoNs) -> Iterator[tuple[SessionKey, UtcNs]]:
        """The packets of all courses sent before a time that nobody has answered so far."""
        for course in (*self._flying.values(), *self._landing):
            for sent_ns in course.flight.unanswered(before_ns):
                yield course.key, sent_ns

    def expire(self, now_ns: MonoNs) -> Iterator[tuple[SessionKey, Sample]]:
        """Samples of packets waited for long enough, of all courses."""
        for course in (*self._flying.values(), *self._landing):
            for sample in course.flight.expire(now_ns):
                yield course.key, sample
        self._landing = [c for c in self._landing if len(c.flight)]


@lru_cache(maxsize=1024)
def plain(address: str) -> str:
    """A numeric address in its one canonical spelling, zone left out, so that two spellings compare equal."""
    try:
        return str(ip_address(address.partition("%")[0]))
    except ValueError:
        return address


class SendTimes(Generic[_V]):
    """Joins a packet's two send stamps into the one time it left."""

    def __init__(self) -> None:
        self._rows: Remembered[Hashable, tuple[_V, int | None]] = Remembered()

    def __len__(self) -> int:
        """Packets whose last stamp has not come."""
        return len(self._rows)

    def launched(self, token: Hashable, what: _V) -> None:
        """A packet left; its stamps will come under `token`."""
        self._rows.keep(token, (what, None))

    def stamped(
        self, token: Hashable, at_ns: int, *, scheduled: bool, scheduled_ns: int | None = None
    ) -> tuple[_V, int, int | None] | None:
        """What the token stands for, the time it left, and its driver stamp when that is known.

        scheduled_ns: the scheduling stamp, where it came just before the driver's.

        The time it left is the scheduling stamp, since what the packet then waits in this machine's own queue
        belongs to the path; it is the driver's where nothing but the stamping lies between.
        """
        row = self._rows.get(token)
        if row is None:
            return None
        what, known_ns = row
        if scheduled:
            self._rows.keep(token, (what, at_ns))
            return what, at_ns, None
        self._rows.drop(token)  # the driver's stamp is the last
        scheduled_ns = known_ns if scheduled_ns is None else scheduled_ns
        if scheduled_ns is None or at_ns - scheduled_ns < STAMPING_NS:
            return what, at_ns, at_ns
        return what, scheduled_ns, at_ns
