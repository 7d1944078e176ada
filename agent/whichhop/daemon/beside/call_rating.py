"""Rates each stretch of a call stream once it has ended, as a listener would (ITU-T G.107). Pure."""

from collections.abc import Iterator

from msgspec import Struct, field

from whichhop.daemon.minutes import SETTLE_NS
from whichhop.model import Columns, Method, Reading, Sample, SessionKey
from whichhop.stats.call import Call, judge_call


class CallBook(Struct):
    """The samples of stretches that still run."""

    _open: dict[SessionKey, list[Sample]] = field(default_factory=dict)

    def add(self, key: SessionKey, sample: Sample) -> None:
        """Take in a sample; those of other methods are passed over."""
        if key.method is Method.CALL:
            self._open.setdefault(key, []).append(sample)

    def close_ended(self, now_ns: int) -> Iterator[tuple[SessionKey, Call]]:
        """The calls whose last packet was sent so long ago that its fate is known."""
        for key in [k for k, samples in self._open.items() if samples[-1].sent_ns < now_ns - SETTLE_NS]:
            samples = sorted(self._open.pop(key), key=lambda s: s.sent_ns)
            yield key, judge_call(Columns.of(samples))


def call_readings(key: SessionKey, call: Call, at_ns: int) -> list[Reading]:
    """A call as readings: R, MOS, jitter and share lost, each named with its target; none where absent."""
    figures = {
        "call_rating": call.rating.r if call.rating else None,
        "call_opinion_score": call.rating.mos if call.rating else None,
        "call_jitter_s": call.jitter_ms / 1e3 if call.jitter_ms is not None else None,
        "call_loss_ratio": (call.lost + call.discarded) / call.packets if call.packets else None,
    }
    return [
        Reading(at_ns=at_ns, agent=key.agent, name=f"{name}:{key.target}", value=value)
        for name, value in figures.items()
        if value is not None
    ]
