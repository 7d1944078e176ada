"""A radio's rates and signal from netlink's own octets, built here by linux/nl80211.h and read by pyroute2.

The numbers of the enumerations are from memory of that header; pyroute2, an independent reader of it, agrees
or these tests fail. No machine of ours has a radio: what a real driver fills in was not seen.
"""

import struct
from typing import Any

import pytest

from whichhop.probes.radio_stations import Station, stations_of

nl80211 = pytest.importorskip("pyroute2.netlink.nl80211")

CMD_NEW_STATION = 19
ATTR_IFINDEX, ATTR_MAC, ATTR_STA_INFO = 3, 6, 21
SIGNAL, TX_BITRATE, SIGNAL_AVG, RX_BITRATE = 7, 8, 13, 14
BITRATE, BITRATE32 = 1, 5
NESTED = 0x8000
MAC = bytes.fromhex("0200aa00bb01")


def attribute(kind: int, value: bytes) -> bytes:
    """struct nlattr: length and kind, the value, filled up to four octets."""
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)


def rate(kind: int, *, units16: int | None = None, units32: int | None = None) -> bytes:
    inner = b""
    if units16 is not None:
        inner += attribute(BITRATE, struct.pack("=H", units16))
    if units32 is not None:
        inner += attribute(BITRATE32, struct.pack("=I", units32))
    return attribute(kind | NESTED, inner)


def message(*about: bytes, mac: bytes | None = MAC) -> Any:
    """An answer to NL80211_CMD_GET_STATION as pyroute2 reads it off the socket."""
    body = struct.pack("=BBH", CMD_NEW_STATION, 1, 0) + attribute(ATTR_IFINDEX, struct.pack("=I", 3))
    if mac is not None:
        body += attribute(ATTR_MAC, mac)
    if about:
        body += attribute(ATTR_STA_INFO | NESTED, b"".join(about))
    read = nl80211.nl80211cmd(struct.pack("=IHHII", 16 + len(body), 28, 2, 1, 1) + body)
    read.decode()
    return read


def dbm(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=b", value))


def test_rates_are_in_100_kbit_and_signal_is_signed() -> None:
    about = (dbm(SIGNAL, -61), rate(TX_BITRATE, units16=8667, units32=8667), rate(RX_BITRATE, units32=1300))
    assert stations_of([message(*about)], "wlan0") == [
        Station(
            device="wlan0", mac="02:00:aa:00:bb:01", send_bps=866.7e6, receive_bps=130e6, signal_dbm=-61.0
        )
    ]


def test_an_old_driver_gives_sixteen_bits_and_the_mean_signal_only() -> None:
    (found,) = stations_of([message(dbm(SIGNAL_AVG, -70), rate(TX_BITRATE, units16=540))], "wlan0")
    assert (found.send_bps, found.receive_bps, found.signal_dbm) == (54e6, None, -70.0)


def test_rates_above_what_sixteen_bits_hold_come_from_the_wide_one() -> None:
    (found,) = stations_of([message(rate(TX_BITRATE, units16=0xFFFF, units32=115_294))], "wlan0")
    assert found.send_bps == pytest.approx(11_529.4e6)


def test_a_station_that_sent_nothing_yet_has_no_rate() -> None:
    (found,) = stations_of([message(rate(TX_BITRATE, units32=0))], "wlan0")
    assert found.send_bps is None


def test_messages_without_a_station_are_passed_over() -> None:
    assert stations_of([message(), message(dbm(SIGNAL, -50), mac=None)], "wlan0") == []
