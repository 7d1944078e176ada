"""The boxes of a home as their owner describes them: generation, channels, ports, radios, adapters."""

from dataclasses import dataclass
from enum import StrEnum


class LineKind(StrEnum):
    """Lines that are not DOCSIS, by the standard's own name."""

    ADSL2_PLUS = "adsl2+"
    VDSL2_17A = "vdsl2-17a"
    VDSL2_35B = "vdsl2-35b"
    GPON = "gpon"
    XGS_PON = "xgs-pon"


class RadioKind(StrEnum):
    """Radio generations by IEEE amendment."""

    N = "802.11n"
    AC = "802.11ac"
    AX = "802.11ax"
    BE = "802.11be"


class Adapter(StrEnum):
    """Adapters over power line or coax, with the nominal Mbit/s that the box prints."""

    POWER_LINE_200 = "power-line-200"
    POWER_LINE_500 = "power-line-500"
    POWER_LINE_1200 = "power-line-1200"
    POWER_LINE_2000 = "power-line-2000"
    COAX_1000 = "coax-1000"
    COAX_2500 = "coax-2500"


@dataclass(frozen=True, slots=True, kw_only=True)
class Docsis:
    """What a cable modem can bond. channel_mhz: 6 (annex B) or 8 (annex A) per downstream channel."""

    down_channels: int = 0
    up_channels: int = 0
    ofdm_mhz: float = 0.0
    ofdma_mhz: float = 0.0
    channel_mhz: int = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Radio:
    """A radio as a client or a mesh backhaul uses it."""

    generation: RadioKind
    streams: int = 2
    width_mhz: int = 80
    shared_backhaul: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """One device on the way out. roles: what it does; more than one is an all-in-one box.

    line: how the line is carried where it is not DOCSIS.
    """

    node: str
    roles: tuple[str, ...] = ()
    docsis: Docsis | None = None
    line: LineKind | None = None
    port_bps: float | None = None
    radio: Radio | None = None
    adapter: Adapter | None = None
