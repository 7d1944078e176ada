"""Path MTU check over real links of known MTU: routers that speak, one that swallows, a mute target."""

import asyncio

import pytest

from support.namespaces import V4, V6, Path4
from support.route_watches import route_watch
from whichhop.compare.windows.table import empty_table
from whichhop.inside.felt import felt_of
from whichhop.model import Reading
from whichhop.model.inner_cause import FeltCause
from whichhop.net.clock import SystemClock
from whichhop.probes.path_checks import check_path_mtu
from whichhop.wire.path_mtu import PathMtu, SizeOutcome

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
PLANS = pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])


def check(path: Path4, target: str, timer_s: float = 1.0) -> PathMtu:
    return path.inside(
        "host",
        lambda: asyncio.run(check_path_mtu(target, SystemClock(), ident=0x5AFE, probe_timer_s=timer_s)),
    )


def narrow(path: Path4, mtu: int) -> None:
    path.run("edge", "ip", "link", "set", "dev", "far", "mtu", str(mtu))
    path.run("far", "ip", "link", "set", "dev", "edge", "mtu", str(mtu))


@PLANS
def test_a_plain_path_passes_the_full_size(path: Path4, plan: dict[str, str]) -> None:
    found = check(path, plan["far"])
    assert (found.size, found.told) == (1500, None)


@PLANS
@pytest.mark.parametrize(("mtu", "size"), [(1492, 1492), (1400, 1280)])
def test_a_narrow_link_is_told_by_its_router(path: Path4, plan: dict[str, str], mtu: int, size: int) -> None:
    narrow(path, mtu)
    found = check(path, plan["far"])
    assert (found.size, found.told) == (size, mtu)
    assert found.outcomes[1500] is SizeOutcome.TOO_BIG


def test_a_raw_socket_serves_where_the_datagram_kind_is_not_allowed(path: Path4) -> None:
    path.run("host", "sysctl", "-qw", "net.ipv4.ping_group_range=1 0")
    narrow(path, 1492)
    for plan in (V4, V6):
        assert check(path, plan["far"]).size == 1492


def test_a_router_that_swallows_large_packets_is_found_out(path: Path4) -> None:
    narrow(path, 1492)
    path.rules("edge", "output", "icmp type destination-unreachable drop")
    found = check(path, V4["far"], timer_s=0.2)
    assert found.size == 1492
    assert found.told is None
    assert found.outcomes[1500] is SizeOutcome.SWALLOWED


def test_what_the_hourly_look_keeps_of_it_is_told_as_what_users_feel(path: Path4) -> None:
    narrow(path, 1492)
    path.rules("edge", "output", "icmp type destination-unreachable drop")
    kept: list[tuple[str, str, float]] = []
    watch = route_watch(lambda *one: kept.append(one))
    home = watch.now().home
    path.inside("host", lambda: asyncio.run(watch._sizes(home.nodes["harbour"], V4["far"])))
    readings = [Reading(at_ns=0, agent="desk", name=f"{n}:{target}", value=v) for n, target, v in kept]
    (found,) = felt_of(home, readings, empty_table([], 0, 1))
    assert found.cause is FeltCause.BLACK_HOLE
    assert "1492" in found.steps[1]  # with one peer alone the first step is to name another


def test_a_mute_target_says_nothing_of_sizes(path: Path4) -> None:
    path.rules("far", "input", "icmp type echo-request drop")
    found = check(path, V4["far"], timer_s=0.1)
    assert found.size is None
    assert set(found.outcomes.values()) == {SizeOutcome.UNKNOWN}


def test_this_machines_own_narrow_link_counts_too(path: Path4) -> None:
    path.run("host", "ip", "link", "set", "dev", "router", "mtu", "1492")
    found = check(path, V4["far"])
    assert (found.size, found.told) == (1492, 1492)
