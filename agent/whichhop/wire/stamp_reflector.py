"""The answering half of STAMP (RFC 8762 4.3, RFC 8972): one packet in, its answer out, a count a session.

Pure and quick: the caller hands in stamps and addresses and sends what it gets back. The answer is exactly
as long as the ask, and asks too short for that get none, so the reflector is of no use to amplify. RFC 8762
4.6 would answer TWAMP Light's shortest ask of 14 octets with 44; its senders pad to 41 (RFC 5357 4.1.2).
"""

from collections import Counter, OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass, field

from msgspec import Struct

from whichhop.model.units import NS_PER_S
from whichhop.wire.ntp64 import NTP_EPOCH_S, ErrorEstimate, field_from_utc, utc_from_field
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import (
    AUTH_OCTETS,
    BASE_OCTETS,
    REFLECTOR,
    REFLECTOR_AUTH,
    SENDER,
    SENDER_AUTH,
    SENDER_SHORT,
    TAGGED_OCTETS,
    TWAMP_REFLECTOR_OCTETS,
    tag,
    tag_fits,
)
from whichhop.wire.stamp_tlv import NO_FOLLOW_UP, FollowUp, StampMethod, TimestampInformation
from whichhop.wire.stamp_tlv_answer import ReflectorFacts, answer_extensions

WINDOW = 1024
"""Packets back from the newest among which a number seen twice is known, as in RFC 4303 3.4.3."""

_EPOCH_NS = NTP_EPOCH_S * NS_PER_S
_MASK32 = 0xFFFFFFFF
_MASK64 = (1 << 64) - 1
_HALF64 = 1 << 63
_WINDOW_MASK, _TWO_WINDOWS = (1 << WINDOW) - 1, 1 << 2 * WINDOW
_ZERO_28 = bytes(28)
_QUOTED, _QUOTED_AUTH = slice(28, 36), slice(64, 72)
"""Where an answer quotes the stamp of its ask (RFC 8762, figures 5 and 6); zeros in an ask."""
_QUOTED_MOST = 60 << 32
"""A stamp of ours that comes back within a minute, as a timestamp field. No packet travels longer; padding
drawn at random looks like one once in 70 million packets."""
_AHEAD = 1 << 32
"""A second: our stamp may foresee when its answer leaves, and a clock may be set back a little."""
STALE_NS = 600 * NS_PER_S
"""A new session that begins so long before the newest stamp of the same sender, by a clock that followed UTC
both times, is a recording played again. Such a clock goes back by seconds, unless it was just set right."""
_DATAGRAM_MOST = 65_535


class Reflected(Struct):
    """One session. `count`: the next answer's number; bit i of `seen`: number `newest - i` came."""

    count: int = 0
    received: int = 0
    newest: int = -1
    newest_t1: int = 0
    seen: int = 0
    follow_up: FollowUp = NO_FOLLOW_UP

    def novel(self, seq: int, t1: int) -> bool:
        """Note a packet's number; False when it came before.

        A number that came before, or is too old to tell, under a stamp newer than any seen is a sender that
        began anew, and so does its session.
        """
        ahead = seq - self.newest
        if ahead > 0:
            seen = self.seen << ahead | 1 if ahead < WINDOW else 1
            # Bits past the window are never asked for, so they are cut off only now and then.
            self.seen = seen if seen < _TWO_WINDOWS else seen & _WINDOW_MASK
            self.newest = seq
        elif ahead > -WINDOW and not self.seen >> -ahead & 1:
            self.seen |= 1 << -ahead
        elif 0 < (t1 - self.newest_t1) & _MASK64 < _HALF64:
            self.count = self.received = 0
            self.newest, self.seen = seq, 1
            self.follow_up = NO_FOLLOW_UP
        else:
            return False
        if (t1 - self.newest_t1) & _MASK64 < _HALF64 or not self.received:
            self.newest_t1 = t1
        return True


@dataclass(slots=True, kw_only=True)
class Reflector:
    """All sessions of one listening socket.

    key: answers only authenticated packets, when there is one; replayed ones are refused then, from whatever
        port, since a session's port is no part of what is signed. Without a key they are counted and
        answered, as RFC 8762 asks of a reflector.
    estimate: our clock's error, its Z bit naming the format of our stamps.
    information: how the caller takes T2 and T3, for senders that ask.
    sessions_most: sessions remembered; the one unheard for longest is forgotten first.
    """

    estimate: ErrorEstimate
    key: bytes | None = None
    information: TimestampInformation = field(default_factory=TimestampInformation)
    sessions_most: int = 1024
    answered: int = 0
    duplicates: int = 0
    refused: Counter[Refusal] = field(default_factory=Counter)
    session: Reflected = field(default_factory=Reflected)
    """The session of the packet answered last, for `left`."""
    _sessions: OrderedDict[Hashable, Reflected] = field(default_factory=OrderedDict)
    _last: Hashable = None
    _newest_ns: OrderedDict[Hashable, int] = field(default_factory=OrderedDict)
    _out: bytearray = field(default_factory=lambda: bytearray(_DATAGRAM_MOST))
    _view: memoryview = field(init=False)

    def __post_init__(self) -> None:
        self._view = memoryview(self._out)

    def __len__(self) -> int:
        return len(self._sessions)

    def reflect(  # noqa: PLR0911 - one return a reason
        self,
        data: bytes,
        asker: tuple[Hashable, ...],
        t2_ns: int,
        t3_ns: int,
        *,
        ttl: int,
        dscp: int = 0,
        ecn: int = 0,
    ) -> memoryview | Refusal:
        """The answer to one datagram, or why there is none (counted in `refused`).

        asker: address and port. t2_ns, t3_ns: UTC of arrival and of now. ttl, dscp, ecn: of the packet as it
        arrived. The view is of a buffer that the next call overwrites: send it before.
        """
        if self.key is not None:
            return self._reflect_authenticated(data, asker, t2_ns, t3_ns, ttl=ttl, dscp=dscp, ecn=ecn)
        size = len(data)
        ssid = keyed = 0
        padded = False
        if size >= BASE_OCTETS:
            seq, t1, estimate, ssid = SENDER.unpack_from(data)
            # octets that STAMP leaves zero are filled by TWAMP Light's padding: then there is neither a
            # session identifier nor an extension
            padded = data[16:44] != _ZERO_28
            keyed = 0 if padded else ssid
            if padded and self._quotes_us(data[_QUOTED], t3_ns):
                return self._refuse(Refusal.LOOPED)
        elif size >= TWAMP_REFLECTOR_OCTETS:
            seq, t1, estimate = SENDER_SHORT.unpack_from(data)
            if self._quotes_us(data[_QUOTED], t3_ns):
                return self._refuse(Refusal.LOOPED)
        else:
            return self._refuse(Refusal.TRUNCATED)
        if not estimate & 0xFF:
            return self._refuse(Refusal.CORRUPT_ESTIMATE)
        session = self._session((asker, keyed))
        if not session.novel(seq, t1):
            self.duplicates += 1
        number = session.count
        session.count = number + 1 & _MASK32
        session.received += 1
        if self.estimate.ptp:
            t2, t3 = field_from_utc(t2_ns, ptp=True), field_from_utc(t3_ns, ptp=True)
        else:  # ntp_from_utc written out: two calls less a packet
            t2 = (t2_ns + _EPOCH_NS << 32) // NS_PER_S & _MASK64
            t3 = (t3_ns + _EPOCH_NS << 32) // NS_PER_S & _MASK64
        REFLECTOR.pack_into(self._out, 0, number, t3, self.estimate.field, ssid, t2, seq, t1, estimate, ttl)
        self.answered += 1
        if size <= BASE_OCTETS:  # the last three octets of the base are zeros, which TWAMP Light leaves out
            return self._view[:size]
        rest = data[BASE_OCTETS:]
        if not padded:
            rest = answer_extensions(rest, self._facts(session, seq, number, dscp, ecn), None)
        self._out[BASE_OCTETS:size] = rest
        return self._view[:size]

    def left(self, session: Reflected, number: int, sent_ns: int, method: StampMethod) -> None:
        """The kernel told when the answer `number` of a session truly left; the next answer passes it on.

        Only senders that ask for follow-up telemetry hear of it (RFC 8972 4.7).
        """
        sent_at = field_from_utc(sent_ns, ptp=self.estimate.ptp)
        session.follow_up = FollowUp(seq=number, sent_at=sent_at, method=method)

    def _reflect_authenticated(  # noqa: PLR0911 - one return a reason
        self,
        data: bytes,
        asker: tuple[Hashable, ...],
        t2_ns: int,
        t3_ns: int,
        *,
        ttl: int,
        dscp: int,
        ecn: int,
    ) -> memoryview | Refusal:
        key = self.key
        assert key is not None  # noqa: S101 - the only caller has looked
        if len(data) < AUTH_OCTETS:
            return self._refuse(Refusal.TRUNCATED)
        if not tag_fits(key, data[:TAGGED_OCTETS], data[TAGGED_OCTETS:AUTH_OCTETS]):
            return self._refuse(Refusal.BAD_TAG)
        seq, t1, estimate, ssid = SENDER_AUTH.unpack_from(data)
        if not estimate & 0xFF:
            return self._refuse(Refusal.CORRUPT_ESTIMATE)
        if self._quotes_us(data[_QUOTED_AUTH], t3_ns):
            return self._refuse(Refusal.LOOPED)
        # Who sends no identifier (RFC 8762 alone) has only its port to tell its sessions apart.
        which = (asker[0], ssid) if ssid else (asker, ssid)
        if self._stale(asker[0], estimate, t1, t2_ns, known=which in self._sessions):
            return self._refuse(Refusal.REPLAYED)
        session = self._session(which)
        if not session.novel(seq, t1):
            self.duplicates += 1
            return self._refuse(Refusal.REPLAYED)
        number = session.count
        session.count = number + 1 & _MASK32
        session.received += 1
        ptp = self.estimate.ptp
        t2, t3 = field_from_utc(t2_ns, ptp=ptp), field_from_utc(t3_ns, ptp=ptp)
        base = REFLECTOR_AUTH.pack(number, t3, self.estimate.field, ssid, t2, seq, t1, estimate, ttl)
        self._out[:AUTH_OCTETS] = base + tag(key, base)
        self.answered += 1
        size = len(data)
        if size > AUTH_OCTETS:
            facts = self._facts(session, seq, number, dscp, ecn)
            self._out[AUTH_OCTETS:size] = answer_extensions(data[AUTH_OCTETS:], facts, key)
        return self._view[:size]

    def _quotes_us(self, octets: bytes, t3_ns: int) -> bool:
        """True for an answer: where an ask has zeros it quotes a stamp that we made in the last minute.

        It would be answered, and its answer too, as long as the network carries them.
        """
        quoted = int.from_bytes(octets)
        now = field_from_utc(t3_ns, ptp=self.estimate.ptp)
        return quoted != 0 and (now + _AHEAD - quoted) & _MASK64 < _QUOTED_MOST + _AHEAD

    def _stale(self, source: Hashable, estimate: int, t1: int, near_ns: int, *, known: bool) -> bool:
        """Note the newest signed stamp of a source; True for one that is long past and begins a session.

        Only stamps of one sender's clock are compared, and only those it vouches for: ours may differ.
        """
        said = ErrorEstimate.from_field(estimate)
        t1_ns = utc_from_field(t1, ptp=said.ptp, near_ns=near_ns)
        if not said.synced or t1_ns is None:
            return False
        newest_ns = self._newest_ns.get(source)
        if newest_ns is None or t1_ns > newest_ns:
            self._newest_ns[source] = t1_ns
            if len(self._newest_ns) > self.sessions_most:
                self._newest_ns.popitem(last=False)
            return False
        return not known and newest_ns - t1_ns > STALE_NS

    def genuine(self, data: bytes) -> bool:
        """True when a packet that gets no answer is an ask of a holder of our key; without a key, any."""
        if self.key is None:
            return True
        return len(data) >= AUTH_OCTETS and tag_fits(
            self.key, data[:TAGGED_OCTETS], data[TAGGED_OCTETS:AUTH_OCTETS]
        )

    def _facts(self, session: Reflected, seq: int, number: int, dscp: int, ecn: int) -> ReflectorFacts:
        """What extensions may ask for. Only the answer just before this one is followed up.

        Its number is told even when its send time is not known: a reflector without state would leave 0, so
        the sender learns that our numbers tell losses' ways apart.
        """
        before = (number - 1) & _MASK32
        follow_up = session.follow_up
        if follow_up.seq != before:
            follow_up = FollowUp(seq=before) if number else NO_FOLLOW_UP
        return ReflectorFacts(
            ask_seq=seq,
            answer_seq=number,
            dscp=dscp,
            ecn=ecn,
            received=session.received,
            sent=session.count,
            follow_up=follow_up,
            information=self.information,
        )

    def _session(self, key: Hashable) -> Reflected:
        if key == self._last:  # a flood is one session's, which is the newest already
            return self.session
        sessions = self._sessions
        session = sessions.get(key)
        if session is None:
            session = sessions[key] = Reflected()
            if len(sessions) > self.sessions_most:
                sessions.popitem(last=False)
        else:
            sessions.move_to_end(key)
        self.session, self._last = session, key
        return session

    def _refuse(self, reason: Refusal) -> Refusal:
        self.refused[reason] += 1
        return reason
