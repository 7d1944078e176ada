"""What `whichhop route` says of findings made here: nothing silent is called lossy, nothing unsure sure."""

import json

import pytest

from support.homes import alder
from whichhop.cli.measuring.route import Findings, as_data, as_text, find_peer
from whichhop.errors import DataError
from whichhop.probes.path_checks import DscpCheck
from whichhop.wire.dscp import DscpFate
from whichhop.wire.path_mtu import PathMtu, SizeOutcome
from whichhop.wire.trace import Edge, Hop, Route

NAMES = {"192.0.2.1": "router", "203.0.113.7": "harbour"}


def hop(ttl: int, *addresses: str, final: bool = False) -> Hop:
    return Hop(
        ttl=ttl,
        addresses=addresses,
        asked=3 if not addresses else 1,
        answered=len(addresses),
        best_rtt_ns=ttl * 1_500_000 if addresses else None,
        final=final,
    )


def findings(**more: object) -> Findings:
    hops = (hop(1, "192.0.2.1"), hop(2), hop(3, "203.0.113.7", final=True))
    route = Route(target="203.0.113.7", hops=hops)
    edge = Edge(address="203.0.113.7", ttl=3, certain=False)
    return Findings(**({"route": route, "edge": edge, "names": NAMES} | more))  # type: ignore[arg-type]


def test_the_table_reads_as_it_should() -> None:
    assert as_text(findings()) == (
        "step  address      name     fastest answer\n"
        "1     192.0.2.1    router   1.50 ms\n"
        "2     silent       -        -\n"
        "3     203.0.113.7  harbour  4.50 ms\n"
        "\n"
        "203.0.113.7 (step 3) is the first that answers outside the home; a silent router before it may"
        " be the provider's first hop.\n"
    )


def test_no_word_of_loss_is_said_about_a_silent_router() -> None:
    said = as_text(findings()) + json.dumps(as_data(findings()))
    assert "loss" not in said
    assert "lost" not in said


@pytest.mark.parametrize(
    ("edge", "said"),
    [
        (
            Edge(address="198.51.100.1", ttl=2, certain=True),
            "The provider's first hop is 198.51.100.1 (step 2).",
        ),
        (None, "The provider's first hop was not found: nothing outside the home answered."),
    ],
)
def test_the_edge_is_said_with_its_certainty(edge: Edge | None, said: str) -> None:
    assert said in as_text(findings(edge=edge))


@pytest.mark.parametrize(
    ("mtu", "said"),
    [
        (
            PathMtu(size=1500, told=None, outcomes={1500: SizeOutcome.PASSED}),
            "Packets of 1500 octets pass whole.\n",
        ),
        (
            PathMtu(size=1492, told=1492, outcomes={1500: SizeOutcome.TOO_BIG, 1492: SizeOutcome.PASSED}),
            "Packets of 1492 octets pass whole; a router named 1492 as its most.\n",
        ),
        (
            PathMtu(size=1492, told=None, outcomes={1500: SizeOutcome.SWALLOWED, 1492: SizeOutcome.PASSED}),
            "larger ones vanish without a word",
        ),
        (PathMtu(size=None, told=None, outcomes={1500: SizeOutcome.UNKNOWN}), "nothing is known of sizes"),
    ],
)
def test_sizes_are_said_with_how_they_are_known(mtu: PathMtu, said: str) -> None:
    assert said in as_text(findings(mtu=mtu))


def test_a_dscp_is_said_with_what_arrived() -> None:
    wiped = DscpCheck(sent=46, seen=0, fate=DscpFate.BLEACHED)
    assert "DSCP 46, arrived as 0: wiped on the path to the internet" in as_text(findings(dscp=wiped))
    mute = DscpCheck(sent=46, seen=None, fate=DscpFate.UNKNOWN)
    assert "DSCP 46: not told" in as_text(findings(dscp=mute))


def test_data_leaves_out_what_was_not_asked() -> None:
    assert as_data(findings()).keys() == {"target", "reached", "hops", "provider_edge"}
    mtu = PathMtu(size=1500, told=None, outcomes={1500: SizeOutcome.PASSED})
    kept = DscpCheck(sent=46, seen=46, fate=DscpFate.KEPT)
    data = json.loads(json.dumps(as_data(findings(mtu=mtu, dscp=kept))))
    assert data["path_mtu"] == {"octets": 1500, "told": None, "sizes": {"1500": "passed"}}
    assert data["dscp"] == {"sent": 46, "seen": 46, "fate": "kept"}
    assert data["hops"][1] == {"step": 2, "addresses": [], "asked": 3, "answered": 0, "best_rtt_s": None}


def test_only_peers_of_the_home_file_are_asked() -> None:
    assert find_peer(alder(), None).name == "harbour"
    with pytest.raises(DataError, match="no peer named 'router'; there are: harbour"):
        find_peer(alder(), "router")
    none = alder("  peers: {harbour: {address: 203.0.113.7, stamp: true}}\n", "")
    with pytest.raises(DataError, match="names no peer"):
        find_peer(none, None)
