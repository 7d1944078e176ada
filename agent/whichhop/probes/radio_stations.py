"""What nl80211 tells of a radio's stations: rates and signal, from pyroute2's decoded messages."""

from collections.abc import Iterable
from typing import Any

import msgspec


class Station(msgspec.Struct, frozen=True, kw_only=True):
    """One station that a wireless device is joined to: an access point, or a client or mesh node of ours.

    mac: lower case. send_bps, receive_bps: the radio's link rates now, None where the driver does not tell.
    signal_dbm: of what is received.
    """

    device: str
    mac: str
    send_bps: float | None
    receive_bps: float | None
    signal_dbm: float | None


def _rate(info: Any, name: str) -> float | None:
    """linux/nl80211.h: in 100 kbit/s, 32 bits where the kernel gives them; 16 bits end at 6.5 Gb/s."""
    rate = info.get_attr(f"NL80211_STA_INFO_{name}_BITRATE")
    if rate is None:
        return None
    units = rate.get_attr("NL80211_RATE_INFO_BITRATE32") or rate.get_attr("NL80211_RATE_INFO_BITRATE")
    return units * 100_000.0 if units else None


def stations_of(messages: Iterable[Any], device: str) -> list[Station]:
    """The stations of one device from the answers to NL80211_CMD_GET_STATION."""
    out = []
    for message in messages:
        mac, info = message.get_attr("NL80211_ATTR_MAC"), message.get_attr("NL80211_ATTR_STA_INFO")
        if mac is None or info is None:
            continue
        signal = info.get_attr("NL80211_STA_INFO_SIGNAL")
        if signal is None:
            signal = info.get_attr("NL80211_STA_INFO_SIGNAL_AVG")
        out.append(
            Station(
                device=device,
                mac=mac.lower(),
                send_bps=_rate(info, "TX"),
                receive_bps=_rate(info, "RX"),
                signal_dbm=None if signal is None else float(signal),
            )
        )
    return out
