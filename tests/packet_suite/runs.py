"""What is done to the homes, and what must then be said: every cause, in several kinds and sizes."""

import random
from collections.abc import Iterator
from itertools import cycle, islice

from msgspec import Struct
from msgspec.structs import replace

from whichhop.lab.standard_home import HOME_FILE
from whichhop.model import Cause
from whichhop.model.inner_cause import InnerCause as Inner

FAULT_S = (42.0, 56.0)
QUEUES_S = (0.15, 0.08, 0.3)
"""Depth of each home's access queue in turn: from a tamed modem to a bloated one."""

HOME = (
    HOME_FILE.replace("up_mbps: 20", "up_mbps: 40")
    .replace(
        "links:\n",
        "  landing: {kind: mesh-node, address: 192.0.2.3}\n"
        "  kitchen: {kind: host, address: 192.0.2.40, agent: true}\n"
        "links:\n",
    )
    .replace(
        "  - {join: [study, router], kind: wired}\n",
        "  - {join: [study, router], kind: wired}\n"
        "  - {join: [kitchen, landing], kind: wired}\n"
        "  - {join: [landing, router], kind: backhaul, medium: ethernet}\n",
    )
    .replace(
        "clients: [192.0.2.0/24]}}\n",
        "clients: [192.0.2.0/24]}, mill: {address: 198.51.100.8}}\n"
        "  resolvers: {house: 192.0.2.1}\n  lookup: harbour.example\n",
    )
)
RELAYS = frozenset({"study/router", "landing/router", "beyond/harbour", "beyond/mill"})
"""Plain wires that get the relay too, so that they can delay."""


class Kind(Struct, frozen=True, kw_only=True, dict=True):
    """One kind of run. element: where; effects: fault words, taken in turn. may: causes that are right.

    must: whether something has to be named at all. load: the home fills its uplink. resolver: what the name
    server does instead. silent: agents that are stopped meanwhile. for_s: least and most seconds of fault.
    inside: the cause inside the hop, where that is asked for too. felt: words of the screen where no hop is
    slow by it.
    """

    name: str
    may: frozenset[Cause]
    element: str = ""
    effects: tuple[str, ...] = ("",)
    must: bool = True
    load: bool = False
    resolver: bool = False
    silent: tuple[str, ...] = ()
    needs: Cause | None = None
    for_s: tuple[float, float] = FAULT_S
    inside: Inner | None = None
    felt: str = ""


class Run(Struct, frozen=True, kw_only=True, dict=True):
    """One run: a kind with its size; seconds of fault; streams and host of the load."""

    kind: Kind
    words: str
    for_s: float
    streams: int = 0
    host: str = ""


def _kind(name: str, cause: Cause, element: str, *effects: str) -> Kind:
    return Kind(name=name, may=frozenset({cause}), element=element, effects=effects)


OWN = Kind(name="own-traffic", may=frozenset({Cause.OWN_TRAFFIC}), element="own-traffic", load=True)
SILENT_QUEUE = _kind(
    "silent-queue", Cause.UPSTREAM_LINK, "modem/provider-edge", "delay 120ms jitter 25ms up", "delay 60ms up"
)
KINDS = (
    _kind(
        "wireless-hop",
        Cause.WIRELESS_HOP,
        "desk/attic",
        "delay 25ms jitter 15ms loss 4%",
        "loss 12%",
        "delay 60ms jitter 20ms",
    ),
    _kind(
        "upstream-link",
        Cause.UPSTREAM_LINK,
        "modem/provider-edge",
        "delay 30ms jitter 10ms loss 8%",
        "loss 9%",
        "burst 0.02 0.2",
    ),
    _kind(
        "backhaul-radio",
        Cause.BACKHAUL,
        "attic/router",
        "delay 20ms jitter 10ms loss 5%",
        "delay 45ms jitter 5ms",
        "loss 10%",
    ),
    OWN,
    _kind(
        "backhaul-ethernet", Cause.BACKHAUL, "landing/router", "loss 8%", "delay 15ms jitter 5ms", "outage"
    ),
    _kind("beyond", Cause.BEYOND, "beyond", "delay 40ms jitter 10ms", "loss 9%", "delay 25ms loss 4%"),
    _kind(
        "wired-lan", Cause.WIRED_LAN, "study/router", "loss 10%", "delay 12ms jitter 4ms", "loss 6% delay 5ms"
    ),
    Kind(
        name="agent-host",
        may=frozenset({Cause.AGENT_HOST}),
        element="host:desk",
        effects=("delay 300ms", "delay 500ms", "delay 200ms"),
        must=False,
    ),
    _kind("destination", Cause.DESTINATION, "destination:harbour", "delay 40ms", "loss 10%", "outage"),
    SILENT_QUEUE,
    Kind(
        name="name-service",
        may=frozenset({Cause.NAME_SERVICE}),
        element="resolver:house",
        effects=("0.25 0", "0 0.4", "0.08 0.1"),
        resolver=True,
    ),
    Kind(name="none", may=frozenset(), must=False),
    Kind(
        name="provider-and-own",
        may=frozenset({Cause.UPSTREAM_LINK, Cause.OWN_TRAFFIC}),
        element="modem/provider-edge",
        effects=("loss 9%", "delay 40ms loss 6%"),
        load=True,
        needs=Cause.UPSTREAM_LINK,
    ),
    Kind(
        name="not-separable",
        may=frozenset({Cause.NOT_SEPARABLE}),
        element="attic/router",
        effects=("delay 40ms loss 5%", "loss 12%"),
        silent=("attic", "router", "study", "kitchen"),
    ),
)


def _inside(inside: Inner, cause: Cause, element: str, for_s: float, effect: str) -> Kind:
    return Kind(
        name=str(inside), may=frozenset({cause}), element=element, effects=(effect,), for_s=(for_s, for_s),
        inside=inside,
    )  # fmt: skip


INSIDE = (
    _inside(Inner.BUSY_CHANNEL, Cause.WIRELESS_HOP, "desk/attic", 150.0, "jitter 8ms contention 95%"),
    _inside(Inner.SLOW_PORT, Cause.WIRED_LAN, "study/router", 150.0, "delay 4ms jitter 15ms broken-pair"),
    replace(
        _inside(Inner.POWER_SAVE, Cause.WIRELESS_HOP, "desk/attic", 200.0, "doze 307.2ms"),
        must=False,
        felt="radio sleeps between packets",
    ),
    replace(
        _inside(Inner.SCANNING, Cause.WIRELESS_HOP, "desk/attic", 360.0, "scan 30s 4s"),
        must=False,
        felt="Wi-Fi between desk and attic: its radio keeps leaving the channel",
    ),
    _inside(Inner.WEAK_SIGNAL, Cause.BACKHAUL, "attic/router", 150.0, "delay 3ms jitter 12ms loss 5%"),
    replace(OWN, name=str(Inner.UPLOAD_FILLS), for_s=(120.0, 120.0), inside=Inner.UPLOAD_FILLS),
    # Twenty minutes of an evening are the least that is told from any other full line.
    _inside(Inner.EVENING_CONGESTION, Cause.UPSTREAM_LINK, "modem/provider-edge", 1320.0, "jitter 30ms down"),
)
"""What happens inside a hop, each long enough to show its shape; `--inside` plays these alone."""
HOUR = 20
"""The hour at which all homes of a suite begin, by their own clocks: lines are full in the evening."""


def zone_at(utc_hour: int) -> str:
    """A zone where it is that hour now; its name has the sign turned (tz database, Etc)."""
    ahead = (HOUR - utc_hour + 11) % 24 - 11
    return f"Etc/GMT{-ahead:+d}" if ahead else "UTC"


def runs_of(home: int, count: int, *, only: str | None = None, inside: bool = False) -> Iterator[Run]:
    """The runs of one home in order: all kinds in turn, each time in another size, own traffic more often."""
    dice = random.Random(1000 + home)
    if only:
        every = [k for k in (*KINDS, *INSIDE) if k.name == only]
    else:
        every = list(INSIDE) if inside else [*KINDS[:7], OWN, *KINDS[7:]]
    # Homes side by side do different things: several uplinks filled at once are too much for a machine.
    turn = 5 * home % len(every)
    every = every[turn:] + every[:turn]
    places = dict.fromkeys((k.name for k in every), home)
    for kind in islice(cycle(every), count):
        words = kind.effects[places[kind.name] % len(kind.effects)]
        places[kind.name] += 1
        yield Run(
            kind=kind,
            words=words,
            for_s=round(dice.uniform(*kind.for_s), 1),
            streams=dice.choice((1, 2, 3, 4)) if kind.load else 0,
            host=dice.choice(("study", "desk", "kitchen")) if kind.load else "",
        )
