"""The asking half of a STAMP session (RFC 8762 4.2, RFC 8972): makes packets and reads answers."""

from functools import lru_cache

from msgspec import Struct, field

from whichhop.model.sample import Sample
from whichhop.model.units import MonoNs
from whichhop.wire.flight import Flight
from whichhop.wire.ntp64 import ErrorEstimate, field_from_utc, utc_from_field
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import Ask, StampAnswer, pack_ask, unpack_answer
from whichhop.wire.stamp_refusal import FATES, ToldRefusal, read_refusal
from whichhop.wire.stamp_tlv import (
    KERNEL_METHODS,
    ClassOfService,
    FollowUp,
    TimestampInformation,
    Tlv,
    TlvType,
    pack,
    padding,
    read_answer,
    seal_code,
)

_MASK32 = 0xFFFFFFFF


@lru_cache(maxsize=16)
def _wanted(extended: bool, classes: bool, pad_octets: int) -> tuple[bytes, bytes]:
    """What a packet asks for, the same in every one of a session: octets that a seal covers, and padding."""
    tlvs: list[Tlv] = []
    if extended:
        tlvs += [TimestampInformation().tlv(), FollowUp().tlv()]
    if classes:
        tlvs.append(ClassOfService(dscp1=0).tlv())
    return pack(tlvs), padding(pad_octets).pack() if pad_octets else b""


_T4 = frozenset({"T4"})


@lru_cache(maxsize=64)  # a reflector hardly ever changes its word
def _kernel_stamps(information: bytes) -> frozenset[str]:
    """Which of T2 and T3 the kernel took, by timestamp information's value."""
    how = TimestampInformation.read(information)
    if isinstance(how, Refusal):
        return frozenset()
    methods = {"T2": how.method_in, "T3": how.method_out}
    return frozenset(stamp for stamp, method in methods.items() if method in KERNEL_METHODS)


class StampSender(Struct, kw_only=True):
    """One session's sender.

    ssid: 1 to 65535, drawn afresh at each start, so that a reflector begins a new count.
    estimate: our clock's error, its Z bit naming the format of our stamps; may be replaced as the clock
        settles.
    extended: asks for timestamp information and follow-up telemetry, which a reflector that knows only
        RFC 8762 copies unread and a TWAMP Light one takes for padding.
    dscp: what our packets carry; not None asks the reflector which one it saw arrive.
    pad_octets: Extra Padding in all, for sizes of one's own; 0 for none.
    """

    ssid: int
    estimate: ErrorEstimate
    flight: Flight = field(default_factory=Flight)
    key: bytes | None = None
    extended: bool = True
    dscp: int | None = None
    pad_octets: int = 0
    seen_classes: ClassOfService | None = None
    """The last class of service the reflector reported."""
    clock_error_ns: int | None = None
    """The larger of both ends' stated errors against UTC at the last answer; None when either is unknown."""

    def ask(self, utc_ns: int, mono_ns: MonoNs) -> bytes:
        """The next packet, to be sent at once; both clocks read together just before."""
        seq = self.flight.next_seq
        self.flight.sent(seq, utc_ns, mono_ns)
        wire_seq = seq & _MASK32
        ask = Ask(
            seq=wire_seq,
            t1=field_from_utc(utc_ns, ptp=self.estimate.ptp),
            estimate=self.estimate,
            ssid=self.ssid,
            rest=self._extensions(wire_seq),
        )
        return pack_ask(ask, self.key)

    def _extensions(self, wire_seq: int) -> bytes:
        covered, behind = _wanted(self.extended, self.dscp is not None, self.pad_octets)
        if self.key is not None and (covered or behind):
            covered += seal_code(covered, wire_seq, self.key).pack()
        return covered + behind

    def answer(
        self, data: bytes, *, t4_ns: int, utc_ns: int, mono_ns: MonoNs, t4_kernel: bool = False
    ) -> tuple[Sample, ...]:
        """Read one datagram that came in; the samples it settles. The flight counts useless ones.

        t4_ns: arrival, by the kernel when `t4_kernel`. utc_ns, mono_ns: both clocks read together now.
        """
        answer = unpack_answer(data, self.key)
        if isinstance(answer, Refusal):
            return self._refused(data, answer)
        t2_ns = utc_from_field(answer.t2, ptp=answer.estimate.ptp, near_ns=t4_ns)
        t3_ns = utc_from_field(answer.t3, ptp=answer.estimate.ptp, near_ns=t4_ns)
        if t2_ns is None or t3_ns is None:
            self.flight.refuse(Refusal.MALFORMED)
            return ()
        if not self._ours(answer):
            self.flight.refuse(Refusal.UNASKED)
            return ()
        extensions = read_answer(answer.rest, answer.seq, self.key) if answer.rest else ()
        if isinstance(extensions, Refusal):
            self.flight.refuse(extensions)
            extensions = ()
        follow_up, kernel = self._read_extensions(extensions)
        if t4_kernel:
            kernel |= _T4
        self._note_clock(answer.estimate)
        done = () if follow_up is None else self._followed_up(follow_up, answer, t4_ns)
        return done + self.flight.answered(
            answer.sender_seq,
            t4_ns=t4_ns,
            utc_ns=utc_ns,
            mono_ns=mono_ns,
            t2_ns=t2_ns,
            t3_ns=t3_ns,
            far_seq=answer.seq,
            kernel=kernel,
            follow_up=follow_up is not None,
        )

    def _refused(self, data: bytes, trouble: Refusal) -> tuple[Sample, ...]:
        """What cannot be read as an answer may be the target's word that it gives none."""
        told = read_refusal(data, self.key)
        if told is None or not self._ours(told):
            self.flight.refuse(trouble)
            return ()
        return self.flight.settle(told.sender_seq, FATES[told.reason])

    def _ours(self, answer: StampAnswer | ToldRefusal) -> bool:
        """Its copies of what we sent must be right, which a stranger on the path's side cannot guess.

        An SSID of 0 comes from a reflector that knows only RFC 8762 (RFC 8972 3).
        """
        t1 = self.flight.sent_at(answer.sender_seq)
        return (
            t1 is not None
            and answer.ssid in (self.ssid, 0)
            and answer.t1 == field_from_utc(t1, ptp=self.estimate.ptp)
        )

    def _read_extensions(self, extensions: tuple[Tlv, ...]) -> tuple[FollowUp | None, frozenset[str]]:
        """The follow-up there is, and which of T2 and T3 the kernel took by the reflector's own word.

        A strange reflector may call a user process's stamps software ones too; ours does not (StampMethod).
        """
        follow_up: FollowUp | None = None
        kernel: frozenset[str] = frozenset()
        for tlv in extensions:
            match tlv.type:
                case TlvType.FOLLOW_UP_TELEMETRY:
                    told = FollowUp.read(tlv.value)
                    follow_up = told if isinstance(told, FollowUp) else None
                case TlvType.TIMESTAMP_INFORMATION:
                    kernel = _kernel_stamps(tlv.value)
                case TlvType.CLASS_OF_SERVICE:
                    classes = ClassOfService.read(tlv.value)
                    if isinstance(classes, ClassOfService):
                        self.seen_classes = classes
        return follow_up, kernel

    def _followed_up(self, told: FollowUp, answer: StampAnswer, near_ns: int) -> tuple[Sample, ...]:
        """Hand on the reflector's word on an earlier answer; when it knows nothing, that none is to come.

        A number there comes only from a reflector that counts: one without state leaves 0 (RFC 8972 4.7).
        """
        if told.seq and self.flight.far_counts is None:
            self.flight.far_counts = True
        if not told.sent_at:
            return self.flight.followed_up((answer.seq - 1) & _MASK32, None)
        t3_ns = utc_from_field(told.sent_at, ptp=answer.estimate.ptp, near_ns=near_ns)
        return self.flight.followed_up(told.seq, t3_ns, kernel=told.method in KERNEL_METHODS)

    def _note_clock(self, far: ErrorEstimate) -> None:
        near_error_ns, far_error_ns = self.estimate.utc_error_ns, far.utc_error_ns
        both_known = near_error_ns is not None and far_error_ns is not None
        self.clock_error_ns = max(near_error_ns or 0, far_error_ns or 0) if both_known else None
