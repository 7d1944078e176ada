"""The home file of a first look is one that `check` accepts, whatever the machine calls itself."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from whichhop.app.looks.first_look import LINES, Found, home_file, node_name, plan_of, target_of
from whichhop.config.check import check_home
from whichhop.config.load import load_yaml
from whichhop.errors import WhichhopError
from whichhop.model import LinkKind, Medium, NodeKind, Plan
from whichhop.model.levels_source import CounterSource, LevelsSource
from whichhop.net.surroundings import Surroundings


def here(**changed: object) -> Surroundings:
    facts = {"name": "desk", "address": "192.0.2.20", "interface": "eth0", "radio": False}
    return Surroundings(**{**facts, "gateway": "192.0.2.1", **changed})  # type: ignore[arg-type]


@example(name="NULL", line="cable", radio=False, low=True, said=None)
@example(name="yes.example.net", line="dsl", radio=True, low=False, said="no.example.net")
@given(
    name=st.text(max_size=70),
    line=st.sampled_from(LINES),
    radio=st.booleans(),
    low=st.booleans(),
    said=st.sampled_from([None, "harbour.example.net", "198.51.100.7", "router.example.net", "desk"]),
)
def test_any_machine_gets_a_file_that_is_accepted(
    name: str, line: str, radio: bool, low: bool, said: str | None
) -> None:
    node = node_name(name)
    target = target_of(said, "198.51.100.7", node) if said else None
    text = home_file(here(name=name), node=node, radio=radio, line=line, target=target, low_ports=low)
    home = check_home(load_yaml(text, "home.yaml"))
    assert [n.name for n in home.agents] == [node]
    access = next(k for k in home.links if k.kind is LinkKind.ACCESS)
    assert access.medium == (None if line == "unknown" else Medium(line))
    assert len(home.peers) == (1 if said else 0)
    # Without a target that somebody named, nothing past the router has an address to probe.
    upstream = [n for n in home.nodes.values() if n.kind in (NodeKind.PROVIDER_EDGE, NodeKind.PEER)]
    assert bool([n for n in upstream if n.address or n.host_name]) == bool(said)


@pytest.mark.parametrize("address", ["2001:db8::20", "192.0.2.20"])
def test_addresses_of_either_family_are_written_so_that_they_are_read_back(address: str) -> None:
    gateway = "2001:db8::1" if ":" in address else "192.0.2.1"
    text = home_file(
        here(address=address, gateway=gateway),
        node="desk",
        radio=True,
        line="dsl",
        target=None,
        low_ports=True,
    )
    home = check_home(load_yaml(text, "home.yaml"))
    assert home.nodes["desk"].address == address
    assert home.nodes["router"].address == gateway


BY_UPNP = CounterSource(description="http://192.0.2.1:5000/desc.xml?a=1&b=2")
BY_SNMP = CounterSource(address="192.0.2.1", interface='wan "0": {#}', port=1161)


@pytest.mark.parametrize("said", [None, "harbour.example.net"])
@pytest.mark.parametrize(
    "found",
    [
        Found(counters=BY_UPNP, levels=LevelsSource(page="http://192.168.100.1/")),
        Found(counters=BY_SNMP, levels=LevelsSource(snmp="192.168.100.1")),
        Found(interfaces=("eth0", "wan: #1"), download="https://harbour.example.net/large.bin"),
    ],
)
def test_what_router_and_modem_answered_is_written_and_read_back(found: Found, said: str | None) -> None:
    target = target_of(said, "198.51.100.7", "desk") if said else None
    text = home_file(
        here(),
        node="desk",
        radio=False,
        line="cable",
        target=target,
        low_ports=True,
        found=found,
        plan=plan_of(" 250 / 25 Mbit/s"),
    )
    home = check_home(load_yaml(text, "home.yaml"))
    assert home.plan == Plan(down_bps=250_000_000, up_bps=25_000_000)
    assert dict(home.counters) == ({} if found.counters is None else {"router": found.counters})
    assert dict(home.levels) == ({} if found.levels is None else {"router": found.levels})
    assert list(home.downloads) == ([found.download] if found.download else [])
    assert list(home.peers) == (["harbour"] if said else [])


@pytest.mark.parametrize("said", ["250", "fast", "0/25", "250/-1", "1e3/5", "250/25 GB", ""])
def test_rates_that_cannot_be_read_say_how_to_write_them(said: str) -> None:
    with pytest.raises(WhichhopError, match="such as 250/25"):
        plan_of(said)
