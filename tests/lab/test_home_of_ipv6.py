"""An emulated home of its own IPv6 addresses, the router known by its link-local one: packets arrive."""

import pytest

from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import ordinary_natures

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

HOME = """\
home: Birch House
nodes:
  router: {kind: gateway, address: "fe80::1"}
  attic: {kind: mesh-node, address: "2001:db8:0:5::2", agent: true}
  desk: {kind: host, address: "2001:db8:0:5::20", agent: true}
links:
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [desk, attic], kind: wireless}
  - {join: [router, provider-edge], kind: access, medium: fibre}
targets:
  provider-edge: "2001:db8:f000:2::1"
  peers: {harbour: {address: "2001:db8:f000:3::7"}}
"""


def test_every_address_of_the_file_answers_in_the_emulated_home() -> None:
    home = check_home(load_yaml(HOME, "home.yaml"))
    scenario = Scenario(name="birch", home=home, natures=ordinary_natures(home), faults=(), seconds=60.0)
    with EmulatedHome(scenario, check=False) as built:
        desk = built.place("desk")
        for address in ("fe80::1%to-attic", "2001:db8:0:5::2", "2001:db8:f000:2::1", "2001:db8:f000:3::7"):
            said = desk.call(["ping", "-6", "-n", "-c", "2", "-i", "0.2", "-W", "2", address])
            assert said.code == 0, (address, said.output)
