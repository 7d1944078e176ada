"""What a modem says about its line: a row a channel, one reading of all, a fact by the hour, its state."""

from collections.abc import Mapping
from enum import StrEnum

from msgspec import Struct, field


class Direction(StrEnum):
    """Which way a channel carries, seen from the home."""

    DOWN = "down"
    UP = "up"


class Carrier(StrEnum):
    """How a channel is modulated onto the coax; the DOCSIS specifications' terms."""

    SC_QAM = "sc-qam"
    """One carrier downstream (ITU-T J.83)."""
    OFDM = "ofdm"
    """Many subcarriers downstream (DOCSIS 3.1)."""
    TDMA = "tdma"
    ATDMA = "atdma"
    SCDMA = "scdma"
    OFDMA = "ofdma"
    """Many subcarriers upstream (DOCSIS 3.1)."""


MULTI_CARRIER = frozenset({Carrier.OFDM, Carrier.OFDMA})


class Channel(Struct, frozen=True, kw_only=True):
    """One channel as the modem reports it, units normalised; None where the source does not tell.

    modulation: points of the constellation: 4 is QPSK, 256 is 256-QAM; None when unknown or mixed.
    power_dbmv: received level downstream, transmit level upstream; per 6 MHz for OFDM and per 1.6 MHz
        for OFDMA, as DOCSIS 3.1 reports them.
    mer_db: signal to noise or modulation error ratio in dB, as seen by the modem; downstream only.
    unerrored, corrected, uncorrectable: codewords counted since the modem's last reset; the three
        exclude each other, as in RFC 4546.
    t3_timeouts, t4_timeouts: ranging time-outs counted since the last reset; upstream only.
    """

    direction: Direction
    channel_id: int
    carrier: Carrier
    frequency_hz: int | None = None
    width_hz: int | None = None
    modulation: int | None = None
    locked: bool | None = None
    power_dbmv: float | None = None
    mer_db: float | None = None
    unerrored: int | None = None
    corrected: int | None = None
    uncorrectable: int | None = None
    t3_timeouts: int | None = None
    t4_timeouts: int | None = None

    @property
    def name(self) -> str:
        """What names the channel in stores, labels and sentences, e.g. "down-5", "up-ofdma-6".

        A single-carrier and a many-carrier channel may bear the same id, hence the carrier in the name.
        """
        kind = f"-{self.carrier}" if self.carrier in MULTI_CARRIER else ""
        return f"{self.direction}{kind}-{self.channel_id}"

    @property
    def modulation_words(self) -> str:
        """The modulation as the trade writes it; "unknown" where it is."""
        if self.modulation is None:
            return "unknown"
        return "QPSK" if self.modulation == 4 else f"{self.modulation}-QAM"


class DslLine(Struct, frozen=True, kw_only=True):
    """One direction of a DSL line (terms of ITU-T G.997.1); None where the modem does not tell.

    rate_bps: what the line runs at; attainable_bps: what it could run at with its noise today.
    """

    direction: Direction
    margin_db: float | None = None
    attenuation_db: float | None = None
    rate_bps: float | None = None
    attainable_bps: float | None = None


class ModemLevels(Struct, frozen=True, kw_only=True):
    """One reading of a modem: channels of a cable line, directions of a DSL line, the light of a fibre.

    receive_dbm: optical power that arrives, dBm.
    node: the modem's name in the home file. at_ns: UTC, when it was read.
    remarks: what the source showed that could not be used, one sentence each; nothing is dropped silently.
    """

    node: str
    at_ns: int
    channels: tuple[Channel, ...]
    dsl: tuple[DslLine, ...] = ()
    receive_dbm: float | None = None
    remarks: tuple[str, ...] = ()
    not_read: tuple[str, ...] = ()
    """Headings of the page over figures that nothing is known of."""

    def direction(self, direction: Direction) -> tuple[Channel, ...]:
        """The channels of one direction, in the order read."""
        return tuple(c for c in self.channels if c.direction is direction)


class LevelSeries(Struct, frozen=True, kw_only=True):
    """Hours are counted from the epoch, UTC.

    fact: a measure's name, such as "power_dbmv". before, after: the value of each hour; for counted facts the
    hits and the total instead. frequency_hz: the middle of the group, None where there is none. channels: how
    many stand behind it.
    """

    group: str
    direction: Direction
    fact: str
    channels: int = 1
    frequency_hz: float | None = None
    before: Mapping[int, float] = field(default_factory=dict)
    after: Mapping[int, float] = field(default_factory=dict)
    counts_before: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    counts_after: Mapping[int, tuple[float, float]] = field(default_factory=dict)


class LevelSpan(Struct, frozen=True, kw_only=True):
    """An hour or a day of a modem's readings: the worst of each kind, None where it was not read.

    start_ns: UTC. down_low_dbmv, down_high_dbmv: the lowest and the highest downstream power; snr_low_db: the
    lowest SNR; up_high_dbmv: the highest upstream power. uncorrectable: codewords in that span.
    """

    start_ns: int
    down_low_dbmv: float | None = None
    down_high_dbmv: float | None = None
    snr_low_db: float | None = None
    up_high_dbmv: float | None = None
    uncorrectable: int | None = None


class ModemNow(Struct, frozen=True, kw_only=True):
    """One modem's newest reading.

    standing: good, marginal, bad, doubtful or not determined. headline: the answer in one line without its
    end. complaints: each kind once, with what is wanted. not_read: what the modem does not tell. figures: the
    span of each kind of level. hours: the last day, oldest first. days: the last month, oldest first; empty
    where nothing is kept for so long.
    """

    node: str
    at_ns: int
    standing: str
    headline: str
    complaints: tuple[str, ...] = ()
    not_read: tuple[str, ...] = ()
    figures: tuple[str, ...] = ()
    hours: tuple[LevelSpan, ...] = ()
    days: tuple[LevelSpan, ...] = ()

    @property
    def amiss(self) -> bool:
        """Whether something that was read is not as it should be."""
        return bool(self.complaints)
