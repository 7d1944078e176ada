"""Stories of simulated homes: ten causes inside a hop and three more, ongoing when everybody looks."""

from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct, field

from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from support.channels import down, up
from whichhop.app.live.live_comparison import live_comparison
from whichhop.cabling.level_readings import to_readings
from whichhop.config.check import House, check_home, read_house
from whichhop.config.keys import create_key
from whichhop.config.load import load_yaml
from whichhop.lab.scenario import Effect, Fault, LinkNature, Quirk, QuirkKind, Scenario
from whichhop.lab.standard_home import HOME_FILE, ordinary_natures
from whichhop.model import Cause, ModemLevels, Reading, Record
from whichhop.model.bulletin import Bulletin
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.model.inner_cause import InnerCause as Inner
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_S
from whichhop.store.store import Store

START_NS = 1_772_387_700 * NS_PER_S
"""2026-03-01 17:55:00 UTC."""
HEAD_S, SECONDS = 600.0, 1080.0
"""The fault begins at 18:05:00 UTC, and everybody looks at 18:13."""
FAULT_NS = START_NS + round(HEAD_S) * NS_PER_S
NOW_NS = START_NS + round(SECONDS) * NS_PER_S

CONTRACT = """\
zone: Europe/Lisbon
contract:
  customer: A. Example
  account: "4711-0042"
  address: 1 Alder Lane
  product: Home 100
"""
ALDER = HOME_FILE + CONTRACT
FARM = """\
home: Hazel Farm
zone: Europe/Lisbon
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem, address: 192.0.2.254}
  router: {kind: router, address: 192.0.2.1, room: kitchen}
  garage: {kind: access-point, address: 192.0.2.5, room: garage}
  lathe:  {kind: host, address: 192.0.2.50, agent: true, room: garage}
  pantry: {kind: host, address: 192.0.2.30, agent: true, room: kitchen}
links:
  - {join: [lathe, garage], kind: wired}
  - {join: [garage, router], kind: backhaul, medium: power-line}
  - {join: [pantry, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: dsl}
targets:
  provider-edge: 203.0.113.1
  peers: {harbour: {address: 198.51.100.7, stamp: true}}
"""
COTTAGE = """\
home: Rowan Cottage
zone: Europe/Lisbon
plan: {down_mbps: 250, up_mbps: 25}
contract: {customer: B. Example, account: "4711-0043", address: 2 Rowan Lane}
nodes:
  box:   {kind: gateway, address: 192.0.2.1, room: hall}
  shelf: {kind: host, address: 192.0.2.10, agent: true, room: hall}
  sofa:  {kind: host, address: 192.0.2.21, agent: true, room: living room}
links:
  - {join: [shelf, box], kind: wired}
  - {join: [sofa, box], kind: wireless}
  - {join: [box, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 203.0.113.1
  peers: {harbour: {address: 198.51.100.7, stamp: true}}
"""
LOSSY = Effect(delay_s=0.030, jitter_s=0.010, loss_ratio=0.08)


class Story(Struct, frozen=True, kw_only=True, dict=True):
    """A home, what happens to it, and what is at fault in truth.

    cause, elements: the fault that is told first, and before the others' elements its own; none where only
    levels are bad.
    """

    name: str
    home: str
    cause: Cause
    step: str
    """How the first step begins."""
    elements: tuple[str, ...] = ()
    after_s: float = 0.0
    """When the fault that is told first began, after the first one of the story."""
    faults: tuple[Fault, ...] = ()
    quirks: tuple[Quirk, ...] = ()
    natures: dict[str, LinkNature] = field(default_factory=dict)
    levels: tuple[ModemLevels, ...] = ()
    notes: tuple[Note, ...] = ()
    inside: Inner | None = None
    """The cause inside the hop that is named; None where none is asked for."""
    facts: tuple[tuple[str, str, str, dict[str, float]], ...] = ()
    """Agent, other end, link ("" for a box) and what counters say while the fault is there."""
    seconds: float = SECONDS
    clocks_s: dict[str, float] = field(default_factory=dict)
    """By agent, how far its clock is ahead."""

    @property
    def now_ns(self) -> int:
        """When everybody looks."""
        return START_NS + round(self.seconds) * NS_PER_S


def _read(story: Story, agent: str, other: str, link: str, told: dict[str, float]) -> Iterator[Reading]:
    """Counters once a minute, from the fault's begin on."""
    for at_s in range(round(HEAD_S), round(story.seconds), 60):
        at_ns = START_NS + at_s * NS_PER_S
        yield from readings_of(HopFacts(agent=agent, other=other, link=link, at_ns=at_ns, **told))  # type: ignore[arg-type]


def _fault(
    element: str, cause: Cause, effect: Effect, at_s: float = HEAD_S, for_s: float | None = None
) -> Fault:
    for_s = SECONDS - at_s if for_s is None else for_s
    return Fault(at_s=at_s, for_s=for_s, element=element, cause=cause, effect=effect)


def _again(element: str, effect: Effect, *, every_s: float, for_s: float) -> tuple[Fault, ...]:
    """A fault that comes again and again, until everybody looks."""
    times = (HEAD_S + every_s * k for k in range(int((SECONDS - HEAD_S - 1) / every_s) + 1))
    return tuple(_fault(element, Cause.WIRELESS_HOP, effect, at_s, for_s) for at_s in times)


def _upload(at_s: float) -> Quirk:
    return Quirk(at_s=at_s, for_s=SECONDS - at_s, kind=QuirkKind.TRAFFIC_UP, element="own-traffic", size=1.05)


def _levels(upstream_dbmv: float) -> tuple[ModemLevels, ...]:
    """Read every five minutes: upstream, three channels of four send with more than is aimed for."""
    return tuple(
        ModemLevels(
            node="modem",
            at_ns=START_NS + at_s * NS_PER_S,
            channels=tuple(
                down(
                    i,
                    unerrored=10**7 * (1 + at_s // 300),
                    corrected=50,
                    uncorrectable=0,
                )
                for i in range(1, 9)
            )
            + tuple(up(i, power_dbmv=upstream_dbmv - (i == 1)) for i in range(1, 5)),
        )
        for at_s in range(0, round(SECONDS), 300)
    )


def _noted(text: str, at_s: float) -> tuple[Note, ...]:
    return (Note(at_ns=START_NS + round(at_s) * NS_PER_S, text=text),)


LINE, BACKHAUL, WIFI, CABLE = "modem/provider-edge", "attic/router", "desk/attic", "study/router"
MODEM = ALDER.replace("address: 192.0.2.254}", "address: 192.0.2.254, levels: {snmp: 192.0.2.254}}")
EVENING_S = HEAD_S + 1500.0
"""An evening is told after twenty minutes."""
STORIES = {
    story.name: story
    for story in (
        Story(
            name="radio",
            home=ALDER,
            cause=Cause.BACKHAUL,
            step="Check what was noted at",
            elements=(BACKHAUL,),
            faults=(_fault(BACKHAUL, Cause.BACKHAUL, Effect(delay_s=0.004, jitter_s=0.02, loss_ratio=0.05)),),
            inside=Inner.WEAK_SIGNAL,
            facts=(("attic", "router", BACKHAUL, {"radio_signal_dbm": -79.0}),),
            notes=_noted("put the attic node behind the cupboard", HEAD_S - 30),
        ),
        Story(
            name="power-line",
            home=FARM,
            cause=Cause.BACKHAUL,
            step="Ask what was plugged in or switched on",
            elements=("garage/router",),
            quirks=(
                Quirk(
                    at_s=HEAD_S,
                    for_s=SECONDS - HEAD_S,
                    kind=QuirkKind.MAINS_NOISE,
                    element="garage/router",
                    size=0.4,
                ),
            ),
            inside=Inner.MAINS_NOISE,
        ),
        Story(
            name="line",
            home=MODEM,
            cause=Cause.UPSTREAM_LINK,
            step="Ask whether somebody touched the modem, its cables or a splitter shortly before",
            elements=(LINE,),
            faults=(_fault(LINE, Cause.UPSTREAM_LINK, LOSSY),),
            levels=_levels(55.0),
            inside=Inner.LEVELS,
        ),
        Story(
            name="busy-channel",
            home=ALDER,
            cause=Cause.WIRELESS_HOP,
            step="Set attic to another channel",
            elements=(WIFI,),
            faults=(_fault(WIFI, Cause.WIRELESS_HOP, Effect(delay_s=0.003, jitter_s=0.018)),),
            inside=Inner.BUSY_CHANNEL,
            facts=(
                (
                    "desk",
                    "attic",
                    WIFI,
                    {
                        "radio_signal_dbm": -52.0,
                        "radio_busy_share": 0.86,
                        "radio_transmit_share": 0.03,
                        "radio_own_receive_share": 0.04,
                    },
                ),
            ),
        ),
        Story(
            name="appliance",
            home=ALDER,
            cause=Cause.WIRELESS_HOP,
            step="Look what switches on at this period",
            elements=(WIFI,),
            faults=_again(WIFI, Effect(jitter_s=0.06, loss_ratio=0.15), every_s=58.0, for_s=14.0),
            inside=Inner.PERIODIC_INTERFERENCE,
        ),
        Story(
            name="scan",
            home=ALDER,
            cause=Cause.WIRELESS_HOP,
            step="Turn off background scanning on desk",
            elements=(WIFI,),
            faults=_again(WIFI, Effect(delay_s=0.15, jitter_s=0.02), every_s=15.0, for_s=3.0),
            inside=Inner.SCANNING,
        ),
        Story(
            name="broken-pair",
            home=ALDER,
            cause=Cause.WIRED_LAN,
            step="Push both plugs in at study and router",
            elements=(CABLE,),
            faults=(_fault(CABLE, Cause.WIRED_LAN, Effect(delay_s=0.004, jitter_s=0.03)),),
            inside=Inner.SLOW_PORT,
            facts=(
                (
                    "study",
                    "router",
                    CABLE,
                    {"port_speed_bps": 1e8, "port_able_bps": 1e9, "port_partner_able_bps": 1e9},
                ),
            ),
        ),
        Story(
            name="evening",
            home=ALDER,
            cause=Cause.UPSTREAM_LINK,
            step="Report it to the provider, with the evidence: whichhop evidence",
            elements=(LINE,),
            faults=(_fault(LINE, Cause.UPSTREAM_LINK, Effect(jitter_s=0.035), for_s=EVENING_S - HEAD_S),),
            inside=Inner.EVENING_CONGESTION,
            seconds=EVENING_S,
        ),
        Story(
            name="overload",
            home=ALDER,
            cause=Cause.HOME_NODE,
            step="Give attic air",
            elements=("node:attic",),
            faults=(_fault("node:attic", Cause.HOME_NODE, Effect(jitter_s=0.04, loss_ratio=0.01)),),
            inside=Inner.OVERLOAD,
            facts=(("attic", "attic", "", {"node_processor_share": 0.97, "node_temperature_c": 93.0}),),
        ),
        Story(
            name="own-upload",
            home=ALDER,
            inside=Inner.UPLOAD_FILLS,
            cause=Cause.OWN_TRAFFIC,
            step="Find what began to send, such as a backup, photos or a camera, shortly before",
            elements=("own-traffic",),
            quirks=(_upload(HEAD_S),),
        ),
        Story(
            name="line-then-upload",
            home=ALDER,
            cause=Cause.OWN_TRAFFIC,
            step="Find what began to send, such as a backup, photos or a camera, shortly before",
            elements=("own-traffic", LINE),
            after_s=240.0,
            faults=(_fault(LINE, Cause.UPSTREAM_LINK, LOSSY),),
            quirks=(_upload(HEAD_S + 240),),
        ),
        Story(
            name="marginal-modem",
            home=MODEM,
            cause=Cause.HEALTHY,
            step="Take out splitters and renew poor joints from the modem outwards",
            levels=_levels(50.6),
        ),
        Story(
            name="all-in-one",
            home=COTTAGE,
            cause=Cause.NOT_SEPARABLE,
            step="Ask whether somebody touched the modem, its cables or a splitter shortly before",
            elements=("box/provider-edge", "route:box"),
            faults=(_fault("box/provider-edge", Cause.UPSTREAM_LINK, LOSSY),),
        ),
    )
}


class PlayedStory(Struct, frozen=True, kw_only=True, dict=True):
    """A story as the verbs meet it: a home file, its key beside it, a store with what was measured."""

    story: Story
    folder: Path
    file: Path
    store: Path
    house: House

    def bulletin(self) -> Bulletin:
        """What the comparer says at the end."""
        with Store.open(self.store) as store:
            found = live_comparison(self.house, str(self.file), store).turn(self.story.now_ns)
        assert found is not None
        return found


def measured(story: Story) -> tuple[list[Record], list[Reading]]:
    """All that the home's agents measured."""
    home = check_home(load_yaml(story.home, story.name))
    natures = ordinary_natures(home) | story.natures
    scenario = Scenario(
        name=story.name,
        home=home,
        natures=natures,
        faults=story.faults,
        quirks=story.quirks,
        seconds=story.seconds,
        clocks_s=story.clocks_s,
    )
    run = prepare(scenario, 1)
    readings = readings_of_run(run, START_NS)
    agent = home.agents[0].name
    return list(records_of_run(run, START_NS)), [
        *readings,
        *(one for levels in story.levels for one in to_readings(levels, agent)),
        *(one for facts in story.facts for one in _read(story, *facts)),
    ]


def played(story: Story, folder: Path) -> PlayedStory:
    """The story laid into a folder."""
    file = folder / "home.yaml"
    file.write_text(story.home)
    create_key(folder / "home.key")
    path = folder / "home.db"
    with Store.open(path) as store:
        store.append_all(*measured(story))
        for note in story.notes:
            store.add_note(note)
    return PlayedStory(story=story, folder=folder, file=file, store=path, house=read_house(file))
