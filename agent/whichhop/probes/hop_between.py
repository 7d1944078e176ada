"""What two looks at this machine's links say of one hop: facts now, and counts between the two. Pure.

A count is told only where both looks have it and it was not begun anew between them: an interface made again,
a station that joined again, another channel or a restart leave it unknown, never negative and never zero.
"""

from collections.abc import Mapping

from whichhop.probes.own_links import OwnLinks, Radio
from whichhop.stats.rate import CounterReading, delta
from whichhop.wire.interface_counters import Interface
from whichhop.wire.radio_air import Airtime, Station

Facts = Mapping[str, float | None]
"""By the name of a field of model.hop_facts.HopFacts."""

_MOST_FRAMES_PER_S = 300e6
"""200 Gbit/s of least frames (84 octets of line each, IEEE 802.3): what runs faster has restarted."""
_JOINED_SLACK_S = 2
"""Whole seconds on both sides of a span."""
_NEW_BEGIN = 0.5
"""A radio whose clock of the channel moved less than half the time between two looks has begun it anew: some
drivers do so at each look, others on a change of channel (common practice)."""


def _between(before: int | None, after: int | None, seconds: float, *, bits: int) -> int | None:
    """What a counter of that width counted; None where it is not known."""
    top = 2**bits
    if before is None or after is None or not (0 <= before < top and 0 <= after < top):
        return None
    readings = (
        CounterReading(at_ns=0, value=before),
        CounterReading(at_ns=round(seconds * 1e9), value=after),
    )
    return delta(*readings, bits=bits, most_per_s=_MOST_FRAMES_PER_S if bits == 32 else None).amount


def _share(part: int | None, whole: int | None) -> float | None:
    if part is None or not whole or part > whole:
        return None
    return part / whole


def seconds_between(before: OwnLinks | None, after: OwnLinks) -> float | None:
    """None without a look before, or where no time went by."""
    seconds = 0.0 if before is None else (after.mono_ns - before.mono_ns) / 1e9
    return seconds if seconds > 0 else None


def port_facts(before: OwnLinks | None, after: OwnLinks, name: str) -> Facts:
    """Of the Ethernet port `name`; empty where there is no such interface now."""
    now = after.interfaces.get(name)
    if now is None:
        return {}
    facts: dict[str, float | None] = {}
    modes = after.ports.get(name)
    if modes is not None:
        facts |= {
            "port_speed_bps": modes.speed_bps,
            "port_full_duplex": None if modes.full_duplex is None else float(modes.full_duplex),
            "port_able_bps": modes.able_bps,
            "port_partner_able_bps": modes.partner_able_bps,
        }
    was, seconds = before.interfaces.get(name) if before else None, seconds_between(before, after)
    if was is None or was.index != now.index or seconds is None:
        return facts

    def counted(field: str, bits: int = 64) -> int | None:
        return _between(getattr(was, field), getattr(now, field), seconds, bits=bits)

    received, sent = counted("received_frames"), counted("sent_frames")
    frames = None if received is None or sent is None else received + sent
    # All counters of an interface begin anew together, so one that fell makes the others worthless.
    errors, dropped = (counted(n) if frames is not None else None for n in ("errors", "dropped"))
    return facts | {
        "port_frames": frames,
        "port_errors": errors,
        "port_dropped": dropped,
        "port_carrier_changes": counted("carrier_changes"),
        **_crossed(was, now, seconds),
    }


def _crossed(was: Interface | Station, now: Interface | Station, seconds: float) -> Facts:
    received = _between(was.received_octets, now.received_octets, seconds, bits=64)
    sent = _between(was.sent_octets, now.sent_octets, seconds, bits=64)
    return {
        "own_receive_bps": None if received is None else received * 8 / seconds,
        "own_send_bps": None if sent is None else sent * 8 / seconds,
    }


def radio_facts(before: OwnLinks | None, after: OwnLinks, device: str, mac: str) -> Facts:
    """Of the radio `device` and its station `mac`; empty where it is not joined now."""
    radio = after.radios.get(device, Radio())
    now = _station(radio, mac)
    if now is None:
        return {}
    air, tuned = radio.airtime, radio.tuned
    facts: dict[str, float | None] = {
        "radio_signal_dbm": now.signal_dbm,
        "radio_noise_dbm": air.noise_dbm if air else None,
        "radio_rate_bps": now.send_bps,
        "radio_receive_rate_bps": now.receive_bps,
        "radio_width_mhz": tuned.width_mhz,
        "radio_streams": now.streams,
        "radio_frequency_mhz": tuned.frequency_mhz or (air.frequency_mhz if air else None),
        "radio_connected_s": now.connected_s,
        "radio_power_save": None if radio.power_save is None else float(radio.power_save),
    }
    seconds = seconds_between(before, after)
    if before is None or seconds is None:
        return facts
    radio_before = before.radios.get(device, Radio())
    facts |= dict(_airtime(radio_before.airtime, air, seconds))
    was = _station(radio_before, mac)
    if was is None or _joined_again(was, now, seconds):
        return facts
    return {**facts, **_sendings(was, now, seconds), **_crossed(was, now, seconds)}


def _station(radio: Radio, mac: str) -> Station | None:
    return next((s for s in radio.stations if s.mac == mac), None)


def _joined_again(was: Station, now: Station, seconds: float) -> bool:
    """Whether it left between: then it has been there for less long than it had been, and the span."""
    if was.connected_s is None or now.connected_s is None:
        return False
    return now.connected_s + _JOINED_SLACK_S < was.connected_s + seconds


def _sendings(was: Station, now: Station, seconds: float) -> Facts:
    def counted(field: str) -> int | None:
        return _between(getattr(was, field), getattr(now, field), seconds, bits=32)

    packets, retries, failed = counted("sent_packets"), counted("retries"), counted("failed")
    sendings = None if packets is None or retries is None else packets + retries
    lost = counted("beacons_lost")
    return {
        "radio_retry_share": _share(retries, sendings),
        "radio_failed_share": _share(failed, packets),
        "radio_beacons_lost": lost,
    }


def _airtime(was: Airtime | None, now: Airtime | None, seconds: float) -> Facts:
    """Shares of the time on the channel since the look before, or since the driver began to count anew."""
    if now is None or now.on_ms is None:
        return {}
    whole: int | None = None
    if was is not None and was.frequency_mhz == now.frequency_mhz:
        whole = _between(was.on_ms, now.on_ms, seconds, bits=64)
    if whole is None or whole < _NEW_BEGIN * seconds * 1e3:
        # Begun anew since: what it counted from there on is of this span, unless it is longer than the span.
        was, whole = None, now.on_ms if now.on_ms <= (1 + _NEW_BEGIN) * seconds * 1e3 else None

    def share(field: str) -> float | None:
        begin = 0 if was is None else getattr(was, field)
        return _share(_between(begin, getattr(now, field), seconds, bits=64), whole)

    return {
        "radio_busy_share": share("busy_ms"),
        "radio_receive_share": share("receive_ms"),
        "radio_own_receive_share": share("own_receive_ms"),
        "radio_transmit_share": share("send_ms"),
    }
