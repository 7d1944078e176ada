"""The watch lets samples go only after a beat has vouched for them."""

from pathlib import Path

from support.probing import MS, START_UTC_NS, HandClock, Kept, key
from whichhop.model import Fate, Sample
from whichhop.model.units import MonoNs
from whichhop.net.host import Host
from whichhop.probes.machine_trouble import MachineTrouble
from whichhop.probes.watch import MachineWatch


def test_a_sample_waits_for_the_beat_and_is_set_aside_for_trouble_found_then(tmp_path: Path) -> None:
    clock, kept = HandClock(), Kept()
    watch = MachineWatch(MachineTrouble("desk"), clock, Host(tmp_path), kept)
    watch.beat()
    clock.pass_ns(500 * MS)
    watch.sink(key(), Sample(sent_ns=clock.utc, fate=Fate.ANSWERED, rtt_ns=MS))
    assert kept.rows == []
    clock.boot += 60_000 * MS
    clock.utc += 60_000 * MS
    clock.pass_ns(500 * MS)
    watch.beat()
    assert [s.fate for s in kept.of(key())] == [Fate.ASLEEP]


def test_lateness_and_refused_sends_are_told_once(tmp_path: Path) -> None:
    clock, kept = HandClock(), Kept()
    watch = MachineWatch(MachineTrouble("desk"), clock, Host(tmp_path), kept)
    watch.beat()
    watch.woke(MonoNs(1000 * MS), MonoNs(1003 * MS))
    watch.woke(MonoNs(2000 * MS), MonoNs(2001 * MS))
    for target in ("router", "attic", "router", "harbour"):
        watch.sink(key(target), Sample(sent_ns=clock.utc, fate=Fate.NOT_SENT))
    watch.sink(key(), Sample(sent_ns=clock.utc, fate=Fate.LOST))  # the network's doing, not ours
    clock.pass_ns(1000 * MS)
    first = {r.name: r.value for r in watch.beat()}
    clock.pass_ns(1000 * MS)
    second = {r.name: r.value for r in watch.beat()}
    assert (first["loop_lateness_s"], first["send_failures"]) == (0.003, 4.0)
    assert (second["loop_lateness_s"], second["send_failures"]) == (0.0, 0.0)
    assert [s.fate for _, s in kept.rows].count(Fate.NOT_SENT) == 4


def test_readings_carry_the_agent_and_the_wall_clock(tmp_path: Path) -> None:
    clock = HandClock()
    watch = MachineWatch(MachineTrouble("desk"), clock, Host(tmp_path), Kept())
    assert watch.beat() == []
    clock.pass_ns(1000 * MS)
    assert {(r.agent, r.at_ns) for r in watch.beat()} == {("desk", START_UTC_NS + 1000 * MS)}
