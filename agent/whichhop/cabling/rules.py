"""Every rule that levels are judged by: one row each, with its published source or marked common practice.

Limits of the DOCSIS physical layer are written from memory of the named specification; the trade's own
habits are marked as such and never called a standard.
"""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.channel import Carrier

PRACTICE = "common practice"
PHY30 = "DOCSIS 3.0 physical layer specification (ITU-T J.222.1)"
PHY31 = "DOCSIS 3.1 physical layer specification"
MULPI30 = "DOCSIS 3.0 MAC and upper layer specification, dynamic range window"


class LevelStanding(StrEnum):
    """How a value stands against one rule."""

    FINE = "fine"
    MARGINAL = "marginal"
    """Outside what technicians aim for, inside what the equipment must bear."""
    OUTSIDE = "outside"
    """Outside a published limit, or where service is known to suffer."""
    IMPLAUSIBLE = "implausible"
    """Such values are not seen on a working line: doubt the reading first."""
    UNKNOWN = "unknown"

    @property
    def weight(self) -> int:
        """For the worst of several: fine and unknown 0, marginal and implausible 1, outside 2."""
        return {LevelStanding.MARGINAL: 1, LevelStanding.IMPLAUSIBLE: 1, LevelStanding.OUTSIDE: 2}.get(
            self, 0
        )


class Rule(Struct, frozen=True, kw_only=True):
    """A value's allowed range, both ends included; None where there is no bound."""

    name: str
    subject: str
    unit: str
    low: float | None = None
    high: float | None = None
    beyond: LevelStanding
    source: str
    when_low: str = ""
    when_high: str = ""

    @property
    def is_share(self) -> bool:
        """Whether it bounds a share of codewords, which people are told in per cent."""
        return not self.unit

    def shown(self, value: float) -> str:
        """A value with its unit, as a reader sees it."""
        return f"{100 * value:.2g} %" if self.is_share else f"{value:.1f} {self.unit}"

    @property
    def range_words(self) -> str:
        """The range as a reader sees it."""
        unit = f" {self.unit}" if self.unit else ""
        if self.is_share and self.high is not None:
            return f"at most {100 * self.high:g} %"
        if self.low is None:
            return f"at most {self.high:g}{unit}"
        if self.high is None:
            return f"at least {self.low:g}{unit}"
        return (
            f"{self.low:+g} to {self.high:+g}{unit}"
            if self.low < 0
            else f"{self.low:g} to {self.high:g}{unit}"
        )

    def stands(self, value: float) -> LevelStanding:
        """FINE inside the range, else `beyond`."""
        low = self.low is not None and value < self.low
        high = self.high is not None and value > self.high
        return self.beyond if low or high else LevelStanding.FINE

    def advice(self, value: float) -> str:
        """What a value beyond the range usually means; empty inside it."""
        if self.low is not None and value < self.low:
            return self.when_low
        if self.high is not None and value > self.high:
            return self.when_high
        return ""


_WEAK = "too much loss on the way: splitters, long or poor cable, a loose or corroded connector"
_HOT = "too strong: an amplifier or a missing pad; the receiver may overload"

_ROWS = (
    Rule(
        name="down-power-specification",
        subject="downstream power",
        unit="dBmV",
        low=-15.0,
        high=15.0,
        beyond=LevelStanding.OUTSIDE,
        source=f"{PHY30}, modem input level per 6 or 8 MHz channel; {PHY31}, per 6 MHz",
        when_low=_WEAK,
        when_high=_HOT,
    ),
    Rule(
        name="down-power-practice",
        subject="downstream power",
        unit="dBmV",
        low=-7.0,
        high=7.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low=_WEAK,
        when_high=_HOT,
    ),
    Rule(
        name="snr-poor",
        subject="downstream SNR",
        unit="dB",
        low=36.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low="noise or ingress: check shielding, connectors and unterminated ports, and the power level",
    ),
    Rule(
        name="snr-implausible",
        subject="downstream SNR",
        unit="dB",
        high=47.0,
        beyond=LevelStanding.IMPLAUSIBLE,
        source=PRACTICE,
        when_high="higher than a working line shows: doubt the reading or the column map first",
    ),
    Rule(
        name="up-power-practice",
        subject="upstream transmit power",
        unit="dBmV",
        low=35.0,
        high=50.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low="the modem sends at low power: little loss upstream, or an amplifier in it",
        when_high="the modem has to send at high power: too much loss upstream, the same parts as downstream",
    ),
    Rule(
        name="down-spread",
        subject="spread between downstream channels",
        unit="dB",
        high=10.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="some channels arrive much weaker: a damaged cable, a filter, or a notch from a bad joint",
    ),
    Rule(
        name="down-step",
        subject="step between neighbouring downstream channels",
        unit="dB",
        high=3.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="a notch or a filter's edge: a reflection from a damaged cable, open port or bad joint",
    ),
    Rule(
        name="down-tilt",
        subject="tilt across the downstream band",
        unit="dB",
        low=-8.0,
        high=8.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low="the high channels are weaker: long cable, or water in it",
        when_high="the low channels are weaker: corrosion or a hair crack in a conductor or connector",
    ),
    Rule(
        name="up-spread-practice",
        subject="spread between upstream channels",
        unit="dB",
        high=6.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="one upstream channel needs much more power: a filter or a fault at its frequency",
    ),
    Rule(
        name="up-spread-specification",
        subject="spread between upstream channels",
        unit="dB",
        high=12.0,
        beyond=LevelStanding.OUTSIDE,
        source=MULPI30,
        when_high="more than the window of 12 dB that a bonding modem's channels must share",
    ),
    Rule(
        name="uncorrectable-noticed",
        subject="uncorrectable codewords",
        unit="",
        high=1e-5,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="data is being lost now and then",
    ),
    Rule(
        name="uncorrectable-felt",
        subject="uncorrectable codewords",
        unit="",
        high=1e-3,
        beyond=LevelStanding.OUTSIDE,
        source=PRACTICE,
        when_high="enough data is lost for calls and games to suffer",
    ),
    Rule(
        name="corrected",
        subject="corrected codewords",
        unit="",
        high=1e-2,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="nothing is lost yet, but the error correction works hard: an early sign",
    ),
    Rule(
        name="t3-rate",
        subject="unanswered ranging requests (T3)",
        unit="an hour",
        high=1.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="the provider's side often misses the modem's calls: noise or too little power upstream",
    ),
    Rule(
        name="t4-rate",
        subject="ranging chances never offered (T4)",
        unit="an hour",
        high=0.0,
        beyond=LevelStanding.OUTSIDE,
        source=PRACTICE,
        when_high="the modem lost its upstream and had to start over",
    ),
    Rule(
        name="dsl-margin-fragile",
        subject="DSL noise margin",
        unit="dB",
        low=6.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low="under the usual target of 6 dB: errors and resyncs are likely; look at wiring and filters",
    ),
    Rule(
        name="dsl-margin-lost",
        subject="DSL noise margin",
        unit="dB",
        low=3.0,
        beyond=LevelStanding.OUTSIDE,
        source=PRACTICE,
        when_low="the link is about to drop",
    ),
    Rule(
        name="dsl-attenuation",
        subject="DSL line attenuation",
        unit="dB",
        high=55.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_high="a very long or poor line: only low rates can be expected",
    ),
    Rule(
        name="fibre-receive-specification",
        subject="optical receive power",
        unit="dBm",
        low=-27.0,
        high=-8.0,
        beyond=LevelStanding.OUTSIDE,
        source="ITU-T G.984.2 Amd 1, class B+ (receiver at the home)",
        when_low="too little light: a bent or dirty fibre, a bad splice or connector",
        when_high="too much light: the receiver may overload; the provider fits an attenuator",
    ),
    Rule(
        name="fibre-receive-practice",
        subject="optical receive power",
        unit="dBm",
        low=-25.0,
        high=-10.0,
        beyond=LevelStanding.MARGINAL,
        source=PRACTICE,
        when_low="little margin left: keep bends wide and connectors clean",
        when_high="little margin to overload",
    ),
)

RULES: dict[str, Rule] = {row.name: row for row in _ROWS}

SNR_PREFERRED_DB = (40.0, 44.0)
"""Common practice: what technicians like to see; between 36 and 47 dB passes."""


class SnrMinimum(Struct, frozen=True, kw_only=True):
    """The least SNR at which a receiver must work with one modulation.

    weak_db: the least SNR when the channel arrives below `weak_dbmv`; None where power makes no difference.
    """

    carrier: Carrier
    modulation: int
    least_db: float
    weak_db: float | None = None
    weak_dbmv: float = -6.0
    source: str


def _orders(carrier: Carrier, source: str, rows: dict[int, float]) -> tuple[SnrMinimum, ...]:
    return tuple(
        SnrMinimum(carrier=carrier, modulation=m, least_db=db, source=source) for m, db in rows.items()
    )


_SC_QAM_SNR = f"{PHY30} 6.3.5, annex B"

SNR_MINIMA: tuple[SnrMinimum, ...] = (
    SnrMinimum(carrier=Carrier.SC_QAM, modulation=64, least_db=23.5, source=_SC_QAM_SNR),
    SnrMinimum(carrier=Carrier.SC_QAM, modulation=256, least_db=30.0, weak_db=33.0, source=_SC_QAM_SNR),
    *_orders(
        Carrier.OFDM,
        f"{PHY31}, least carrier to noise at the modem up to 1 GHz",
        {16: 15.0, 64: 21.0, 128: 24.0, 256: 27.0, 512: 30.5, 1024: 34.0, 2048: 37.0, 4096: 41.0},
    ),
    # At the provider's receiver: a modem does not see it, a provider's figure can be held against it.
    *_orders(
        Carrier.OFDMA,
        f"{PHY31}, least carrier to noise at the provider's receiver",
        {4: 11.0, 8: 14.0, 16: 17.0, 32: 20.0, 64: 23.0, 128: 26.0, 256: 29.0, 512: 32.5,
         1024: 35.5, 2048: 39.0, 4096: 43.0},
    ),
)  # fmt: skip


def snr_minimum(carrier: Carrier, modulation: int | None) -> SnrMinimum | None:
    """The published minimum for a modulation, or None where none is known."""
    for row in SNR_MINIMA:
        if row.carrier is carrier and row.modulation == modulation:
            return row
    return None


UP_POWER_LOW_DBMV = 17.0
"""DOCSIS 3.0, lowest transmit level for TDMA."""

# DOCSIS 3.0 6.2.19: highest transmit level for TDMA by how many channels are sent at once.
_UP_TOPS: dict[int, dict[int, float]] = {
    1: {4: 61.0, 8: 58.0, 16: 58.0, 32: 57.0, 64: 57.0},
    2: {4: 58.0, 8: 55.0, 16: 55.0, 32: 54.0, 64: 54.0},
    4: {4: 55.0, 8: 52.0, 16: 52.0, 32: 51.0, 64: 51.0},
}


def up_power_rule(channels: int, modulation: int | None) -> Rule:
    """The published transmit range of one TDMA channel when `channels` are sent at once.

    An unknown modulation gets the widest range, so that nobody is accused on a guess. More than four
    channels share what four share, since the total is what is limited.
    """
    tops = _UP_TOPS[1 if channels <= 1 else 2 if channels == 2 else 4]
    return Rule(
        name="up-power-specification",
        subject="upstream transmit power",
        unit="dBmV",
        low=UP_POWER_LOW_DBMV,
        high=tops.get(modulation or 4, tops[4]),
        beyond=LevelStanding.OUTSIDE,
        source=f"{PHY30} 6.2.19, TDMA, {channels} channel{'s' if channels != 1 else ''} at once",
        when_low="lower than the modem has to be able to send: doubt the reading",
        when_high="at the end of what the modem can send: too much loss upstream",
    )
