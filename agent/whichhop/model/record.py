"""A record: one session's samples of one minute, in columns; what the store keeps and what travels.

Its time stamps are T1 sent, T2 came there, T3 left there, T4 came back (RFC 8762 4).
"""

from array import array
from collections.abc import Collection, Iterable, Iterator

from msgspec import Struct, field

from whichhop.model.sample import Fate, Sample
from whichhop.model.session import Method, SessionKey

ABSENT = -(2**63)
"""Stands in a column where a sample has no such fact."""


def _or_absent(value: int | None) -> int:
    return ABSENT if value is None else value


def _or_none(value: int) -> int | None:
    return None if value == ABSENT else value


class Columns(Struct, frozen=True):
    """Samples side by side, in the order sent; five columns of one length, times in ns.

    Standard-library arrays, because the daemon must not load numpy; numpy reads them without a copy.
    """

    sent_ns: "array[int]" = field(default_factory=lambda: array("q"))
    fate: "array[int]" = field(default_factory=lambda: array("B"))
    rtt_ns: "array[int]" = field(default_factory=lambda: array("q"))
    out_ns: "array[int]" = field(default_factory=lambda: array("q"))
    queue_ns: "array[int]" = field(default_factory=lambda: array("q"))

    @classmethod
    def of(cls, samples: Iterable[Sample]) -> "Columns":
        """The columns of some samples."""
        out = cls()
        for sample in samples:
            out.append(sample)
        return out

    def append(self, sample: Sample) -> None:
        """Add one sample at the end."""
        self.sent_ns.append(sample.sent_ns)
        self.fate.append(sample.fate)
        self.rtt_ns.append(_or_absent(sample.rtt_ns))
        self.out_ns.append(_or_absent(sample.out_ns))
        self.queue_ns.append(_or_absent(sample.queue_ns))

    def __len__(self) -> int:
        return len(self.sent_ns)

    def __iter__(self) -> Iterator[Sample]:
        for sent, fate, rtt, out, queue in zip(
            self.sent_ns, self.fate, self.rtt_ns, self.out_ns, self.queue_ns, strict=True
        ):
            yield Sample(
                sent_ns=sent,
                fate=Fate(fate),
                rtt_ns=_or_none(rtt),
                out_ns=_or_none(out),
                queue_ns=_or_none(queue),
            )


STAMPS_NOT_SAID = "?"


class Record(Struct, frozen=True, kw_only=True):
    """One session's minute.

    minute: minutes since the epoch, UTC, of the packets' send times.
    stamps: which of T1, T2, T3, T4 the kernel took for this session, e.g. "T1 T4"; empty when user space
        took all, STAMPS_NOT_SAID where another program wrote the record and did not say. A reader must know
        how a figure was obtained.
    clock_error_ns: the larger of both ends' stated clock error (RFC 4656 4.1.2), None when either end
        does not know; one-way delay may be shown only when it is known.
    """

    session: SessionKey
    minute: int
    samples: Columns
    duplicates: int = 0
    reordered: int = 0
    stamps: str = ""
    clock_error_ns: int | None = None


class Reading(Struct, frozen=True, kw_only=True):
    """One value of something that is not a probe: a byte counter, the event loop's lateness, a radio rate.

    name: what it is with its unit, e.g. "wan_rx_bytes", "loop_lateness_s", "steal_ratio".
    """

    at_ns: int
    agent: str
    name: str
    value: float


_FOUR, _TWO = ("T1", "T2", "T3", "T4"), ("T1", "T4")
"""Stamps a round trip needs: with a far end that stamps, and with one that only answers."""


def told_stamps(records: Iterable[Record]) -> frozenset[str]:
    """What records with an answer say of their stamps; one without has timed nothing, and says ""."""
    return frozenset(r.stamps for r in records if Fate.ANSWERED in r.samples.fate)


def said_of(groups: Collection[str]) -> list[str]:
    """What those records say that say anything of their stamps."""
    return [group for group in groups if group != STAMPS_NOT_SAID]


def kernel_stamps(groups: Collection[str]) -> frozenset[str]:
    """The stamps that the kernel took in at least one record. groups: the records' `stamps`, "T1 T4"."""
    return frozenset(stamp for group in said_of(groups) for stamp in group.split())


def program_stamps(method: Method | str, groups: Collection[str]) -> frozenset[str]:
    """The stamps that the program took itself in at least one record, late when its machine is busy."""
    taken = [set(group.split()) for group in said_of(groups)]
    wanted = _FOUR if method == Method.STAMP or any("T2" in group for group in taken) else _TWO
    return frozenset(stamp for group in taken for stamp in wanted if stamp not in group)
