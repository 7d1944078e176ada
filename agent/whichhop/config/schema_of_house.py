"""What all parts of a home file share, and the parts about its coax and boxes."""

import os
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from whichhop.config import texts
from whichhop.model.cable_run import Adapter, CableKind, Leg, LineKind, RadioKind

# What else is installed has no part in reading a home file; to look for it takes a tenth of a second.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
Line = Annotated[str, AfterValidator(texts.short_line)]


class Part(BaseModel):
    """What all parts share: unknown keys are refused, nothing is converted behind the writer's back."""

    # Built when a file is read: within the whole each part is built once, by itself and in it twice.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


Decibels = Annotated[float, Field(ge=-100, le=100, strict=False)]


class LevelAtPart(Part):
    """A level at a frequency."""

    mhz: Annotated[float, Field(gt=0, le=3000, strict=False)]
    """The frequency in MHz."""
    dbmv: Decibels
    """The level in dBmV."""


class RunPart(Part):
    """One part of the coax on its way from the tap to the modem: exactly one of the first eight keys."""

    tap: list[LevelAtPart] | None = None
    """The level where the run starts, at one or more frequencies; the first entry of the list."""
    cable: Annotated[CableKind | None, Field(strict=False)] = None
    """A coax cable, by its series, with its length."""
    splitter: Annotated[int | None, Field(ge=2, le=8)] = None
    """A splitter, by its number of ways."""
    coupler: Annotated[int | None, Field(ge=6, le=20)] = None
    """A directional coupler (tap), by its value in dB."""
    amplifier_db: Decibels | None = None
    """A powered amplifier, by its gain in dB."""
    filter: str | None = None
    """A filter, by a name of your own, with the band that passes."""
    pad_db: Annotated[float | None, Field(gt=0, le=40, strict=False)] = None
    """A fixed attenuator, by its loss in dB."""
    joint: str | None = None
    """A wall plate, barrel or bonding block."""
    length_m: Annotated[float | None, Field(gt=0, le=1000, strict=False)] = None
    """A cable's length in metres."""
    length_ft: Annotated[float | None, Field(gt=0, le=3281, strict=False)] = None
    """The same in feet, as the jacket often has it; one of the two."""
    temperature_c: Annotated[float | None, Field(ge=-60, le=90, strict=False)] = None
    """How warm the cable is, in degrees Celsius; 20 unless given."""
    leg: Annotated[Leg | None, Field(strict=False)] = None
    """The output of a splitter or coupler that leads on to the modem."""
    serves: list[str] | None = None
    """What hangs on the other outputs."""
    return_db: Decibels | None = None
    """An amplifier's gain upstream in dB."""
    low_mhz: Annotated[float | None, Field(ge=0, le=3000, strict=False)] = None
    """Where the band of a filter begins."""
    high_mhz: Annotated[float | None, Field(gt=0, le=3000, strict=False)] = None
    """Where the band of a filter ends."""
    loss_db: Annotated[float | None, Field(ge=0, le=40, strict=False)] = None
    """What a filter or joint loses in dB."""


class BoxPart(Part):
    """What a device of the home is: what it can bond, its port, its radio, its adapter."""

    model: Line | None = None
    """Maker and model, as its label has it; reports name that of the modem."""
    mac: Annotated[str, AfterValidator(texts.hardware_address)] | None = None
    """Its hardware address (MAC) towards the provider, as on its label; reports name that of the modem."""
    down_channels: Annotated[int, Field(ge=0, le=64)] = 0
    """Downstream channels that a cable modem bonds (the first figure of 8x4)."""
    up_channels: Annotated[int, Field(ge=0, le=16)] = 0
    """Upstream channels that it bonds."""
    ofdm_mhz: Annotated[float, Field(ge=0, le=1800, strict=False)] = 0
    """Its OFDM downstream (DOCSIS 3.1), in MHz together."""
    ofdma_mhz: Annotated[float, Field(ge=0, le=700, strict=False)] = 0
    """Its OFDMA upstream (DOCSIS 3.1), in MHz together."""
    channel_mhz: Literal[6, 8] = 6
    """The width of a channel downstream: 6 in the Americas, 8 in Europe."""
    line: Annotated[LineKind | None, Field(strict=False)] = None
    """The line of a modem that is not for cable."""
    port_mbps: Annotated[float | None, Field(gt=0, le=400_000, strict=False)] = None
    """The speed of its Ethernet port in Mbit/s."""
    radio: Annotated[RadioKind | None, Field(strict=False)] = None
    """Its Wi-Fi generation."""
    streams: Annotated[int, Field(ge=1, le=8)] = 2
    """Spatial streams of its radio (the first figure of 2x2)."""
    width_mhz: Literal[20, 40, 80, 160, 320] = 80
    """The width of its radio channel in MHz."""
    shared_backhaul: bool = False
    """True where the radio that serves devices also carries the backhaul."""
    adapter: Annotated[Adapter | None, Field(strict=False)] = None
    """The power-line or coax adapter that joins it."""
