"""Fuzz of everything in wire that reads octets from the network; needs the extra `fuzz`.

    PYTHONPATH=tests .venv/bin/python -m fuzz.wire_parsers -max_total_time=180 -max_len=300

Any uncaught exception is a finding, and so is an answer longer than its ask or a packet that is written
otherwise than it was read.
"""

import sys

import atheris

with atheris.instrument_imports(include=["whichhop"]):
    from whichhop.model.units import MonoNs
    from whichhop.wire import stamp_tlv
    from whichhop.wire.icmp import Echo, Family, strip_ipv4, unpack
    from whichhop.wire.ntp64 import estimate_error
    from whichhop.wire.refusal import Refusal
    from whichhop.wire.stamp import Ask, pack_ask, unpack_answer, unpack_ask
    from whichhop.wire.stamp_auth import tag
    from whichhop.wire.stamp_reflector import Reflector
    from whichhop.wire.stamp_sender import StampSender

KEY = bytes(32)
NOON_NS = 1_704_067_200_500_000_000
ESTIMATE = estimate_error(1_000_000, synced=True)
ASKER = ("192.0.2.20", 40_000)


def must(holds: bool, what: str) -> None:
    if not holds:
        raise RuntimeError(what)


def fuzz_ask(data: bytes, key: bytes | None) -> None:
    ask = unpack_ask(data, key)
    reflector = Reflector(estimate=ESTIMATE, key=key)
    for _ in range(2):
        out = reflector.reflect(data, ASKER, NOON_NS, NOON_NS + 1, ttl=64, dscp=46, ecn=1)
        if isinstance(out, Refusal):
            continue
        must(len(out) == max(44, len(data)), "answer of another length")
        must(not isinstance(unpack_answer(bytes(out), key), Refusal), "answer that cannot be read")
    if isinstance(ask, Ask) and len(data) >= 44 and not any(data[16:44]) and key is None:
        must(pack_ask(ask) == data, "ask written otherwise than read")


def fuzz_answer(data: bytes, key: bytes | None) -> None:
    """The octets over a true answer's, so that number, stamp and session fit and the rest is looked at."""
    sender = StampSender(ssid=1, estimate=ESTIMATE, key=key)
    reflector = Reflector(estimate=ESTIMATE, key=key)
    true = reflector.reflect(sender.ask(NOON_NS, MonoNs(0)), ASKER, NOON_NS, NOON_NS + 1, ttl=64)
    must(not isinstance(true, Refusal), "own ask refused")
    base = bytes(true)[:44] if key is None else bytes(true)[:96]
    if key is not None:
        base += tag(key, base)
    for octets in (data, base + data, data[:20] + base[20:] + data[20:]):
        for _ in range(2):
            sender.answer(octets, t4_ns=NOON_NS + 9, utc_ns=NOON_NS + 9, mono_ns=MonoNs(9))
    sender.flight.expire(MonoNs(100_000_000_000))
    must(len(sender.flight) == 0, "packet without a fate")


def one_input(data: bytes) -> None:
    if not data:
        return
    kind, data = data[0] % 6, data[1:]
    key = KEY if kind % 2 else None
    if kind <= 1:
        fuzz_ask(data, key)
        # a good base with the octets behind it: extensions are reached at once
        good = Ask(seq=int.from_bytes(data[:4]), t1=1, estimate=ESTIMATE, ssid=1, rest=data)
        fuzz_ask(pack_ask(good, key), key)
    elif kind <= 3:
        fuzz_answer(data, key)
    elif kind == 4:
        cut = stamp_tlv.split(data)
        must(stamp_tlv.pack(cut.tlvs) + cut.left == data, "extensions lost octets")
        stamp_tlv.read_answer(data, 1, KEY)
        sealed = stamp_tlv.seal(tuple(t for t in cut.tlvs if t.type != stamp_tlv.TlvType.HMAC), 1, KEY)
        must(stamp_tlv.seal_fits(sealed, 1, KEY), "own seal does not fit")
    else:
        for family in Family:
            got = unpack(data, family, check=bool(data and data[0] & 1))
            if isinstance(got, Echo):
                must(len(got.payload) == len(data) - 8, "payload of another length")
        inner = strip_ipv4(data)
        if not isinstance(inner, Refusal):
            unpack(inner, Family.V4)


if __name__ == "__main__":
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()
