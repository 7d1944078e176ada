"""What nl80211 tells of a radio: its stations, its channel and how busy that was (linux/nl80211.h). Pure.

Counts are the driver's since it began to count; each driver leaves out what its hardware does not know.
"""

from collections.abc import Iterable
from typing import TypeVar

from msgspec import Struct

from whichhop.outside import bad
from whichhop.wire.netlink import (
    Attributes,
    Message,
    attribute,
    body,
    count_in,
    generic,
    nest,
    signed,
    u32,
)

FAMILY = "nl80211"
GET_STATION, NEW_STATION = 17, 19
GET_SURVEY, NEW_SURVEY = 50, 51
GET_INTERFACE, NEW_INTERFACE = 5, 7
GET_POWER_SAVE = 62
"""NL80211_CMD_*; what asks for power save is answered by a message of the same command."""
_IFINDEX, _MAC, _STA_INFO, _FREQUENCY, _SURVEY_INFO, _POWER_SAVE, _WIDTH = 3, 6, 21, 38, 84, 93, 159
_PLACE = "nl80211"
T = TypeVar("T")

_RATE_16, _HT_MCS, _RATE_32, _VHT_STREAMS, _HE_STREAMS, _EHT_STREAMS = 1, 2, 5, 7, 14, 20
_STREAMS = (_EHT_STREAMS, _HE_STREAMS, _VHT_STREAMS)
_WIDTH_MHZ = {0: 20, 1: 20, 2: 40, 3: 80, 4: 160, 5: 160, 6: 5, 7: 10, 13: 320}
"""enum nl80211_chan_width; 80 + 80 MHz carry as much as 160."""
_LEAST_DBM, _MOST_DBM = -120, -1
"""A driver that does not know its signal or noise writes 0 or -128; nothing in a home is received at 0 dBm,
and thermal noise in 20 MHz is -101 dBm (kTB)."""
_MOST_MHZ = 100_000
"""IEEE 802.11ay ends below 71 GHz."""


class Station(Struct, frozen=True, kw_only=True):
    """An access point that we are joined to, or a client or mesh node of ours. None: not told by its driver.

    mac: lower case. send_bps, receive_bps: link rates of the newest frames. streams: spatial, of what is
    sent. connected_s: since it joined. Counts: packets to be sent to it; sendings beyond the first; packets
    given up; how often its beacons went missing; octets received from and sent to it.
    """

    mac: str
    send_bps: float | None = None
    receive_bps: float | None = None
    streams: int | None = None
    signal_dbm: float | None = None
    connected_s: int | None = None
    sent_packets: int | None = None
    retries: int | None = None
    failed: int | None = None
    beacons_lost: int | None = None
    received_octets: int | None = None
    sent_octets: int | None = None


class Airtime(Struct, frozen=True, kw_only=True):
    """How a radio's channel was used. *_ms: time on it, of that: busy by anybody, receiving, receiving our
    own network's frames, sending; since the driver began to count."""

    frequency_mhz: int
    noise_dbm: float | None = None
    on_ms: int | None = None
    busy_ms: int | None = None
    receive_ms: int | None = None
    own_receive_ms: int | None = None
    send_ms: int | None = None


class Tuned(Struct, frozen=True, kw_only=True):
    """What a radio is set to."""

    frequency_mhz: int | None = None
    width_mhz: int | None = None


UNTUNED = Tuned()


def question(command: int, index: int) -> bytes:
    """The payload that asks about one interface."""
    return generic(command, attribute(_IFINDEX, u32(index)), version=0)


def _answers(messages: Iterable[Message], command: int) -> Iterable[Attributes]:
    return (body(m, _PLACE) for m in messages if m.payload[:1] == bytes([command]))


def stations_of(messages: Iterable[Message]) -> list[Station]:
    """The answers to GET_STATION."""
    found = []
    for said in _answers(messages, NEW_STATION):
        mac = said.get(_MAC, b"")
        if _STA_INFO not in said or not mac:
            continue
        if len(mac) != 6:
            raise bad(_PLACE, f"a hardware address of {len(mac)} octets")
        found.append(_station(mac.hex(":"), nest(said[_STA_INFO], _PLACE)))
    return found


def _station(mac: str, info: Attributes) -> Station:
    sent = nest(info[8], _PLACE) if 8 in info else {}
    received = nest(info[14], _PLACE) if 14 in info else {}
    return Station(
        mac=mac,
        send_bps=_rate(sent),
        receive_bps=_rate(received),
        streams=_streams(sent),
        signal_dbm=_first(_dbm(info, 7), _dbm(info, 13)),
        connected_s=count_in(info, 16, _PLACE),
        sent_packets=count_in(info, 10, _PLACE),
        retries=count_in(info, 11, _PLACE),
        failed=count_in(info, 12, _PLACE),
        beacons_lost=count_in(info, 18, _PLACE),
        received_octets=_first(count_in(info, 23, _PLACE), count_in(info, 2, _PLACE)),
        sent_octets=_first(count_in(info, 24, _PLACE), count_in(info, 3, _PLACE)),
    )


def _first(one: T | None, other: T | None) -> T | None:
    return other if one is None else one


def _rate(info: Attributes) -> float | None:
    """In 100 kbit/s, 32 bits where the kernel gives them; 16 bits end at 6.5 Gbit/s."""
    units = count_in(info, _RATE_32, _PLACE) or count_in(info, _RATE_16, _PLACE)
    return units * 100_000.0 if units else None


def _streams(info: Attributes) -> int | None:
    """Spatial streams: told as such since 802.11ac; of 802.11n its MCS tells, eight to a stream."""
    for kind in _STREAMS:
        told = count_in(info, kind, _PLACE)
        if told is not None:
            return told if 0 < told <= 16 else None
    mcs = count_in(info, _HT_MCS, _PLACE)
    return mcs // 8 + 1 if mcs is not None and mcs < 32 else None


def _dbm(info: Attributes, kind: int) -> float | None:
    if kind not in info:
        return None
    value = signed(info[kind], _PLACE)
    return float(value) if _LEAST_DBM <= value <= _MOST_DBM else None


def _mhz(found: Attributes, kind: int) -> int | None:
    value = count_in(found, kind, _PLACE)
    return value if value is not None and 0 < value <= _MOST_MHZ else None


def airtime_of(messages: Iterable[Message]) -> Airtime | None:
    """The channel in use among the answers to GET_SURVEY; None where the driver marks none."""
    for said in _answers(messages, NEW_SURVEY):
        info = nest(said.get(_SURVEY_INFO, b""), _PLACE)
        frequency = _mhz(info, 1)
        if 3 in info and frequency is not None:
            return Airtime(
                frequency_mhz=frequency,
                noise_dbm=_dbm(info, 2),
                on_ms=count_in(info, 4, _PLACE),
                busy_ms=count_in(info, 5, _PLACE),
                receive_ms=count_in(info, 7, _PLACE),
                own_receive_ms=count_in(info, 11, _PLACE),
                send_ms=count_in(info, 8, _PLACE),
            )
    return None


def tuned_of(messages: Iterable[Message]) -> Tuned:
    """The answer to GET_INTERFACE."""
    for said in _answers(messages, NEW_INTERFACE):
        width = count_in(said, _WIDTH, _PLACE)
        return Tuned(
            frequency_mhz=_mhz(said, _FREQUENCY), width_mhz=_WIDTH_MHZ.get(-1 if width is None else width)
        )
    return UNTUNED


def power_save_of(messages: Iterable[Message]) -> bool | None:
    """The answer to GET_POWER_SAVE: whether the radio dozes between packets."""
    for message in messages:
        state = count_in(body(message, _PLACE), _POWER_SAVE, _PLACE) if len(message.payload) >= 4 else None
        if state is not None:
            return bool(state)
    return None
