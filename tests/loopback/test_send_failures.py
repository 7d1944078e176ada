"""A send that the system refuses is counted as one, all the way to the agent's metric, and is never loss."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.probing import HandClock, key
from whichhop.daemon.agent import Agent
from whichhop.model import Fate, Method, Reading, Record, Sample, Session, SessionKey
from whichhop.model import Path as Way
from whichhop.model.units import NS_PER_S
from whichhop.net.host import Host
from whichhop.probes.base import Prober, Sink
from whichhop.probes.kinds.dns_lookup import DnsLookupProber
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.probes.machine_trouble import MachineTrouble
from whichhop.probes.watch import MachineWatch
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState
from whichhop.wire.lookup import LookupQuestion
from whichhop.wire.ntp64 import estimate_error

pytestmark = pytest.mark.waits

SENDS = 3


def stamp(sink: Sink, clock: HandClock) -> Prober:
    # udp(7): port 0 is no port to send to; the system refuses with EINVAL
    return StampProber(sink, clock, lambda: estimate_error(None, synced=False), first_ssid=1, port=0)


def lookup(sink: Sink, clock: HandClock) -> Prober:
    return DnsLookupProber(sink, clock, bytes(8), LookupQuestion(name="harbour.example"), port=0)


@pytest.mark.parametrize(("method", "make"), [(Method.STAMP, stamp), (Method.LOOKUP, lookup)])
def test_what_a_socket_refuses_reaches_the_metric_and_is_not_lost(
    method: Method, make: Callable[[Sink, HandClock], Prober], tmp_path: Path
) -> None:
    asked = key("study", method)
    live = LiveState(home="Alder House", agent="desk", names=["desk", "study"])
    fates: list[Fate] = []

    def observe(of: SessionKey, sample: Sample) -> None:
        fates.append(sample.fate)
        live.observe(of, sample)

    def keep(records: list[Record], readings: list[Reading]) -> None:
        live.kept(records, readings)

    async def measure() -> None:
        clock = HandClock()
        agent = Agent(clock=clock, probers={}, dice=lambda: 0.0, keep=keep, observe=observe)
        agent.watch = MachineWatch(MachineTrouble("desk"), clock, Host(tmp_path), agent.take)
        prober = make(agent.watch.sink, clock)
        prober.open(asyncio.get_running_loop())
        agent.probers = {method: prober}
        way = Way(nodes=("desk", "study"), links=())
        agent.add(Session(key=asked, address="127.0.0.1", path=way))
        for _ in range(SENDS):
            agent.wake(clock.mono_ns())
            clock.pass_ns(NS_PER_S)
        agent.beat()
        agent.stop()
        prober.close()

    asyncio.run(measure())
    assert fates == [Fate.NOT_SENT] * SENDS
    told = {
        sample.name: sample.value
        for family in text_string_to_metric_families(exposition(live, "")[0].decode())
        for sample in family.samples
        if "send_failures" in sample.name
    }
    assert told == {"whichhop_send_failures_total": SENDS}
