"""Readers of single packets: STAMP asks and answers, their extensions, ICMP.

Beside what every target must do: no answer is longer than its ask, no packet is written otherwise than read.
"""

from fuzz.allowed import must, named
from whichhop.model.units import MonoNs
from whichhop.wire import stamp_tlv
from whichhop.wire.icmp import Echo, Family, strip_ipv4, unpack
from whichhop.wire.ntp64 import estimate_error
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import Ask, pack_ask, tag, unpack_answer, unpack_ask
from whichhop.wire.stamp_reflector import Reflector
from whichhop.wire.stamp_sender import StampSender

KEY = bytes(32)
NOON_NS = 1_704_067_200_500_000_000
ESTIMATE = estimate_error(1_000_000, synced=True)
ASKER = ("192.0.2.20", 40_000)


def _ask(data: bytes, key: bytes | None) -> None:
    ask = unpack_ask(data, key)
    reflector = Reflector(estimate=ESTIMATE, key=key)
    for _ in range(2):
        out = reflector.reflect(data, ASKER, NOON_NS, NOON_NS + 1, ttl=64, dscp=46, ecn=1)
        if isinstance(out, Refusal):
            continue
        must(len(out) == len(data), "answer of another length")
        must(not isinstance(unpack_answer(bytes(out), key), Refusal), "answer that cannot be read")
    if isinstance(ask, Ask) and len(data) >= 44 and not any(data[16:44]) and key is None:
        must(pack_ask(ask) == data, "ask written otherwise than read")


def stamp_asks(octets: bytes) -> None:
    """The first octet: open mode or signed. A good base with the octets behind it reaches extensions."""
    key, data = (KEY if octets[:1] > b"\x7f" else None), octets[1:]
    _ask(data, key)
    good = Ask(seq=int.from_bytes(data[:4]), t1=1, estimate=ESTIMATE, ssid=1, rest=data)
    _ask(pack_ask(good, key), key)


def stamp_answers(octets: bytes) -> None:
    """The octets over a true answer's, so that number, stamp and session fit and the rest is looked at."""
    key, data = (KEY if octets[:1] > b"\x7f" else None), octets[1:]
    sender = StampSender(ssid=1, estimate=ESTIMATE, key=key)
    reflector = Reflector(estimate=ESTIMATE, key=key)
    true = reflector.reflect(sender.ask(NOON_NS, MonoNs(0)), ASKER, NOON_NS, NOON_NS + 1, ttl=64)
    must(not isinstance(true, Refusal), "own ask refused")
    base = bytes(true)[:44] if key is None else bytes(true)[:96]  # type: ignore[arg-type]
    if key is not None:
        base += tag(key, base)
    for given in (data, base + data, data[:20] + base[20:] + data[20:]):
        for _ in range(2):
            sender.answer(given, t4_ns=NOON_NS + 9, utc_ns=NOON_NS + 9, mono_ns=MonoNs(9))
    sender.flight.expire(MonoNs(100_000_000_000))
    must(len(sender.flight) == 0, "packet without a fate")


def stamp_extensions(octets: bytes) -> None:
    cut = stamp_tlv.split(octets)
    must(stamp_tlv.pack(cut.tlvs) + cut.left == octets, "extensions lost octets")
    stamp_tlv.read_answer(octets, 1, KEY)
    sealed = stamp_tlv.seal(tuple(t for t in cut.tlvs if t.type != stamp_tlv.TlvType.HMAC), 1, KEY)
    must(stamp_tlv.seal_fits(sealed, 1, KEY), "own seal does not fit")


def icmp_message(octets: bytes) -> None:
    for family in Family:
        got = unpack(octets, family, check=bool(octets and octets[0] & 1))
        if isinstance(got, Echo):
            must(len(got.payload) == len(octets) - 8, "payload of another length")
    inner = strip_ipv4(octets)
    if not isinstance(inner, Refusal):
        unpack(inner, Family.V4)


def _plain_ask() -> bytes:
    return pack_ask(Ask(seq=1, t1=1, estimate=ESTIMATE, ssid=1, rest=b""), None)


TARGETS = named(stamp_asks, stamp_answers, stamp_extensions, icmp_message)
SEEDS = {
    "stamp_asks": [b"\0" + _plain_ask(), b"\xff" + bytes(112), b"\0" + bytes.fromhex("00010008") + bytes(8)],
    "stamp_answers": [b"\0" + bytes(44), b"\xff" + bytes(112)],
    # RFC 8972 4: a TLV's flags, type, length; extra padding, then a class of service
    "stamp_extensions": [bytes.fromhex("80010008") + bytes(8), bytes.fromhex("80040004b8000000")],
    # RFC 792: an echo reply, and one in its IPv4 header
    "icmp_message": [
        bytes.fromhex("0000fffe00000001"),
        bytes.fromhex("4500001c0000000040010000c0000201c0000209") + bytes(8),
    ],
}
