"""Route discovery over real routers in namespaces: each named in order, silence never taken for loss."""

import asyncio
import json
import subprocess
import sys

import pytest

from support.namespaces import V4, V6, Path4
from support.need import need_program
from whichhop.errors import SystemRefusedError
from whichhop.probes import trace_child
from whichhop.probes.path_trace import CHILD, find_route, read_route
from whichhop.wire.trace import REFUSED, Edge, Route, changed_steps, home_networks, provider_edge

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
HOME = home_networks(["192.0.2.20", "2001:db8::20"])


def trace(path: Path4, target: str) -> Route:
    # The child is started by a thread in the namespace, so it lives there too.
    return path.inside("host", lambda: asyncio.run(find_route(target)))


def addresses(route: Route) -> list[tuple[str, ...]]:
    return [hop.addresses for hop in route.hops]


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
def test_each_router_and_the_provider_edge_are_found(path: Path4, plan: dict[str, str]) -> None:
    route = trace(path, plan["far"])
    assert addresses(route) == [(plan["router"],), (plan["edge"],), (plan["far"],)]
    assert route.reached
    assert provider_edge(route, HOME) == Edge(address=plan["edge"], ttl=2, certain=True)
    assert all(hop.best_rtt_ns is not None and hop.best_rtt_ns < 2_000_000_000 for hop in route.hops)


def test_a_router_that_never_answers_is_silent_and_not_lossy(path: Path4) -> None:
    # the edge forwards everything and says nothing of its own, as many providers' routers do
    path.rules("edge", "output", "icmp type time-exceeded drop")
    route = trace(path, V4["far"])
    assert addresses(route) == [(V4["router"],), (), (V4["far"],)]
    assert route.reached
    assert route.hops[1].silent
    assert route.hops[1].asked == 3
    edge = provider_edge(route, HOME)
    assert edge == Edge(address=V4["far"], ttl=3, certain=False)


def test_a_router_that_limits_its_answers_is_found_all_the_same(path: Path4) -> None:
    # Linux's own limit: one ICMP error a second to one target (icmp_ratelimit in milliseconds, mask bit 11)
    path.run("edge", "sysctl", "-qw", "net.ipv4.icmp_ratelimit=1000", "net.ipv4.icmp_ratemask=6168")
    for _ in range(2):
        route = trace(path, V4["far"])
        assert addresses(route) == [(V4["router"],), (V4["edge"],), (V4["far"],)]


def test_a_target_behind_a_filter_leaves_the_routers_that_spoke(path: Path4) -> None:
    path.rules("far", "input", "udp dport 33434 drop")
    route = trace(path, V4["far"])
    assert addresses(route) == [(V4["router"],), (V4["edge"],)]
    assert not route.reached


def test_a_changed_route_is_noticed_and_the_same_one_is_not(path: Path4) -> None:
    before = trace(path, V4["far"])
    assert changed_steps(before, trace(path, V4["far"])) == ()
    # the provider swaps its first router: another address answers at the second step
    path.run("edge", "ip", "address", "add", "198.51.100.6/30", "dev", "router")
    path.run("edge", "ip", "address", "del", "198.51.100.1/30", "dev", "router")
    path.run("router", "ip", "address", "add", "198.51.100.5/30", "dev", "edge")
    path.run("router", "ip", "address", "del", "198.51.100.2/30", "dev", "edge")
    path.run("router", "ip", "route", "replace", "default", "via", "198.51.100.6")
    path.run("edge", "ip", "route", "replace", "default", "via", "198.51.100.5")
    after = trace(path, V4["far"])
    assert changed_steps(before, after) == (2,)
    assert addresses(after)[1] == ("198.51.100.6",)


def test_a_load_sharing_router_sends_all_probes_of_a_finding_one_way(path: Path4) -> None:
    # a second wire from router to edge; the router shares load by addresses and ports (hash policy 1)
    other = ["peer", "name", "router2", "netns", path.names["edge"]]
    path.run("router", "ip", "link", "add", "dev", "edge2", "type", "veth", *other)
    for node, device, four in (
        ("router", "edge2", "198.51.100.6/30"),
        ("edge", "router2", "198.51.100.5/30"),
    ):
        path.run(node, "ip", "address", "add", four, "dev", device)
        path.run(node, "ip", "link", "set", "dev", device, "up")
    hops = ["nexthop", "via", "198.51.100.1", "nexthop", "via", "198.51.100.5"]
    path.run("router", "ip", "route", "replace", "default", *hops)
    path.run("router", "sysctl", "-qw", "net.ipv4.fib_multipath_hash_policy=1")
    # the edge answers with the address of the wire that the probe came by
    path.run("edge", "sysctl", "-qw", "net.ipv4.icmp_errors_use_inbound_ifaddr=1")

    def second_hop(port: int) -> tuple[str, ...]:
        return (
            path.inside("host", lambda: asyncio.run(find_route(V4["far"], source_port=port)))
            .hops[1]
            .addresses
        )

    ways: dict[tuple[str, ...], int] = {}
    for port in range(33434, 33434 + 20):
        ways.setdefault(second_hop(port), port)
        if len(ways) == 2:
            break
    # 20 flows all on one of two ways by chance: once in half a million
    assert set(ways) == {("198.51.100.1",), ("198.51.100.5",)}
    assert {port: second_hop(port) for port in ways.values()} == {port: way for way, port in ways.items()}


def test_without_a_way_to_the_target_one_line_says_so(path: Path4) -> None:
    path.run("host", "ip", "route", "del", "default")
    with pytest.raises(SystemRefusedError, match=r"no way to 203\.0\.113\.2 from this machine") as refused:
        trace(path, V4["far"])
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
def test_without_the_right_to_raw_sockets_the_same_routers_are_found(
    path: Path4, plan: dict[str, str]
) -> None:
    drop = [need_program("setpriv"), "--bounding-set=-net_raw", "--inh-caps=-net_raw"]
    child = [*drop, sys.executable, "-m", CHILD, plan["far"], "33434"]
    done = subprocess.run(path.argv("host", child), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    route = read_route(done.stdout)
    assert addresses(route) == [(plan["router"],), (plan["edge"],), (plan["far"],)]
    assert route.reached


def test_where_neither_way_is_open_the_child_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError("not on this system")

    monkeypatch.setattr(trace_child, "open_socket", refused)
    monkeypatch.setattr(trace_child, "HopSocket", refused)
    assert trace_child.main(["203.0.113.2", "33434"]) == REFUSED


def test_a_child_that_does_not_end_is_ended(path: Path4) -> None:
    with pytest.raises(SystemRefusedError, match=r"did not end within 0\.05 s"):
        path.inside("host", lambda: asyncio.run(find_route(V4["far"], limit_s=0.05)))


def test_what_the_child_prints_is_one_line_of_json(path: Path4) -> None:
    printed = path.run("host", sys.executable, "-m", "whichhop.probes.trace_child", V4["far"], "33434")
    assert printed.count("\n") == 1
    assert json.loads(printed)["hops"][0]["addresses"] == [V4["router"]]
