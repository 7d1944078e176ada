"""A daemon that is not given the processor for a while accounts for every packet that was due."""

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.loopback_home import LoopbackHome
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import sleep_s
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]

HELD_UP_S = 2.3
"""Longer than two ticks of a steady stream, and than the lateness from which on samples are set aside."""


@pytest.fixture
def home(tmp_path: Path) -> Iterator[LoopbackHome]:
    made = LoopbackHome(tmp_path)
    yield made
    made.end()


def test_each_packet_that_was_due_is_stored_or_told_as_skipped(home: LoopbackHome) -> None:
    desk, _ = home.start("desk"), home.start("study")
    watched = [("study", "stamp"), ("router", "echo")]
    home.wait(lambda: all(home.metric("desk", "packets_sent_total").get(one, 0) >= 3 for one in watched))
    for _ in range(2):
        desk.send_signal(signal.SIGSTOP)
        sleep_s(HELD_UP_S)
        desk.send_signal(signal.SIGCONT)
        sleep_s(1.2)
    sleep_s(2.5)  # an answer settles with the next one, and is told at the beat after it
    skipped = home.metric("desk", "packets_skipped_total")
    aside = home.metric("desk", "packets_not_judged_total")
    desk.terminate()
    assert desk.wait(20) == 0
    with Store.open(home.store("desk"), read_only=True) as store:
        kept = {
            (key.target, str(key.method)): [s for r in store.session_records(key) for s in r.samples]
            for key in store.sessions()
        }
    for one in watched:
        samples = kept[one]
        assert skipped[one] >= 2
        assert aside[*one, "busy"] >= 2
        # RFC 3432 4.1: a packet at each tick of the grid, 1 s apart; the first after a pause leaves late
        ticks = round((samples[-1].sent_ns - samples[0].sent_ns) / NS_PER_S) + 1
        assert len(samples) + skipped[one] == pytest.approx(ticks, abs=1)
