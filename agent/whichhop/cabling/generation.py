"""Which generation of equipment a plan needs: the oldest that carries it, by published figures."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from whichhop.cabling import rates
from whichhop.model.cable_run import LineKind, RadioKind
from whichhop.model.home import Plan
from whichhop.model.links import Medium

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


@dataclass(frozen=True, slots=True, kw_only=True)
class DocsisGeneration:
    """A generation of cable modems and the most that it must be able to take in and send, bit/s."""

    name: str
    down_bps: float
    up_bps: float
    source: str


DOCSIS = (
    DocsisGeneration(
        name="DOCSIS 3.0 with 8x4 channels",
        down_bps=8 * rates.DOWN_CHANNEL_BPS[6],
        up_bps=4 * rates.UP_CHANNEL_BPS,
        source="ITU-T J.222.1: channels bonded at 256-QAM in 6 MHz (ITU-T J.83) and 64-QAM in 6.4 MHz",
    ),
    DocsisGeneration(
        name="DOCSIS 3.0 with 24x8 channels",
        down_bps=24 * rates.DOWN_CHANNEL_BPS[6],
        up_bps=8 * rates.UP_CHANNEL_BPS,
        source="the same",
    ),
    DocsisGeneration(
        name="DOCSIS 3.1",
        down_bps=2 * 192e6 * rates.OFDM_BPS_PER_HZ,
        up_bps=2 * 96e6 * rates.OFDMA_BPS_PER_HZ,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
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
        down, up = rates.LINE_GENERATIONS[kind]
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

    A port and Wi-Fi carry the larger of both directions less what their headers take (cabling/rates.py).
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
        down_bps=None if port is None else rates.ethernet_bps(port),
        up_bps=None if port is None else rates.ethernet_bps(port),
        source="IEEE 802.3, of which TCP gets this",
    )
    for kind, trade, width in RADIOS:
        real = rates.RADIO_STREAM_BPS[kind, width] * STREAMS * rates.RADIO_REAL
        if real >= most or kind is RadioKind.BE:
            yield Needed(
                part="Wi-Fi in the same room",
                name=f"{trade} ({kind}), {STREAMS} streams at {width} MHz" if real >= most else None,
                down_bps=real,
                up_bps=real,
                source=f"IEEE {kind} link rate, {100 * rates.RADIO_REAL:.0f} % for data, common practice",
            )
            return


def months_to_pay(price: float, rental_a_month: float) -> int:
    """Whole months until equipment of one's own costs less than renting; ValueError where it never can."""
    if not (math.isfinite(price) and price > 0 and math.isfinite(rental_a_month) and rental_a_month > 0):
        raise ValueError("price and rental fee are positive amounts of money")
    return math.ceil(round(price / rental_a_month, 9))
