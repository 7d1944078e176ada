"""Alder House: the standard emulated home, whose three agents can tell every hop of its way out apart."""

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.lab.scenario import Fault, LinkNature, Scenario
from whichhop.model import Home

# As a person would write it; agents in the namespaces read the same text.
HOME_FILE = """\
home: Alder House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem, address: 192.0.2.254}
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
  study:  {kind: host, address: 192.0.2.30, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [study, router], kind: wired}
  - {join: [router, modem], kind: wired}
  - {join: [modem, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 203.0.113.1
  anchors: {harbour: {address: 198.51.100.7, stamp: true}}
"""


def alder_home() -> Home:
    """The home as the comparer and the namespaces see it."""
    return check_home(load_yaml(HOME_FILE, "(Alder House)"))


def alder_natures() -> dict[str, LinkNature]:
    """How its links behave in health: figures of an ordinary home, common practice.

    A near radio hop adds 1-3 ms with a tail, a cable access line 4-8 ms each way; Ethernet adds nothing
    that a test packet sees, so the wired links are bare veth pairs. The access queue holds 150 ms, a bloated
    but usual modem.
    """
    return {
        "desk/attic": LinkNature(delay_s=0.001, jitter_s=0.0005, contention_ratio=0.02),
        "attic/router": LinkNature(delay_s=0.001, jitter_s=0.0003, contention_ratio=0.01),
        "study/router": LinkNature(delay_s=0.0),
        "router/modem": LinkNature(delay_s=0.0),
        "modem/provider-edge": LinkNature(
            delay_s=0.004,
            jitter_s=0.0003,
            # The plan of the home file, kept by the provider to the bit.
            rate_bps=100_000_000,
            rate_up_bps=20_000_000,
            queue_s=0.15,
        ),
        "beyond": LinkNature(delay_s=0.005, jitter_s=0.0001),
    }


def alder_scenario(faults: tuple[Fault, ...] = (), seconds: float = 120.0) -> Scenario:
    """Alder House with its natures and the given script of faults."""
    return Scenario(name="alder", home=alder_home(), natures=alder_natures(), faults=faults, seconds=seconds)
