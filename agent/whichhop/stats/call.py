"""One call's stretch of packets as the listener would rate it: delay, variation, loss and G.107 together."""

from dataclasses import dataclass

from whichhop.model.record import Columns
from whichhop.model.sample import Fate
from whichhop.stats.call_quality import G711_CONCEALED, Codec, Rating, rate_call
from whichhop.stats.jitter import jitter_after_each
from whichhop.stats.loss_model import burst_ratio

PACKET_MS = 20
"""Speech in one packet at 50 packets a second; the first sample of it waits that long (RFC 3551 4.2)."""
PLAYOUT_MS = 60
"""A listener's fixed buffer, three packets: a usual setting (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
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
