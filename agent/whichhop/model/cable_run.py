"""A cable run as a person lists it: the level where it starts, and the parts in order to the modem."""

import math
from dataclasses import dataclass
from enum import StrEnum

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Cable:
    """A length of coax. length in metres, temperature in degrees Celsius."""

    kind: CableKind
    length_m: float
    temperature_c: float = REFERENCE_C


@dataclass(frozen=True, slots=True, kw_only=True)
class Splitter:
    """A splitter. serves: what hangs on its other outputs, in the owner's words."""

    ways: int
    leg: Leg = Leg.EVEN
    serves: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupler:
    """A directional coupler of `value_db` at its tap."""

    value_db: int
    leg: Leg = Leg.THROUGH
    serves: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """A powered amplifier; return_gain_db below zero is a return path that loses."""

    gain_db: float
    return_gain_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Passes `low_hz` to `high_hz` at `loss_db`; outside it takes `stop_db` off."""

    name: str
    low_hz: float = 0.0
    high_hz: float = math.inf
    loss_db: float = 0.5
    stop_db: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """A fixed attenuator."""

    loss_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """A barrel, wall plate or bonding block: two connectors back to back."""

    name: str = "joint"
    loss_db: float = 0.2


Part = Cable | Splitter | Coupler | Amplifier | Filter | Pad | Joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """Parts in order from the tap (or where the provider hands over) to the modem.

    tap_dbmv: downstream level at the start by frequency in Hz; between two given points the level runs
    straight, outside it stays as at the nearest one.
    """

    tap_dbmv: dict[float, float]
    parts: tuple[Part, ...] = ()
