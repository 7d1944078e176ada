"""Alder House: the standard emulated home, whose four agents can tell every hop of its way out apart."""

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.lab.links.healthy import ordinary_natures
from whichhop.lab.scenario import Fault, Scenario
from whichhop.model import Home

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


def alder_home() -> Home:
    """The home as the comparer and the namespaces see it."""
    return check_home(load_yaml(HOME_FILE, "(Alder House)"))


def alder_scenario(faults: tuple[Fault, ...] = (), seconds: float = 120.0) -> Scenario:
    """Alder House with ordinary links and the given script of faults."""
    home = alder_home()
    return Scenario(name="alder", home=home, natures=ordinary_natures(home), faults=faults, seconds=seconds)
