"""TCP throughput arithmetic: RFC 6349's metrics, Ethernet's framing cost, and what held a transfer back."""

PREAMBLE_AND_GAP_OCTETS = 8 + 12
"""IEEE 802.3: preamble with start delimiter, and the gap before the next frame."""
MAC_OCTETS = 14 + 4
"""IEEE 802.3: header and check sequence."""
VLAN_OCTETS = 4
"""IEEE 802.1Q: one tag."""
TCP_HEADERS = 20 + 20 + 12
"""Octets of IPv4 and TCP with time stamps (RFC 791, RFC 9293, RFC 7323), as Linux sends them."""


def bandwidth_delay_bits(rate_bps: float, rtt_s: float) -> float:
    """Bits in flight that fill a path (RFC 6349 3.3.1); compute each direction by itself."""
    return rate_bps * rtt_s


def least_window_octets(rate_bps: float, rtt_s: float) -> float:
    """The smallest TCP receive window that fills the path (RFC 6349 3.3.1), octets."""
    return bandwidth_delay_bits(rate_bps, rtt_s) / 8


def frame_octets(mtu: int = 1500, vlan_tags: int = 0) -> int:
    """Octets that a full frame takes on an Ethernet wire, preamble and gap included (1538 at 1500)."""
    return mtu + MAC_OCTETS + PREAMBLE_AND_GAP_OCTETS + VLAN_OCTETS * vlan_tags


def goodput_bps(rate_bps: float, *, header_octets: int, mtu: int = 1500, vlan_tags: int = 0) -> float:
    """Payload that Ethernet at `rate_bps` carries in full frames, bit/s (IEEE 802.3 arithmetic).

    header_octets: IP and transport headers inside the MTU, tunnel headers too: 40 for TCP over IPv4,
    52 with timestamps, 60 and 72 over IPv6, 28 and 48 for UDP; PPPoE adds 8 (RFC 2516).
    """
    if header_octets >= mtu:
        raise ValueError(f"headers of {header_octets} octets leave no payload in an MTU of {mtu}")
    return rate_bps * (mtu - header_octets) / frame_octets(mtu, vlan_tags)


def transfer_time_ratio(actual_s: float, ideal_s: float) -> float:
    """RFC 6349 4.1.2: how many times longer than ideal a transfer took; 1 is perfect."""
    return actual_s / ideal_s


def efficiency_ratio(sent_octets: int, resent_octets: int) -> float | None:
    """RFC 6349 4.2.1: share of octets that were not sent again, 0 to 1; None when nothing was sent.

    sent_octets: the payload itself; what was sent again comes on top.
    """
    total = sent_octets + resent_octets
    return sent_octets / total if total else None


def buffer_delay_ratio(mean_rtt_s: float, baseline_rtt_s: float) -> float:
    """RFC 6349 4.3.1: growth of the round trip under load over its baseline; 0.28 is 28 %."""
    return (mean_rtt_s - baseline_rtt_s) / baseline_rtt_s


MOST_IDLE = 0.1
"""Share of the time that a sender may have nothing to send before the path is no longer what was measured."""
MOST_HELD = 0.15
"""Share of the time that a window or buffer may hold a sender back, likewise. Both our own choice."""
FULL_CPU = 0.85
"""Share of a core from which a program is taken to be held back by its processor."""
NEAR_CEILING = 0.97
STANDING_QUEUE_S = 0.002
"""A round trip that grew by this much says that a queue stood on the path, whatever held the sender."""


def what_limited(
    *,
    busy: float,
    window: float,
    buffer: float,
    sender_cpu: float,
    receiver_cpu: float,
    queue_s: float,
    threads: int,
    cores: int,
    rate_bps: float,
    port_bps: float | None = None,
) -> str:
    """ "" when the path itself was full; else what was, so that the path carries at least the rate.

    busy, window, buffer: shares of the time from the sender's tcp_info. *_cpu: cores' worth of time used.
    queue_s: growth of the round trip while it ran.
    port_bps: TCP goodput of the slower end's own port, where known: a full port is the end's, not the path's.
    """
    held = queue_s < STANDING_QUEUE_S
    most = min(threads, max(cores, 1)) * FULL_CPU
    rules = (
        (sender_cpu >= most, "the sending machine's processor"),
        (receiver_cpu >= most, "the receiving machine's processor"),
        (busy < 1 - MOST_IDLE, "the sending program"),
        (held and window > MOST_HELD, "the receiving machine's window"),
        (held and buffer > MOST_HELD, "the sending machine's buffer"),
        (port_bps is not None and rate_bps >= NEAR_CEILING * port_bps, "the machine's own port"),
    )
    return next((words for holds, words in rules if holds), "")
