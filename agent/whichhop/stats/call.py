"""One call's stretch of packets as the listener would rate it: G.107, and RTP's running jitter (RFC 3550)."""

from collections.abc import Iterable

from msgspec import Struct

from whichhop.model.record import Columns
from whichhop.model.sample import Fate
from whichhop.stats.call_quality import G711_CONCEALED, Codec, Rating, rate_call
from whichhop.stats.loss_pattern import burst_ratio

PACKET_MS = 20
"""Speech in one packet at 50 packets a second; the first sample of it waits that long (RFC 3551 4.2)."""
PLAYOUT_MS = 60
"""A listener's fixed buffer, three packets: a usual setting (common practice)."""


class Jitter(Struct):
    """RFC 3550 section 6.4.1: J grows by a sixteenth of |D| - J with every packet after the first.

    D is the difference of two packets' transit times, in order of arrival (not of sequence). A transit
    time is arrival less sending, in any one unit, and J has that unit; clocks need not agree, for a
    constant offset cancels. A lost packet is simply not fed: the next pairs with the last that arrived.
    No packet or one packet: `value` is 0 and `pairs` is 0, which a reader must take as unknown.
    """

    value: float = 0.0
    pairs: int = 0
    _last: float | None = None

    def update(self, transit: float) -> float:
        """Feeds one packet that arrived; gives J after it."""
        # A.8 leaves the first packet open: it only sets the transit that the second is compared with.
        if self._last is not None:
            self.value += (abs(transit - self._last) - self.value) / 16
            self.pairs += 1
        self._last = transit
        return self.value


def jitter_after_each(transits: Iterable[float]) -> list[float]:
    """J (RFC 3550 6.4.1) after every packet but the first; length n - 1, empty for none or one packet.

    transits: of the packets that arrived, in order of arrival; J has their unit. All lost is an empty input.
    """
    estimator = Jitter()
    after = [estimator.update(transit) for transit in transits]
    return after[1:]


class Call(Struct, frozen=True, kw_only=True):
    """What a call over this path would have been.

    packets: sent. lost: by the network. discarded: arrived too late for the playout buffer. jitter_ms:
    RFC 3550's J of the round trips, in the order sent, after the last packet. rating: None without an answer.
    """

    packets: int
    lost: int
    discarded: int
    jitter_ms: float | None
    one_way_ms: float | None
    rating: Rating | None


def judge_call(columns: Columns, *, playout_ms: float = PLAYOUT_MS, codec: Codec = G711_CONCEALED) -> Call:
    """Rates one stretch of a call stream (about 500 packets at 50 a second) from its samples.

    Delay is half the least round trip, since neither way is known alone, plus one packet's speech and the
    buffer. Variation is judged on the round trip, so both ways' queues count: a careful figure. A packet more
    than `playout_ms` slower than the fastest is discarded, which to the listener is loss. Set-aside packets
    are left out. Empty: all None. All lost: rating None, for there is no delay to rate. One sample: J None.
    """
    trips: list[int | None] = []
    for fate, rtt_ns in zip(columns.fate, columns.rtt_ns, strict=True):
        if not Fate(fate).set_aside:
            trips.append(rtt_ns if fate == Fate.ANSWERED else None)
    answered = [rtt for rtt in trips if rtt is not None]
    if not answered:
        return Call(
            packets=len(trips), lost=len(trips), discarded=0, jitter_ms=None, one_way_ms=None, rating=None
        )
    least = min(answered)
    missed = [rtt is None or (rtt - least) / 1e6 > playout_ms for rtt in trips]
    jitter = jitter_after_each(rtt / 1e6 for rtt in answered)
    one_way_ms = least / 2e6 + PACKET_MS + playout_ms
    rating = rate_call(
        one_way_ms=one_way_ms,
        loss_ratio=sum(missed) / len(trips),
        # Losses more regular than chance give less than 1, which G.107 does not model.
        burst_ratio=max(1.0, burst_ratio(missed) or 1.0),
        codec=codec,
    )
    return Call(
        packets=len(trips),
        lost=len(trips) - len(answered),
        discarded=sum(missed) - (len(trips) - len(answered)),
        jitter_ms=jitter[-1] if jitter else None,
        one_way_ms=one_way_ms,
        rating=rating,
    )
