"""Messages as the kernel writes them, built by the layouts of Linux 6.1's user headers: linux/netlink.h,
genetlink.h, rtnetlink.h, if_link.h, neighbour.h, ethtool_netlink.h, nl80211.h (numbers read from them).
"""

import struct

NESTED = 0x8000
RTM_NEWLINK, RTM_NEWNEIGH = 16, 28
FAMILY = 28
"""Any number from 17 on: generic families are numbered as they register."""


def attribute(kind: int, value: bytes) -> bytes:
    """struct nlattr: length and kind, the value, filled up to four octets."""
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)


def u8(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=B", value))


def s8(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=b", value))


def u16(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=H", value))


def u32(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=I", value))


def u64(kind: int, value: int) -> bytes:
    return attribute(kind, struct.pack("=Q", value))


def nest(kind: int, *inner: bytes) -> bytes:
    return attribute(kind | NESTED, b"".join(inner))


def message(kind: int, payload: bytes, *, seq: int = 1) -> bytes:
    """struct nlmsghdr and what it carries; NLM_F_MULTI set."""
    return struct.pack("=IHHII", 16 + len(payload), kind, 2, seq, 1) + payload + bytes(-len(payload) % 4)


def done(*, seq: int = 1) -> bytes:
    """NLMSG_DONE, with no error."""
    return message(3, struct.pack("=i", 0), seq=seq)


def refusal(number: int, *, seq: int = 1) -> bytes:
    """NLMSG_ERROR: struct nlmsgerr, the error negative, then the header of what was asked."""
    return message(2, struct.pack("=iIHHII", -number, 16, FAMILY, 5, seq, 0), seq=seq)


def generic(command: int, *attributes: bytes, seq: int = 1) -> bytes:
    """struct genlmsghdr before the attributes."""
    return message(FAMILY, struct.pack("=BBH", command, 1, 0) + b"".join(attributes), seq=seq)


# -- rtnetlink

STATS64 = [
    "rx_packets",
    "tx_packets",
    "rx_bytes",
    "tx_bytes",
    "rx_errors",
    "tx_errors",
    "rx_dropped",
    "tx_dropped",
    "multicast",
    "collisions",
    "rx_length_errors",
    "rx_over_errors",
    "rx_crc_errors",
    "rx_frame_errors",
    "rx_fifo_errors",
    "rx_missed_errors",
    "tx_aborted_errors",
    "tx_carrier_errors",
    "tx_fifo_errors",
    "tx_heartbeat_errors",
    "tx_window_errors",
    "rx_compressed",
    "tx_compressed",
    "rx_nohandler",
    "rx_otherhost_dropped",
]
"""struct rtnl_link_stats64, in its order."""


def stats64(**counts: int) -> bytes:
    return attribute(23, struct.pack(f"={len(STATS64)}Q", *(counts.get(name, 0) for name in STATS64)))


def link(index: int, name: str, *attributes: bytes) -> bytes:
    """RTM_NEWLINK: struct ifinfomsg, IFLA_IFNAME, then the rest."""
    head = struct.pack("=BBHiII", 0, 0, 1, index, 0x1043, 0)
    return message(RTM_NEWLINK, head + attribute(3, name.encode() + b"\0") + b"".join(attributes))


def bridge_row(index: int, mac: bytes) -> bytes:
    """RTM_NEWNEIGH of family AF_BRIDGE: struct ndmsg and NDA_LLADDR."""
    return message(RTM_NEWNEIGH, struct.pack("=BBHiHBB", 7, 0, 0, index, 2, 0, 0) + attribute(2, mac))


# -- ethtool


def bit_set(*values: int, mask: tuple[int, ...] = (), size: int = 93) -> bytes:
    """A compact bit set: ETHTOOL_A_BITSET_SIZE, VALUE and, where given, MASK."""
    words = -(-size // 32)

    def bits(numbers: tuple[int, ...]) -> bytes:
        whole = sum(1 << n for n in numbers)
        return struct.pack(f"={words}I", *(whole >> 32 * i & 0xFFFF_FFFF for i in range(words)))

    return u32(2, size) + attribute(4, bits(values)) + (attribute(5, bits(mask)) if mask else b"")


# -- nl80211

MAC = bytes.fromhex("0200aa00bb01")


def rate(kind: int, *inner: bytes) -> bytes:
    """NL80211_STA_INFO_TX_BITRATE (8) or RX_BITRATE (14), a nest of NL80211_RATE_INFO_*."""
    return nest(kind, *inner)


def station(*about: bytes, mac: bytes | None = MAC) -> bytes:
    """An answer to NL80211_CMD_GET_STATION: IFINDEX, MAC, STA_INFO."""
    parts = [u32(3, 3)]
    if mac is not None:
        parts.append(attribute(6, mac))
    if about:
        parts.append(nest(21, *about))
    return generic(19, *parts)


def airtime(*about: bytes) -> bytes:
    """An answer to NL80211_CMD_GET_SURVEY: IFINDEX, SURVEY_INFO."""
    return generic(51, u32(3, 3), nest(84, *about))
