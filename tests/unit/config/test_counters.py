"""The home file's counters of own traffic: one source, whole, with a clear line for each mistake."""

import pytest

from support.homes import ALDER_TEXT, home_of
from whichhop.errors import ConfigError
from whichhop.model.levels_source import CounterSource

ROUTER = "router: {kind: router, address: 192.0.2.1}"


def with_counters(text: str, more: str = "") -> str:
    return ALDER_TEXT.replace(
        ROUTER, f"router: {{kind: router, address: 192.0.2.1{more}, wan_counters: {text}}}"
    )


def test_snmp_and_upnp_are_read_over_the_network_and_an_interface_by_its_own_agent() -> None:
    snmp = home_of(with_counters("{snmp: public-ro, interface: wan0}"))
    assert snmp.counters == {
        "router": CounterSource(address="192.0.2.1", community="public-ro", interface="wan0")
    }
    assert snmp.nodes["router"].wan_interface is None
    upnp = home_of(with_counters("{upnp: 'http://192.0.2.1:5000/desc.xml'}"))
    assert upnp.counters["router"].description == "http://192.0.2.1:5000/desc.xml"
    own = home_of(with_counters("{interface: wan0}", ", agent: true"))
    assert (own.counters, own.nodes["router"].wan_interface) == ({}, "wan0")


def test_a_user_of_snmp_version_3_is_named_by_a_file_beside_the_home_file() -> None:
    source = home_of(with_counters("{snmp_user_file: router.snmp, interface: wan0}")).counters["router"]
    assert source.user_file is not None
    assert source.user_file.endswith("router.snmp")
    assert home_of(with_counters("{snmp_user_file: u, interface: w}")).nodes["router"].wan_interface is None


def test_the_community_is_no_part_of_what_is_printed() -> None:
    source = home_of(with_counters("{snmp: secret, interface: wan0}")).counters["router"]
    assert "secret" not in f"{source!r} {source.words}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{snmp: a, upnp: 'http://192.0.2.1/d'}", "wan_counters: names snmp and upnp; keep one of the two"),
        (
            "{snmp: a, snmp_user_file: u, interface: wan0}",
            "wan_counters: names snmp and snmp_user_file; keep one of the two",
        ),
        ("{snmp_user_file: u}", "wan_counters.interface: missing; add the interface towards the modem"),
        ("{snmp: a}", "wan_counters.interface: missing; add the interface towards the modem"),
        ("{port: 161}", "wan_counters.interface: missing"),
        ("{interface: wan0}", "counted by an agent, and none runs here"),
        ("{upnp: 'http://192.0.2.1/d', port: 5}", "wan_counters.port: of no use with upnp"),
        ("{upnp: nonsense}", "not a page's address"),
        ("{interface: 'a b'}", "is no interface of Linux"),
    ],
)
def test_each_mistake_has_its_line(text: str, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        home_of(with_counters(text))
    assert said in str(caught.value)


def test_two_that_count_are_one_too_many() -> None:
    text = with_counters("{snmp: a, interface: b}").replace(
        "attic:  {kind: mesh-node, address: 192.0.2.2, agent: true}",
        "attic:  {kind: mesh-node, address: 192.0.2.2, agent: true, wan_counters: {interface: x}}",
    )
    with pytest.raises(ConfigError, match="router counts already"):
        home_of(text)
