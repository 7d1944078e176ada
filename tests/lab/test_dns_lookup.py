"""DNS lookups against real resolvers in a namespace: dnsmasq and unbound."""

import asyncio
import statistics
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.namespaces import V4, V6, Path4
from support.need import need_program
from support.probing import Kept, ask_and_settle, key
from whichhop.model import Fate, Method, Sample
from whichhop.net.clock import SystemClock
from whichhop.probes.base import SessionFacts
from whichhop.probes.kinds.dns_lookup import DnsLookupProber
from whichhop.wire.lookup import LookupQuestion

pytestmark = [pytest.mark.lab, pytest.mark.slow]
K = key("resolver", Method.LOOKUP)
HARBOUR = LookupQuestion(name="harbour.example")


@contextmanager
def dnsmasq(path: Path4) -> Iterator[None]:
    """Knows harbour.example, knows that nothing else is in example, and refuses the rest."""
    argv = ["--keep-in-foreground", "--no-resolv", "--no-hosts", "--conf-file=/dev/null", "--pid-file"]
    argv += ["--address=/harbour.example/203.0.113.9", "--local=/example/", "--user=root"]
    with path.program("far", need_program("dnsmasq"), *argv):
        ready(path)
        yield


@contextmanager
def unbound(path: Path4, folder: Path) -> Iterator[None]:
    settings = folder / "unbound.conf"
    settings.write_text(
        'server:\n  interface: 0.0.0.0\n  interface: ::0\n  do-daemonize: no\n  chroot: ""\n  username: ""\n'
        f'  directory: "{folder}"\n  pidfile: ""\n  use-syslog: no\n  logfile: "{folder}/log"\n'
        "  access-control: 0.0.0.0/0 allow\n  access-control: ::0/0 allow\n  module-config: iterator\n"
        '  local-zone: "example." static\n  local-data: "harbour.example. A 203.0.113.9"\n'
        "remote-control:\n  control-enable: no\n"
    )
    with path.program("far", need_program("unbound"), "-d", "-c", str(settings)):
        ready(path)
        yield


def ready(path: Path4) -> None:
    """Ask until the resolver has opened its port."""
    for _ in range(100):
        samples, _ = ask(path, V4["far"], HARBOUR, 1, wait_s=0.1)
        if samples[0].fate is Fate.ANSWERED:
            return
    raise AssertionError("the resolver did not start")


def ask(
    path: Path4, target: str, question: LookupQuestion, times: int = 1, *, wait_s: float = 0.5
) -> tuple[list[Sample], SessionFacts]:
    kept = Kept()
    prober = DnsLookupProber(kept, SystemClock(), b"\xff\xfe", question)
    return path.inside("host", lambda: asyncio.run(ask_and_settle(prober, kept, K, target, times, wait_s)))


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
@pytest.mark.parametrize("resolver", ["dnsmasq", "unbound"])
def test_a_resolver_that_knows_answers_with_the_kernels_stamps(
    path: Path4, tmp_path: Path, plan: dict[str, str], resolver: str
) -> None:
    with dnsmasq(path) if resolver == "dnsmasq" else unbound(path, tmp_path):
        samples, facts = ask(path, plan["far"], HARBOUR, 20)
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 20
    assert facts.stamps == "T1 T4"
    # a local answer over three veth hops takes well under a millisecond; 20 ms allows for a busy machine
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 20_000_000


def test_that_a_name_does_not_exist_is_an_answer(path: Path4) -> None:
    with dnsmasq(path):
        samples, _ = ask(path, V4["far"], LookupQuestion(name="nobody.example"), 3)
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 3


def test_a_resolver_that_refuses_did_not_resolve(path: Path4) -> None:
    with dnsmasq(path):
        samples, facts = ask(path, V4["far"], LookupQuestion(name="elsewhere.test"), 3)
    assert [s.fate for s in samples] == [Fate.LOST] * 3
    assert facts.refused == {"failed": 3}


@pytest.mark.waits
def test_questions_that_vanish_are_lost(path: Path4) -> None:
    with dnsmasq(path):
        path.rules("far", "input", "udp dport 53 drop")
        samples, facts = ask(path, V4["far"], HARBOUR, 3)
    assert [s.fate for s in samples] == [Fate.LOST] * 3
    assert facts.refused == {}


@pytest.mark.waits
def test_where_no_resolver_listens_questions_are_lost_and_later_ones_still_go_out(path: Path4) -> None:
    # "port unreachable" comes back as an error of the socket, which must not end the asking
    samples, facts = ask(path, V4["far"], HARBOUR, 4)
    assert [s.fate for s in samples] == [Fate.LOST] * 4
    assert facts.send_failures == 0
