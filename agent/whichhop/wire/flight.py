"""Matches answers to the packets in flight, whatever the protocol, and says what became of each.

One Flight serves one session. The caller tells what happened (sent, stamped, answered, the time) and gets
Samples back as soon as each is settled. A packet may stay unsettled although it is answered: its true send
time comes from the kernel's error queue, the reflector's true send time with the next answer (RFC 8972
4.7).
"""

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType

import msgspec
from msgspec import Struct, field

from whichhop.model.sample import Fate, Sample
from whichhop.model.units import NS_PER_MS, NS_PER_S, MonoNs, UtcNs
from whichhop.wire.loss_side import Answered
from whichhop.wire.quoted import Refusal

WAIT_NS = 3 * NS_PER_S
"""The waiting time after which a packet counts as lost (RFC 7680 makes it a stated parameter)."""
LINGER_NS = 2 * NS_PER_S
"""How much longer a packet is held, so that a late answer is still known as one and a later answer can tell
the way it was lost on."""
STEP_NS = NS_PER_MS
"""Wall against monotonic clock may differ by so much over one round trip (a clock slewed at 500 ppm moves
1.5 ms in 3 s, a microsecond in 2 ms); beyond it the wall clock was stepped."""
_BACKWARDS_NS = -50_000
"""A round trip or holding time below zero by more than a reflector can err that foresees its send time (T3 is
written before the packet leaves): the reflector's clock moved meanwhile."""

_PEER_UNSENT_MOST = 4096
"""After so many failed sends in a row the gap before them is no longer told apart: memory is bounded."""


class _Packet(msgspec.Struct, kw_only=True, gc=False):
    """One packet's facts as they come in; `fate` is set once its Sample is out."""

    seq: int
    t1_user_ns: int
    mono_ns: int
    t1_kernel_ns: int | None = None
    t1_sched_ns: int | None = None
    t2_ns: int | None = None
    t3_ns: int | None = None
    t4_ns: int | None = None
    stepped: bool = False
    far_seq: int | None = None
    followed: bool = True
    kernel: frozenset[str] = frozenset()
    fate: Fate | None = None

    @property
    def t1_ns(self) -> int:
        """The earliest stamp there is of the send: scheduling, then driver, then user space."""
        if self.t1_sched_ns is not None:
            return self.t1_sched_ns
        return self.t1_user_ns if self.t1_kernel_ns is None else self.t1_kernel_ns


class FlightFacts(Struct, frozen=True, kw_only=True):
    """Counts since they were last taken.

    reordered: answers that came after one to a later packet (RFC 4737 3.3, over the whole round trip).
    too_late: answers to packets already given up.
    stamps: those that the kernel took for every answered sample of the time, as Record.stamps wants them.
    """

    answered: int
    duplicates: int
    reordered: int
    too_late: int
    refused: Mapping[Refusal, int]
    stamps: str


class Flight(Struct):
    """The packets of one session that are not yet forgotten.

    seq_bits: width of the wire's sequence number; ours here never wraps.
    kernel_stamps: True when `stamped` will be called for every packet; an answer then waits for it.
    far_counts: True when the reflector is known to count by itself, False when it copies, None to find out (a
        reflector whose number ever differs from ours counts).
    """

    seq_bits: int = 32
    kernel_stamps: bool = False
    far_counts: bool | None = None
    wait_ns: int = WAIT_NS
    linger_ns: int = LINGER_NS
    step_ns: int = STEP_NS
    _packets: dict[int, _Packet] = field(default_factory=dict)
    _last_sent: int = -1
    _last_far: int = 0
    _next_expected: int = 0
    _doubled: dict[int, int] = field(default_factory=dict)
    _peer: tuple[int, int] | None = None
    _peer_unsent: list[int] = field(default_factory=list)
    _counts: Counter[str] = field(default_factory=Counter)
    _refused: Counter[Refusal] = field(default_factory=Counter)
    _stamps: frozenset[str] | None = None

    def __len__(self) -> int:
        """Packets whose fate is not yet said."""
        return sum(p.fate is None for p in self._packets.values())

    @property
    def next_seq(self) -> int:
        """The number the next packet must carry, before it is cut to the wire's width."""
        return self._last_sent + 1

    def sent(self, seq: int, t1_user_ns: int, mono_ns: MonoNs) -> None:
        """A packet is about to leave. Numbers rise by one; both clocks read together, just before sending."""
        self._packets[seq] = _Packet(seq=seq, t1_user_ns=t1_user_ns, mono_ns=mono_ns)
        self._last_sent = seq

    def sent_at(self, seq: int) -> int | None:
        """User space's send time of a packet, number as on the wire; None for a packet not known."""
        packet = self._packets.get(self._full(seq))
        return None if packet is None else packet.t1_user_ns

    def stamped(
        self, seq: int, t1_kernel_ns: int | None, t1_sched_ns: int | None = None
    ) -> tuple[Sample, ...]:
        """The kernel's send stamps of a packet, in one call or two; too late for a settled one."""
        packet = self._packets.get(self._full(seq))
        if packet is None or packet.fate is not None:
            return ()
        if t1_kernel_ns is not None:
            packet.t1_kernel_ns = t1_kernel_ns
        if t1_sched_ns is not None:
            packet.t1_sched_ns = t1_sched_ns
        return self._if_complete(packet)

    def settle(self, seq: int, fate: Fate) -> tuple[Sample, ...]:
        """A packet's fate is known otherwise: the send call failed, or a router on the way said no."""
        packet = self._packets.get(self._full(seq))
        return () if packet is None or packet.fate is not None else (self._close(packet, fate),)

    def set_aside(self, fate: Fate) -> tuple[Sample, ...]:
        """Everything unsettled says nothing about the path, as after a suspend."""
        return tuple(self._close(p, fate) for p in self._packets.values() if p.fate is None)

    def answered(
        self,
        seq: int,
        *,
        t4_ns: int,
        utc_ns: int,
        mono_ns: MonoNs,
        t2_ns: int | None = None,
        t3_ns: int | None = None,
        far_seq: int | None = None,
        kernel: frozenset[str] = frozenset(),
        follow_up: bool = False,
    ) -> tuple[Sample, ...]:
        """An answer came.

        seq: as on the wire. t4_ns: when it arrived, the kernel's stamp when there is one. utc_ns, mono_ns:
        both clocks read together now, to see whether the wall clock stepped. t2_ns, t3_ns: the reflector's
        stamps.
        far_seq: the reflector's own number. kernel: which of "T2", "T3", "T4" the kernel took.
        follow_up: True when the next answer may tell a better t3_ns; this one then waits for it.
        """
        packet = self._packets.get(self._full(seq))
        if packet is None:
            self.refuse(Refusal.UNASKED)
            return ()
        far = None if far_seq is None else self._full_far(far_seq)
        if packet.t4_ns is not None:
            self._counts["duplicates"] += 1
            if far is not None and far != packet.far_seq:
                self._doubled[far] = mono_ns
            return ()
        packet.t4_ns, packet.t2_ns, packet.t3_ns = t4_ns, t2_ns, t3_ns
        packet.far_seq, packet.kernel, packet.followed = far, kernel, not follow_up
        if self.far_counts is None and far_seq is not None and far_seq != packet.seq & 0xFFFFFFFF:
            self.far_counts = True  # a reflector without state could only have copied
        drift_ns = (utc_ns - mono_ns) - (packet.t1_user_ns - packet.mono_ns)
        packet.stepped = abs(drift_ns) > self.step_ns
        if packet.seq < self._next_expected:
            self._counts["reordered"] += 1
        else:
            self._next_expected = packet.seq + 1
        if packet.fate is not None:
            self._counts["too_late"] += 1
            return ()
        return self._if_complete(packet)

    def followed_up(self, far_seq: int, t3_ns: int | None, *, kernel: bool = True) -> tuple[Sample, ...]:
        """The reflector's true send time of its answer `far_seq`, None when it does not know.

        Answers up to that number will get no better stamp any more, so they settle.
        """
        far = self._full_far(far_seq)
        done: list[Sample] = []
        for packet in self._packets.values():
            if packet.fate is not None or packet.far_seq is None or packet.far_seq > far or packet.followed:
                continue
            packet.followed = True
            if packet.far_seq == far and t3_ns is not None:
                packet.t3_ns = t3_ns
                if kernel:
                    packet.kernel |= {"T3"}
            done.extend(self._if_complete(packet))
        return tuple(done)

    def expire(self, mono_ns: MonoNs) -> tuple[Sample, ...]:
        """Settle what has waited long enough and forget what is old.

        The caller reads its socket empty first: an answer that waits there is not late because we are.
        """
        done: list[Sample] = []
        for packet in self._packets.values():
            age_ns = mono_ns - packet.mono_ns
            if age_ns <= self.wait_ns:
                break
            if packet.fate is not None:
                continue
            if packet.t4_ns is not None:
                done.append(self._close_answered(packet))
            elif age_ns > self.wait_ns + self.linger_ns:
                done.append(self._close(packet, self._side(packet.seq)))
        self._forget(mono_ns - 2 * (self.wait_ns + self.linger_ns))
        return tuple(done)

    def unanswered(self, before_ns: MonoNs) -> list[UtcNs]:
        """When packets were sent, before a time, to which no answer has come and whose fate is still open."""
        out = []
        for packet in self._packets.values():
            if packet.mono_ns >= before_ns:
                break
            if packet.fate is None and packet.t4_ns is None:
                out.append(UtcNs(packet.t1_ns))
        return out

    def refuse(self, reason: Refusal) -> None:
        """Count a packet that came in and was of no use."""
        self._refused[reason] += 1

    def facts(self) -> FlightFacts:
        """The counts since the last call, which start at zero again."""
        facts = FlightFacts(
            answered=self._counts["answered"],
            duplicates=self._counts["duplicates"],
            reordered=self._counts["reordered"],
            too_late=self._counts["too_late"],
            refused=MappingProxyType(dict(self._refused)),
            stamps=" ".join(sorted(self._stamps or ())),
        )
        self._counts.clear()
        self._refused.clear()
        self._stamps = None
        return facts

    def _full(self, seq: int) -> int:
        """Our unbounded number for the wire's: the newest sent that it can mean."""
        return self._last_sent - ((self._last_sent - seq) & ((1 << self.seq_bits) - 1))

    def _full_far(self, far_seq: int) -> int:
        """The reflector's number unwrapped beside the last one seen."""
        half = 1 << 31
        full = self._last_far + ((far_seq - self._last_far + half) & 0xFFFFFFFF) - half
        self._last_far = max(self._last_far, full)
        return full

    def _if_complete(self, packet: _Packet) -> tuple[Sample, ...]:
        """The sample of an answered packet unless a better stamp is still to come."""
        if packet.t4_ns is None:
            return ()
        if self.kernel_stamps and packet.t1_kernel_ns is None:
            return ()
        if not packet.followed:
            return ()
        return (self._close_answered(packet),)

    def _close(self, packet: _Packet, fate: Fate) -> Sample:
        packet.fate = fate
        return Sample(sent_ns=packet.t1_ns, fate=fate)

    def _close_answered(self, packet: _Packet) -> Sample:
        """Round trip less the reflector's holding time: (T4 - T1) - (T3 - T2)."""
        assert packet.t4_ns is not None  # noqa: S101 - both callers have looked
        t1_ns = packet.t1_ns
        whole_ns = packet.t4_ns - t1_ns
        held_ns, out_ns = 0, None
        if packet.t2_ns is not None and packet.t3_ns is not None:
            held_ns, out_ns = packet.t3_ns - packet.t2_ns, packet.t2_ns - t1_ns
        rtt_ns = whole_ns - held_ns
        if packet.stepped or held_ns < _BACKWARDS_NS or rtt_ns < _BACKWARDS_NS:
            return self._close(packet, Fate.CLOCK_STEP)
        packet.fate = Fate.LATE if whole_ns > self.wait_ns else Fate.ANSWERED
        self._counts["answered"] += 1
        sent_by_kernel = packet.t1_kernel_ns is not None or packet.t1_sched_ns is not None
        stamps = packet.kernel | {"T1"} if sent_by_kernel else packet.kernel
        self._stamps = stamps if self._stamps is None else self._stamps & stamps
        queue_ns = None
        if packet.t1_sched_ns is not None and packet.t1_kernel_ns is not None:
            queue_ns = max(0, packet.t1_kernel_ns - packet.t1_sched_ns)
        return Sample(
            sent_ns=t1_ns, fate=packet.fate, rtt_ns=max(0, rtt_ns), out_ns=out_ns, queue_ns=queue_ns
        )

    def _side(self, seq: int) -> Fate:
        if not self.far_counts:
            return Fate.LOST
        pairs = [(p.seq, p.far_seq) for p in self._packets.values() if p.far_seq is not None]
        unsent = [p.seq for p in self._packets.values() if p.fate is Fate.NOT_SENT]
        if self._peer is not None:
            pairs.insert(0, self._peer)
        known = Answered(pairs=pairs, doubled=sorted(self._doubled), unsent=self._peer_unsent + unsent)
        return known.side(seq)

    def _forget(self, before_mono_ns: int) -> None:
        """Drop settled packets sent before; the last answered one's numbers stay as a gap's lower end."""
        old = []
        for packet in self._packets.values():
            if packet.mono_ns >= before_mono_ns or packet.fate is None:
                break
            old.append(packet)
        for packet in old:
            del self._packets[packet.seq]
            if packet.far_seq is not None:
                self._peer = (packet.seq, packet.far_seq)
                self._peer_unsent.clear()
            elif packet.fate is Fate.NOT_SENT and self._peer is not None:
                self._peer_unsent.append(packet.seq)
                if len(self._peer_unsent) > _PEER_UNSENT_MOST:
                    self._peer = None
        if self._doubled:
            self._doubled = {f: seen_ns for f, seen_ns in self._doubled.items() if seen_ns >= before_mono_ns}
