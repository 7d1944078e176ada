"""Probes between two namespaces: a bottleneck on the sender's own host shows, and losses keep their side."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.need import need_program, need_root
from support.veth import Pair, veth_pair

pytestmark = [pytest.mark.lab, pytest.mark.slow]
TESTS = Path(__file__).parents[1]


@pytest.fixture
def pair() -> Iterator[Pair]:
    need_root()
    with veth_pair() as made:
        yield made


def child(pair: Pair, namespace: str, *words: str) -> list[str]:
    return pair.inside(namespace, sys.executable, "-m", "support.probe_run", *words)


def measure(pair: Pair, *words: str) -> dict[str, object]:
    """Runs a reflector far and the asked-for session near; gives what the near end prints."""
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), *filter(None, sys.path)])}
    with subprocess.Popen(
        child(pair, pair.far, "reflect", pair.far_v4),
        env=env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as far:
        try:
            assert far.stdout is not None
            assert far.stdout.readline() == "ready\n"
            near = subprocess.run(
                child(pair, pair.near, *words),
                env=env,
                capture_output=True,
                text=True,
                timeout=60,
                check=False,
            )
            assert near.returncode == 0, near.stderr
            return dict(json.loads(near.stdout))
        finally:
            far.kill()


def chain(hook: str, rule: str) -> str:
    """An nftables table with one rule."""
    return f"table inet t {{ chain c {{ type filter hook {hook} priority 0; {rule}; }}; }}"


def in_near(pair: Pair, *command: str) -> None:
    subprocess.run(pair.inside(pair.near, *command), check=True, capture_output=True, timeout=20)


@pytest.mark.parametrize(
    ("method", "address"), [("echo", "192.0.2.2"), ("echo", "2001:db8::2"), ("stamp", "192.0.2.2")]
)
def test_every_packet_over_a_clean_veth_is_answered(pair: Pair, method: str, address: str) -> None:
    told = measure(pair, method, address, "40")
    assert told["fates"] == {"ANSWERED": 40}
    assert told["stamps"] == ("T1 T4" if method == "echo" else "T1 T2 T4")
    # truth: a few microseconds; 2 ms allows for a machine with every core busy, at the median
    assert 0 < float(str(told["median_ns"])) < 2_000_000


@pytest.mark.waits  # the kernel answers
def test_where_the_system_allows_it_echo_needs_no_privilege(pair: Pair) -> None:
    sysctl = need_program("sysctl")
    assert measure(pair, "echo", "192.0.2.2", "5")["unprivileged"] is False  # a new namespace allows no group
    in_near(pair, sysctl, "-qw", "net.ipv4.ping_group_range=0 2147483647")
    for address in ("192.0.2.2", "2001:db8::2"):
        told = measure(pair, "echo", address, "20")
        assert told["unprivileged"] is True
        assert told["fates"] == {"ANSWERED": 20}
        assert told["stamps"] == "T1 T4"


@pytest.mark.waits  # the kernel answers
@pytest.mark.parametrize(("target", "kind"), [("198.51.100.7", "icmp"), ("2001:db8:9::7", "icmpv6")])
def test_an_echo_that_a_router_says_it_cannot_deliver_is_lost_on_the_way_out(
    pair: Pair, target: str, kind: str
) -> None:
    in_near(pair, "ip", "route", "add", target, "via", pair.far_v6 if ":" in target else pair.far_v4)
    rule = f"{kind} type echo-request reject with icmpx type host-unreachable"
    for command in (
        (need_program("nft"), chain("prerouting", rule)),
        # no limit on the errors this router sends (kernel documentation, ip-sysctl)
        (need_program("sysctl"), "-qw", "net.ipv4.icmp_ratelimit=0", "net.ipv6.icmp.ratelimit=0"),
    ):
        subprocess.run(pair.inside(pair.far, *command), check=True, capture_output=True, timeout=20)
    assert measure(pair, "echo", target, "10")["fates"] == {"LOST_OUT": 10}


@pytest.mark.parametrize("method", ["echo", "stamp"])
def test_a_queue_in_the_senders_own_host_is_part_of_the_round_trip(pair: Pair, method: str) -> None:
    tc = need_program("tc")
    # 64 kb/s: each packet of 86 octets (44 + headers, with Ethernet) takes 10.75 ms, a burst of one waits not
    in_near(
        pair,
        tc,
        "qdisc",
        "add",
        "dev",
        "v0",
        "root",
        "tbf",
        "rate",
        "64kbit",
        "burst",
        "200",
        "limit",
        "9000",
    )
    told = measure(pair, method, "192.0.2.2", "20", "burst")
    assert told["fates"] == {"ANSWERED": 20}
    # twenty at once: the last waits for about eighteen before it, 18 x 10.75 ms = 193 ms
    assert 150e6 < float(str(told["max_ns"])) < 400e6
    assert float(str(told["max_queue_ns"])) > 0.8 * float(str(told["max_ns"]))


@pytest.mark.parametrize("fate", ["LOST_OUT", "LOST_BACK"])
def test_losses_of_one_direction_are_told_as_that_direction(pair: Pair, fate: str) -> None:
    nft = need_program("nft")
    # a drop in the own output hook makes the send call fail, so both are dropped as they come in
    rule = "udp length > 40 numgen inc mod 5 0 drop"
    where = pair.far if fate == "LOST_OUT" else pair.near
    subprocess.run(pair.inside(where, nft, chain("input", rule)), check=True, capture_output=True, timeout=20)
    told = measure(pair, "stamp", "192.0.2.2", "60")
    fates = dict(told["fates"])  # type: ignore[call-overload]
    assert sum(fates.values()) == 60
    assert fates.pop("ANSWERED") == 48
    # the first or last of the run may lie before or behind every answer, where numbers do not tell
    assert fates.pop("LOST", 0) <= 2
    assert set(fates) == {fate}


@pytest.mark.waits
def test_packets_the_firewall_of_this_machine_refuses_are_not_sent_and_never_lost(pair: Pair) -> None:
    nft = need_program("nft")
    in_near(pair, nft, chain("output", "udp length > 40 drop"))
    told = measure(pair, "stamp", "192.0.2.2", "10")
    assert told["fates"] == {"NOT_SENT": 10}


@pytest.mark.waits
def test_nothing_is_left_behind_even_when_the_test_fails() -> None:
    need_root()
    names: list[str] = []

    def fail() -> None:
        with veth_pair() as pair:
            names.extend([pair.near, pair.far])
            raise RuntimeError("on purpose")

    with pytest.raises(RuntimeError, match="on purpose"):
        fail()
    listed = subprocess.run(["ip", "netns", "list"], capture_output=True, text=True, check=True, timeout=20)
    assert not set(names) & set(listed.stdout.split())
