"""The coax of a home, part by part, and the boxes at its ends."""

import math
from enum import StrEnum

from msgspec import Struct

REFERENCE_C = 20.0
"""The temperature, in degrees Celsius, for which makers print a cable's loss (68 °F)."""


class CableKind(StrEnum):
    """Coax by its series, as printed on the jacket."""

    RG_59 = "rg-59"
    RG_6 = "rg-6"
    RG_11 = "rg-11"


class Leg(StrEnum):
    """Which output of a part leads on to the modem."""

    EVEN = "even"
    """Any output of a splitter that serves all alike."""
    STRONG = "strong"
    """The output with the least loss of an unbalanced splitter."""
    WEAK = "weak"
    THROUGH = "through"
    """A coupler's main output."""
    TAP = "tap"
    """A coupler's tapped output."""


class Cable(Struct, frozen=True, kw_only=True):
    """A length of coax. length in metres, temperature in degrees Celsius."""

    kind: CableKind
    length_m: float
    temperature_c: float = REFERENCE_C


class Splitter(Struct, frozen=True, kw_only=True):
    """A splitter. serves: what hangs on its other outputs, in the owner's words."""

    ways: int
    leg: Leg = Leg.EVEN
    serves: tuple[str, ...] = ()


class Coupler(Struct, frozen=True, kw_only=True):
    """A directional coupler of `value_db` at its tap."""

    value_db: int
    leg: Leg = Leg.THROUGH
    serves: tuple[str, ...] = ()


class Amplifier(Struct, frozen=True, kw_only=True):
    """A powered amplifier; return_gain_db below zero is a return path that loses."""

    gain_db: float
    return_gain_db: float = 0.0


class Filter(Struct, frozen=True, kw_only=True):
    """Passes `low_hz` to `high_hz` at `loss_db`; outside it takes `stop_db` off."""

    name: str
    low_hz: float = 0.0
    high_hz: float = math.inf
    loss_db: float = 0.5
    stop_db: float = 40.0


class Pad(Struct, frozen=True, kw_only=True):
    """A fixed attenuator."""

    loss_db: float


class Joint(Struct, frozen=True, kw_only=True):
    """A barrel, wall plate or bonding block: two connectors back to back."""

    name: str = "joint"
    loss_db: float = 0.2


Part = Cable | Splitter | Coupler | Amplifier | Filter | Pad | Joint


class Run(Struct, frozen=True, kw_only=True):
    """Parts in order from the tap (or where the provider hands over) to the modem.

    tap_dbmv: downstream level at the start by frequency in Hz; between two given points the level runs
    straight, outside it stays as at the nearest one.
    """

    tap_dbmv: dict[float, float]
    parts: tuple[Part, ...] = ()


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


class Docsis(Struct, frozen=True, kw_only=True):
    """What a cable modem can bond. channel_mhz: 6 (annex B) or 8 (annex A) per downstream channel."""

    down_channels: int = 0
    up_channels: int = 0
    ofdm_mhz: float = 0.0
    ofdma_mhz: float = 0.0
    channel_mhz: int = 6


class Radio(Struct, frozen=True, kw_only=True):
    """A radio as a client or a mesh backhaul uses it."""

    generation: RadioKind
    streams: int = 2
    width_mhz: int = 80
    shared_backhaul: bool = False


class Box(Struct, frozen=True, kw_only=True):
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
