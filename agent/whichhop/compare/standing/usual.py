"""What is usual for each kind of element: delay level, tail, loss and late share, each with its source.

A level is a two-way delay in seconds that every packet pays. The tail is the mean excess over the median,
seconds. The late share counts answers 25 ms and more above the median. Every prior is log-normal: a median
and a spread of the logarithm. Where sources disagree the higher figure stands: a prior half too low may blame
a healthy line (a satellite's), one twice too high blames nobody (see tests/standing/README.md).
"""

from collections.abc import Mapping
from enum import StrEnum

from msgspec import Struct

from whichhop.compare.suspects.elements import Element, Nature
from whichhop.model import Home, LinkKind, Medium

MS = 1e-3


class ElementKind(StrEnum):
    """What an element is, as far as its usual levels go."""

    ETHERNET = "ethernet"
    FORWARDING = "forwarding"
    HOST = "host"
    WIFI = "wi-fi"
    RADIO_BACKHAUL = "radio-backhaul"
    COAX = "coax"
    POWER_LINE = "power-line"
    CABLE = "cable"
    DSL = "dsl"
    FIBRE = "fibre"
    FIXED_WIRELESS = "fixed-wireless"
    SATELLITE = "satellite"
    ANY_ACCESS = "any-access"
    ANY_BACKHAUL = "any-backhaul"
    BEYOND = "beyond"
    DESTINATION = "destination"
    REPLY = "reply"
    DOZING_REPLY = "dozing-reply"
    RESOLVER = "resolver"
    AIR = "air"
    OWN_TRAFFIC = "own-traffic"


class Feature(StrEnum):
    """What is measured of a session and what an element adds to it."""

    LEVEL = "level"
    TAIL = "tail"
    LOSS = "loss"
    LATE = "late"


class Spread(Struct, frozen=True, kw_only=True):
    """A log-normal: its median, and the spread of the logarithm above and below it."""

    median: float
    log_sd: float
    log_sd_below: float | None = None
    """Where less than usual is no surprise at all; None: as above."""


class UsualLevels(Struct, frozen=True, kw_only=True):
    """One kind's healthy behaviour.

    harm: per feature the line beyond which no level is called healthy; a feature without one is told, never
    blamed for being large. source: where the figures come from.
    """

    level: Spread
    tail: Spread
    loss: Spread
    late: Spread
    harm: Mapping[Feature, float]
    source: str

    def spread(self, feature: Feature) -> Spread:
        """The prior of one feature."""
        return {
            Feature.LEVEL: self.level,
            Feature.TAIL: self.tail,
            Feature.LOSS: self.loss,
            Feature.LATE: self.late,
        }[feature]


def _usual(  # noqa: PLR0917 - a row of a table
    level_ms: tuple[float, float],
    tail_ms: tuple[float, float],
    loss: tuple[float, float],
    late: tuple[float, float],
    harm: tuple[float, float, float, float] | None,
    source: str,
    below: float | None = None,
    seldom_below: float | None = None,
) -> UsualLevels:
    """Harm: level ms, tail ms, loss, late share. below: of the level; seldom_below: of tail and late."""
    lines = {}
    if harm is not None:
        lines = {
            Feature.LEVEL: harm[0] * MS,
            Feature.TAIL: harm[1] * MS,
            Feature.LOSS: harm[2],
            Feature.LATE: harm[3],
        }
    return UsualLevels(
        level=Spread(median=level_ms[0] * MS, log_sd=level_ms[1], log_sd_below=below),
        tail=Spread(median=tail_ms[0] * MS, log_sd=tail_ms[1], log_sd_below=seldom_below),
        loss=Spread(median=loss[0], log_sd=loss[1]),
        late=Spread(median=late[0], log_sd=late[1], log_sd_below=seldom_below),
        harm=lines,
        source=source,
    )


# Harm lines, all kinds: loss over 1 % is the worst class that the yearly FCC "Measuring Broadband America"
# reports tell apart (chart 8), and ITU-T Y.1541 grants a whole path 0.1 %; 1.5 % leaves room for counting.
# Levels: half of what ITU-T Y.1541 grants a whole path one way (100 ms, classes 0 and 2) is too much for any
# single hop of the home; a medium's own line stands well above the slowest healthy figure of its source.
USUAL: Mapping[ElementKind, UsualLevels] = {
    ElementKind.ETHERNET: _usual(
        (0.3, 0.6), (0.03, 0.8), (2e-5, 2.0), (1e-4, 1.5), (4, 4, 0.015, 0.04),
        "IEEE 802.3: a full frame at 100 Mbit/s takes 0.12 ms, four times over a switch there and back, and"
        " 0.5 us a 100 m; bit errors (1e-8 and less) lose under one packet in 10,000. Spread from memory.",
    ),
    ElementKind.FORWARDING: _usual(
        (0.1, 0.8), (0.02, 1.0), (2e-5, 2.0), (5e-5, 2.0), (4, 4, 0.015, 0.04),
        "common practice: a box that forwards in hardware or kernel takes tens of microseconds (RFC 2544"
        " section 26.2 is how it would be measured); no published survey of home routers was found.",
    ),
    ElementKind.HOST: _usual(
        (0.1, 0.8), (0.05, 1.0), (1e-4, 1.5), (2e-4, 1.5), (6, 4, 0.015, 0.04),
        "common practice: a kernel answers within 0.1 ms; no published survey was found.",
    ),
    ElementKind.WIFI: _usual(
        (2.0, 0.55), (1.2, 0.7), (7e-4, 1.0), (0.006, 0.8), (15, 5, 0.015, 0.03),
        "a published series of 5 min at home (2.4 GHz, three channels) has medians of 3 to 8 ms, another at"
        " 5 GHz 0.7 to 0.9 ms; Pei et al., INFOCOM 2016: half of the packets of a busy campus over 20 ms,"
        " which is what a fault looks like, not what is usual.",
    ),
    ElementKind.RADIO_BACKHAUL: _usual(
        (3.0, 0.55), (1.2, 0.7), (7e-4, 1.0), (0.006, 0.8), (18, 5, 0.015, 0.03),
        "as a Wi-Fi hop, further apart; no published survey of its own was found.",
    ),
    ElementKind.COAX: _usual(
        (4.0, 0.4), (0.5, 0.8), (1e-4, 1.3), (5e-4, 1.0), (14, 4, 0.015, 0.04),
        "the MoCA 2.0 announcement: average latency under 3.5 ms one way, one packet error in 100 million;"
        " loss set higher, since connectors age.",
    ),
    ElementKind.POWER_LINE: _usual(
        (6.0, 0.6), (1.2, 0.8), (1e-3, 1.3), (0.004, 1.0), (25, 6, 0.015, 0.05),
        "IEEE 1901 shares the wire by contention with a beacon period of two mains cycles (33 to 40 ms);"
        " levels from memory, no published survey of idle round trips was found.",
    ),
    ElementKind.CABLE: _usual(
        (10.0, 0.4), (1.2, 0.7), (5e-4, 1.3), (2e-3, 1.2), (40, 8, 0.015, 0.05),
        "draft-white-tsvwg-lld-00: DOCSIS 3.1 lines have typically around 10 ms on the access link, 2 to 8"
        " ms of it to get the right to send; a published first hop of 7.5 ms agrees. Loss: FCC Measuring"
        " Broadband America, most lines under 0.4 %.",
    ),
    ElementKind.DSL: _usual(
        (16.0, 0.55), (0.4, 0.9), (3e-4, 1.3), (2e-3, 1.3), (60, 6, 0.015, 0.05),
        "published first hops: VDSL2 4 ms with vectoring, 24 ms without, ADSL2+ 19.9 ms of which interleaving"
        " (8 + 8) is 16; interleaving is told in ms by RFC 4679 and set up to 20 ms each way in practice."
        " Late: as cable.",
    ),
    ElementKind.FIBRE: _usual(
        (2.0, 0.6), (0.15, 0.9), (5e-5, 1.3), (2e-4, 1.2), (20, 4, 0.015, 0.04),
        "ITU-T G.984.1: mean signal transfer delay under 1.5 ms one way; a published first hop of 1.5 ms."
        " Harm line: what is sold as fibre may end in copper, whose interleaving takes 16 ms there and back"
        " (RFC 4679) beside 4; ITU-T Y.1541 grants the access network 15 ms each way.",
    ),
    ElementKind.FIXED_WIRELESS: _usual(
        (32.0, 0.4), (3.0, 0.8), (2e-3, 1.3), (0.01, 1.0), (100, 15, 0.02, 0.10),
        "LTE: about 20 ms to an unloaded network's edge (published planning figures: 10 ms of scheduling, 5"
        " ms a retransmission); Smith et al., CMU-CS-22-115: often over 50 ms. The median lies between.",
    ),
    ElementKind.SATELLITE: _usual(
        (600.0, 0.12), (8.0, 0.8), (3e-3, 1.3), (0.02, 1.0), (900, 90, 0.03, 0.30),
        "RFC 2488 section 2: at least 558 ms there and back by a geostationary satellite. Lower orbits are"
        " far below, which is no fault.",
        below=2.0,
    ),
    ElementKind.ANY_ACCESS: _usual(
        (11.0, 1.1), (1.2, 1.2), (5e-4, 1.6), (2e-3, 1.4), (1000, 90, 0.03, 0.30),
        "the widest of the access media above.",
    ),
    ElementKind.ANY_BACKHAUL: _usual(
        (3.0, 1.0), (1.0, 1.0), (7e-4, 1.4), (0.004, 1.2), (40, 8, 0.02, 0.06),
        "the widest of the backhaul media above.",
    ),
    ElementKind.BEYOND: _usual(
        (4.0, 1.0), (0.4, 1.0), (3e-4, 1.5), (1e-3, 1.2), None,
        "light in fibre takes 5 us a km (ITU-T G.114 annex A): 400 km there and back are 4 ms; how far the"
        " provider's network reaches is not known.",
    ),
    ElementKind.DESTINATION: _usual(
        (10.0, 1.2), (0.4, 1.0), (3e-4, 1.5), (1e-3, 1.2), None,
        "5 us a km (ITU-T G.114 annex A): 1000 km are 10 ms, 12,000 km are 120 ms and within the spread.",
    ),
    ElementKind.REPLY: _usual(
        (0.4, 1.5), (0.3, 1.2), (1e-3, 2.0), (0.005, 1.5), None,
        "a box makes its own answers beside its forwarding, at low priority and in limited number (operators'"
        " discussions; RFC 1812 section 4.3.2.8 allows limits); figures from memory.",
    ),
    ElementKind.DOZING_REPLY: _usual(
        (3.0, 1.5), (15.0, 1.3), (2e-3, 2.0), (0.10, 1.5), None,
        "a radio that sleeps hears what waits for it once a beacon, 102.4 ms apart (IEEE 802.11, 100 TU); one"
        " that may sleep may as well be awake.",
        seldom_below=4.0,
    ),
    ElementKind.RESOLVER: _usual(
        (8.0, 1.3), (5.0, 1.3), (1e-3, 2.0), (0.06, 1.5), None,
        "an answer from memory takes a round trip, one that must be asked for takes several; from memory.",
    ),
    ElementKind.AIR: _usual(
        (0.02, 1.0), (0.02, 1.0), (2e-5, 1.5), (5e-5, 1.5), (15, 5, 0.015, 0.03),
        "what is usual of the air is in the links that use it; only what is wrong with it is its own.",
    ),
    ElementKind.OWN_TRAFFIC: _usual(
        (0.3, 1.2), (0.3, 1.2), (2e-5, 2.0), (1e-4, 2.0), None,
        "what ordinary use adds to an idle line; common practice.",
    ),
}  # fmt: skip

WIRED = frozenset({ElementKind.CABLE, ElementKind.DSL, ElementKind.FIBRE})
"""Access lines that one may take for each other: what is sold as fibre may end in copper or coax (common
practice)."""
MOST_OF_WIRED: Mapping[Feature, float] = {f: max(USUAL[kind].harm[f] for kind in WIRED) for f in Feature}
"""Beyond which no wired line is healthy, whatever its medium: the home file tells it, nothing measures it."""

HARM_LOG_SD = 0.15
"""How soft a harm line is, in the logarithm: 15 % beyond it costs what one standard deviation does."""

_ACCESS = {
    Medium.CABLE: ElementKind.CABLE,
    Medium.DSL: ElementKind.DSL,
    Medium.FIBRE: ElementKind.FIBRE,
    Medium.FIXED_WIRELESS: ElementKind.FIXED_WIRELESS,
    Medium.SATELLITE: ElementKind.SATELLITE,
}
_BACKHAUL = {
    Medium.RADIO: ElementKind.RADIO_BACKHAUL,
    Medium.ETHERNET: ElementKind.ETHERNET,
    Medium.COAX: ElementKind.COAX,
    Medium.POWER_LINE: ElementKind.POWER_LINE,
}
_PSEUDO: Mapping[Nature, ElementKind] = {
    Nature.HOST: ElementKind.HOST,
    Nature.AIR: ElementKind.AIR,
    Nature.FORWARDING: ElementKind.FORWARDING,
    Nature.NODE: ElementKind.FORWARDING,
    Nature.REPLY: ElementKind.REPLY,
    Nature.DESTINATION: ElementKind.DESTINATION,
    Nature.RESOLVER: ElementKind.RESOLVER,
    Nature.OWN_TRAFFIC: ElementKind.OWN_TRAFFIC,
    Nature.BEYOND: ElementKind.BEYOND,
}


def kind_of(home: Home, element: Element) -> ElementKind:
    """What an element is; a link by its kind and medium, which may be unknown."""
    if element.nature is Nature.REPLY and element.dozes:
        return ElementKind.DOZING_REPLY
    if element.nature in _PSEUDO:
        return _PSEUDO[element.nature]
    link = home.link(element.name)
    if link.kind is LinkKind.WIRELESS:
        return ElementKind.WIFI
    if link.kind is LinkKind.BACKHAUL:
        return ElementKind.ANY_BACKHAUL if link.medium is None else _BACKHAUL[link.medium]
    if link.kind is LinkKind.ACCESS:
        return ElementKind.ANY_ACCESS if link.medium is None else _ACCESS[link.medium]
    return ElementKind.ETHERNET
