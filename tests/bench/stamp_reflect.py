"""STAMP packets that the reflector's pure half answers in a second of one core, sockets left out."""

from collections.abc import Iterable
from time import process_time

from bench.figure import Figure
from whichhop.wire import stamp_tlv
from whichhop.wire.ntp64 import estimate_error, ntp_from_utc
from whichhop.wire.stamp import Ask, pack_ask
from whichhop.wire.stamp_reflector import Reflector

NOON_NS = 1_704_067_200_500_000_000
PACKETS = 100_000
TARGET = 100_000.0


def rate(key: bytes | None, extended: bool) -> float:
    """Packets a second of processor: twenty sessions of 5000 packets each, in turn."""
    estimate = estimate_error(1_000_000, synced=True)
    reflector = Reflector(estimate=estimate, key=key)
    asks = []
    for n in range(PACKETS):
        tlvs = (stamp_tlv.TimestampInformation().tlv(), stamp_tlv.FollowUp().tlv()) if extended else ()
        if key is not None and tlvs:
            tlvs = stamp_tlv.seal(tlvs, n // 20, key)
        ask = Ask(
            seq=n // 20,
            t1=ntp_from_utc(NOON_NS + n),
            estimate=estimate,
            ssid=1 + n % 20,
            rest=stamp_tlv.pack(tlvs),
        )
        asks.append(pack_ask(ask, key))
    asker = ("192.0.2.20", 40_000)
    start = process_time()  # what other processes take of the core does not count
    for ask_octets in asks:
        reflector.reflect(ask_octets, asker, NOON_NS, NOON_NS, ttl=64)
    took_s = process_time() - start
    if reflector.answered != PACKETS:
        raise RuntimeError(f"answered {reflector.answered} of {PACKETS}")
    return PACKETS / took_s


def run() -> Iterable[Figure]:
    """Plain packets have the target; extended and authenticated ones are shown beside."""
    key = bytes(range(32))
    plain = rate(None, False)
    beside = {
        "extended": round(rate(None, True)),
        "authenticated": round(rate(key, False)),
        "authenticated-extended": round(rate(key, True)),
    }
    yield Figure(
        bench="stamp-reflect",
        value=round(plain),
        unit="packets/s",
        target=TARGET,
        ok=plain >= TARGET,
        beside=beside,
    )
