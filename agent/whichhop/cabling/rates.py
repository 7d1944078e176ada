"""What each kind of equipment can carry, by standard and for data, and which generation a plan needs."""

import math
from collections.abc import Iterator

from msgspec import Struct

from whichhop.model.cable_run import Adapter, LineKind, RadioKind
from whichhop.model.home import Plan
from whichhop.model.links import Medium

MTU_PAYLOAD = 1448
MTU_WIRE = 1538
"""A full TCP segment with time stamps (RFC 7323) and all that Ethernet sends for it: 1448 of 1538 octets
(header 14, check 4, preamble 8, gap 12; IPv4 20, TCP 32)."""

PORTS_BPS = (100e6, 1e9, 2.5e9, 5e9, 10e9)
"""Ethernet over twisted pair: IEEE 802.3, clauses 25, 40, 55 and 126."""
RADIOS = (
    (RadioKind.N, "Wi-Fi 4", 40),
    (RadioKind.AC, "Wi-Fi 5", 80),
    (RadioKind.AX, "Wi-Fi 6", 80),
    (RadioKind.BE, "Wi-Fi 7", 160),
)
"""Generations with the widest channel that homes commonly have free: common practice."""
STREAMS = 2
"""What phones and laptops have: common practice."""
DSL = (LineKind.ADSL2_PLUS, LineKind.VDSL2_17A, LineKind.VDSL2_35B)
FIBRE = (LineKind.GPON, LineKind.XGS_PON)


def ethernet_bps(nominal_bps: float) -> float:
    """Most that TCP gets through an Ethernet port."""
    return nominal_bps * MTU_PAYLOAD / MTU_WIRE


class UsualRate(Struct, frozen=True, kw_only=True):
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


class DocsisGeneration(Struct, frozen=True, kw_only=True):
    """A generation of cable modems and the most that it must be able to take in and send, bit/s."""

    name: str
    down_bps: float
    up_bps: float
    source: str


DOCSIS = (
    DocsisGeneration(
        name="DOCSIS 3.0 with 8x4 channels",
        down_bps=8 * DOWN_CHANNEL_BPS[6],
        up_bps=4 * UP_CHANNEL_BPS,
        source="ITU-T J.222.1: channels bonded at 256-QAM in 6 MHz (ITU-T J.83) and 64-QAM in 6.4 MHz",
    ),
    DocsisGeneration(
        name="DOCSIS 3.0 with 24x8 channels",
        down_bps=24 * DOWN_CHANNEL_BPS[6],
        up_bps=8 * UP_CHANNEL_BPS,
        source="the same",
    ),
    DocsisGeneration(
        name="DOCSIS 3.1",
        down_bps=2 * 192e6 * OFDM_BPS_PER_HZ,
        up_bps=2 * 96e6 * OFDMA_BPS_PER_HZ,
        source="ITU-T J.225 (DOCSIS 3.1): a modem takes two OFDM channels of 192 MHz and sends two OFDMA"
        " channels of 96 MHz; bits a second a hertz are common practice",
    ),
    DocsisGeneration(
        name="DOCSIS 4.0",
        down_bps=10e9,
        up_bps=6e9,
        source="DOCSIS 4.0: up to 10 Gbit/s downstream, 6 Gbit/s upstream on the whole coax; from memory",
    ),
)
"""Oldest first. What the provider's own plant and list of approved modems allow goes before."""


class Needed(Struct, frozen=True, kw_only=True):
    """The oldest generation that carries a plan. name: None where none of the table does."""

    part: str
    name: str | None
    down_bps: float | None
    up_bps: float | None
    source: str

    @property
    def words(self) -> str:
        """In one sentence."""
        if self.name is None:
            return f"{self.part}: no generation in the table carries this plan ({self.source})"
        rates_words = f"{(self.down_bps or 0) / 1e6:.0f} Mbit/s downstream"
        if self.up_bps is not None and self.up_bps != self.down_bps:
            rates_words += f", {self.up_bps / 1e6:.0f} upstream"
        return f"{self.part}: {self.name} or better (carries {rates_words}; {self.source})"


def _line(kinds: tuple[LineKind, ...], plan: Plan, part: str, source: str) -> Needed:
    for kind in kinds:
        down, up = LINE_GENERATIONS[kind]
        if down >= plan.down_bps and up >= plan.up_bps:
            return Needed(part=part, name=str(kind), down_bps=down, up_bps=up, source=source)
    return Needed(part=part, name=None, down_bps=None, up_bps=None, source=source)


def _docsis(plan: Plan) -> Needed:
    for one in DOCSIS:
        if one.down_bps >= plan.down_bps and one.up_bps >= plan.up_bps:
            return Needed(
                part="cable modem",
                name=one.name,
                down_bps=one.down_bps,
                up_bps=one.up_bps,
                source=one.source,
            )
    return Needed(part="cable modem", name=None, down_bps=None, up_bps=None, source=DOCSIS[-1].source)


def needed(plan: Plan, medium: Medium | None) -> Iterator[Needed]:
    """Modem, port and Wi-Fi for a plan. medium: of the access line; without it the modem is left out.

    A port and Wi-Fi carry the larger of both directions less what their headers take (cabling/py).
    """
    match medium:
        case Medium.CABLE:
            yield _docsis(plan)
        case Medium.DSL:
            yield _line(
                DSL, plan, "DSL modem", "best case of ITU-T G.992.5 and G.993.2; long lines carry less"
            )
        case Medium.FIBRE:
            yield _line(FIBRE, plan, "fibre", "ITU-T G.984 and G.9807, shared by the homes on it")
        case _:
            pass
    most = max(plan.down_bps, plan.up_bps)
    # What a plan of 1,000 Mbit/s promises is what such a port carries on the wire.
    port = next((p for p in PORTS_BPS if p >= most), None)
    yield Needed(
        part="Ethernet ports on the way",
        name=None if port is None else f"{port / 1e6:g} Mbit/s",
        down_bps=None if port is None else ethernet_bps(port),
        up_bps=None if port is None else ethernet_bps(port),
        source="IEEE 802.3, of which TCP gets this",
    )
    for kind, trade, width in RADIOS:
        real = RADIO_STREAM_BPS[kind, width] * STREAMS * RADIO_REAL
        if real >= most or kind is RadioKind.BE:
            yield Needed(
                part="Wi-Fi in the same room",
                name=f"{trade} ({kind}), {STREAMS} streams at {width} MHz" if real >= most else None,
                down_bps=real,
                up_bps=real,
                source=f"IEEE {kind} link rate, {100 * RADIO_REAL:.0f} % for data, common practice",
            )
            return


def months_to_pay(price: float, rental_a_month: float) -> int:
    """Whole months until equipment of one's own costs less than renting; ValueError where it never can."""
    if not (math.isfinite(price) and price > 0 and math.isfinite(rental_a_month) and rental_a_month > 0):
        raise ValueError("price and rental fee are positive amounts of money")
    return math.ceil(round(price / rental_a_month, 9))
