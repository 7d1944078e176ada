"""Homes for tests: the standard one with its upstream targets, and a way to vary its text."""

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.model import Home

ALDER_TEXT = """\
home: Alder House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  modem:  {kind: modem}
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
  provider-edge: 198.51.100.1
  peers: {harbour: {address: 203.0.113.7, stamp: true}}
"""


def home_of(text: str) -> Home:
    return check_home(load_yaml(text, "home.yaml"))


def alder(old: str = "", new: str = "") -> Home:
    """Alder House, with one piece of its text replaced."""
    assert old in ALDER_TEXT
    return home_of(ALDER_TEXT.replace(old, new, 1) if old else ALDER_TEXT)
