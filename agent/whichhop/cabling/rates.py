"""What each kind of equipment can carry: nominal rates by standard, and what is left for data."""

from dataclasses import dataclass

from whichhop.model.cable_run import Adapter, LineKind, RadioKind

MTU_PAYLOAD = 1448
MTU_WIRE = 1538
"""A full TCP segment with time stamps (RFC 7323) and all that Ethernet sends for it: 1448 of 1538 octets
(header 14, check 4, preamble 8, gap 12; IPv4 20, TCP 32)."""


def ethernet_bps(nominal_bps: float) -> float:
    """Most that TCP gets through an Ethernet port."""
    return nominal_bps * MTU_PAYLOAD / MTU_WIRE


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualRate:
    """What a technology gives in practice: the poor end and the good end, bit/s."""

    low_bps: float
    high_bps: float
    source: str = "common practice"


# ITU-T J.83: symbol rate x bits a symbol, less the error correction.
#   annex B, 6 MHz, 256-QAM: 5.360537 Msym/s x 8 = 42.88 Mbit/s, of which 38.81 Mbit/s are MPEG frames
#   annex A, 8 MHz, 256-QAM: 6.952 Msym/s x 8 = 55.62 Mbit/s x 188/204 = 51.25 Mbit/s
# Less 4 octets of 188 of each MPEG frame and DOCSIS' own headers, 2 to 3 %: about 37 and 50 Mbit/s.
DOWN_CHANNEL_BPS: dict[int, float] = {6: 37e6, 8: 50e6}
UP_CHANNEL_BPS = 26e6
"""64-QAM in 6.4 MHz: 5.12 Msym/s x 6 = 30.72 Mbit/s, less error correction, preambles and requests."""
OFDM_BPS_PER_HZ = 8.5
"""4096-QAM less error correction, pilots and prefix: 192 MHz carry about 1.6 Gb/s; common practice."""
OFDMA_BPS_PER_HZ = 7.0
"""1024-QAM and up, 96 MHz carry about 0.7 Gb/s; common practice."""

LINE_GENERATIONS: dict[LineKind, tuple[float, float]] = {
    LineKind.ADSL2_PLUS: (24e6, 1.4e6),
    LineKind.VDSL2_17A: (100e6, 40e6),
    LineKind.VDSL2_35B: (300e6, 50e6),
    LineKind.GPON: (2.488e9 * 0.93, 1.244e9 * 0.93),
    LineKind.XGS_PON: (9.953e9 * 0.87, 9.953e9 * 0.87),
}
"""Best case down and up in bit/s of lines that are not DOCSIS: ITU-T G.992.5, G.993.2, G.984, G.9807; a
passive optical network is shared by all homes on it. From memory, shares after framing common practice."""

RADIO_STREAM_BPS: dict[tuple[RadioKind, int], float] = {
    (RadioKind.N, 20): 72.2e6,
    (RadioKind.N, 40): 150e6,
    (RadioKind.AC, 20): 86.7e6,
    (RadioKind.AC, 40): 200e6,
    (RadioKind.AC, 80): 433.3e6,
    (RadioKind.AC, 160): 866.7e6,
    (RadioKind.AX, 20): 143.4e6,
    (RadioKind.AX, 40): 286.8e6,
    (RadioKind.AX, 80): 600.5e6,
    (RadioKind.AX, 160): 1201.0e6,
    (RadioKind.BE, 20): 172.1e6,
    (RadioKind.BE, 40): 344.1e6,
    (RadioKind.BE, 80): 720.6e6,
    (RadioKind.BE, 160): 1441.2e6,
    (RadioKind.BE, 320): 2882.4e6,
}
"""Link rate of one spatial stream at the shortest guard interval and highest modulation (IEEE 802.11)."""
RADIO_REAL = 0.6
"""Share of the link rate left for data in the same room: acknowledgements, contention; common practice."""
SHARED_BACKHAUL = 0.5
"""A node that repeats on the same radio sends everything twice: half is left at best."""

ADAPTERS: dict[Adapter, UsualRate] = {
    Adapter.POWER_LINE_200: UsualRate(low_bps=20e6, high_bps=60e6),
    Adapter.POWER_LINE_500: UsualRate(low_bps=40e6, high_bps=120e6),
    Adapter.POWER_LINE_1200: UsualRate(low_bps=80e6, high_bps=250e6),
    Adapter.POWER_LINE_2000: UsualRate(low_bps=100e6, high_bps=400e6),
    Adapter.COAX_1000: UsualRate(low_bps=400e6, high_bps=800e6),
    Adapter.COAX_2500: UsualRate(low_bps=1000e6, high_bps=2200e6),
}
"""Adapters by medium and the nominal Mbit/s printed on the box; both directions share what is here."""
