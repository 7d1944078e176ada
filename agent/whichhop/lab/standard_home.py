"""Alder House: the standard emulated home, whose four agents can tell every hop of its way out apart.

A near radio hop adds 1-3 ms with a tail, a cable access line 4-8 ms each way; Ethernet adds nothing that a
test packet sees, so cables are bare veth pairs. Radio is emulated: contention is a mixture of waits and
retry bursts per packet, not a model of a channel.
"""

from msgspec.structs import replace

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.lab.scenario import Fault, LinkNature, Scenario
from whichhop.model import Home, Link, LinkKind, Medium

MOST_BPS = 200_000_000
"""A chain of relays in one process is exact up to here; a faster plan is emulated at this rate."""
QUEUE_S = 0.15
"""Depth of the access queue: a bloated but usual modem."""

_WIRE = LinkNature(delay_s=0.0)
_BY_MEDIUM: dict[Medium, LinkNature] = {
    Medium.RADIO: LinkNature(delay_s=0.001, jitter_s=0.0004, contention_ratio=0.02),
    Medium.ETHERNET: _WIRE,
    Medium.COAX: LinkNature(delay_s=0.0015, jitter_s=0.0003),
    Medium.POWER_LINE: LinkNature(delay_s=0.003, jitter_s=0.001),
    Medium.CABLE: LinkNature(delay_s=0.004, jitter_s=0.0003),
    Medium.FIBRE: LinkNature(delay_s=0.001, jitter_s=0.0001),
    Medium.DSL: LinkNature(delay_s=0.008, jitter_s=0.0002),
    Medium.FIXED_WIRELESS: LinkNature(delay_s=0.012, jitter_s=0.003),
    Medium.SATELLITE: LinkNature(delay_s=0.020, jitter_s=0.003),
}
_BEYOND = LinkNature(delay_s=0.005, jitter_s=0.0001)

# As a person would write it; agents in the namespaces read the same text.
HOME_FILE = """\
home: Alder House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem, address: 192.0.2.254}
  router:
    kind: router
    address: 192.0.2.1
    agent: true
    wan_counters: {interface: to-modem}
  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true, room: attic}
  desk:   {kind: host, address: 192.0.2.20, agent: true, room: attic}
  study:  {kind: host, address: 192.0.2.30, agent: true, room: study}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [study, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 203.0.113.1
  peers: {harbour: {address: 198.51.100.7, stamp: true, clients: [192.0.2.0/24]}}
"""


def ordinary_nature(home: Home, link: Link) -> LinkNature:
    """The behaviour of one link by its kind and medium; the access line has the plan's rates."""
    if link.kind is LinkKind.BEYOND:
        return _BEYOND
    nature = _BY_MEDIUM[link.medium] if link.medium is not None else _WIRE
    if link.kind is LinkKind.ACCESS and home.plan is not None:
        return replace(
            nature,
            rate_bps=min(MOST_BPS, home.plan.down_bps),
            rate_up_bps=min(MOST_BPS, home.plan.up_bps),
            queue_s=QUEUE_S,
        )
    return nature


def ordinary_natures(home: Home) -> dict[str, LinkNature]:
    """The behaviour of every link of a home, by name."""
    return {link.name: ordinary_nature(home, link) for link in home.links}


def alder_home() -> Home:
    """The home as the comparer and the namespaces see it."""
    return check_home(load_yaml(HOME_FILE, "(Alder House)"))


def alder_scenario(faults: tuple[Fault, ...] = (), seconds: float = 120.0) -> Scenario:
    """Alder House with ordinary links and the given script of faults."""
    home = alder_home()
    return Scenario(name="alder", home=home, natures=ordinary_natures(home), faults=faults, seconds=seconds)
