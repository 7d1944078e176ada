"""Planned transfers run by themselves: at their time, tried again when refused, within lease and budget."""

import asyncio
import itertools
import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from support.homes import alder
from support.probing import HandClock
from whichhop.daemon.home_in_use import InUse, in_use
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.daemon.transfer import runner
from whichhop.daemon.transfer.schedule import FIRST_RETRY_NS, LATE_NS, planned
from whichhop.daemon.transfer.transfers import Transfers
from whichhop.model import Reading
from whichhop.model.handover import Handover
from whichhop.model.transfer import Lease
from whichhop.net.child import Ended

S = 1_000_000_000
BUDGET = 900_000_000
SENT = {
    "seconds": 2.0,
    "octets": 9_000_000,
    "wire_octets": 10_000_000,
    "first_octets": 9_000_000,
    "resent_octets": 0,
    "settled": {"rate_bps": 36e6, "steady": True, "spread": 0.01, "slots": 4},
    "base_rtt_s": 0.002,
    "mean_rtt_s": 0.012,
    "busy": 1.0,
    "window": 0.0,
    "buffer": 0.0,
    "cpu": 0.1,
    "rates": [36e6],
    "loaded": None,
    "ended": "steady",
}
RECEIVED = {"seconds": 2.0, "octets": 9_000_000, "rate_bps": 36e6, "cpu": 0.1, "ended": "steady"}


class Table:
    """Leases as a store keeps them."""

    generation = 0

    def __init__(self) -> None:
        self.kept: dict[str, Lease] = {}

    async def leases(self) -> list[Lease]:
        return list(self.kept.values())

    async def put_leases(self, kept: list[Lease]) -> None:
        self.kept |= {lease.number: lease for lease in kept}


class Streams:
    """The agent as far as a transfer needs it: the stream of packets beside the data."""

    def __init__(self) -> None:
        self.sessions: dict[Any, Any] = {}
        self.added = self.dropped = 0

    def add(self, _: object) -> None:
        self.added += 1

    def drop(self, _: object) -> None:
        self.dropped += 1


class FirstAgent:
    """The agent that keeps the home's lease and has transfers of its own; what its child says is made up."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        for name in ("BEFORE_S", "AFTER_S", "VOUCHED_S"):
            monkeypatch.setattr(runner, name, 0.0)
        home = alder("router: {kind: router", "router: {kind: router, agent: true")
        limits = replace(home.limits, transfers_a_day=2, daily_transfer_bytes=BUDGET, quiet_hours=None)
        self.node = "attic"
        # the first agent of the file keeps the lease
        nodes = {self.node: home.nodes[self.node], **home.nodes}
        self.home = replace(home, limits=limits, nodes=nodes)
        self.clock, self.table, self.streams = HandClock(), Table(), Streams()
        self.clock.utc = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp()) * S
        self.due = [
            d for d in planned(self.home, datetime(2026, 3, 1, tzinfo=UTC)) if d.pair.agent == self.node
        ]
        self.readings: list[Reading] = []
        self.said: list[str] = []
        self.asked: list[dict[str, Any]] = []
        self.answer: dict[str, Any] = {"done": {"sent": SENT, "received": RECEIVED}}
        used = self.used()
        self.transfers = Transfers(
            now=lambda: used,
            clock=self.clock,
            agent=self.streams,  # type: ignore[arg-type]
            table=self.table,
            keep=self.readings.extend,
            refused=self.said.append,
            say=self.said.append,
            jobs=JobRunner(self.clock, Troubles(self.said.append, lambda _: None)),
            run=self.run,
        )

    def used(self) -> InUse:
        keys = {"api_token": "t", "stamp_key": "00" * 16, "transfer_key": "11" * 16}
        keys |= dict.fromkeys(("certificate", "secret", "identity", "maker", "own_key", "page_password"), "")
        return in_use(Handover(home=self.home, **keys), self.node, Path("home.yaml"))

    async def run(
        self,
        argv: Sequence[str],
        *,
        given: bytes = b"",
        most_s: float,
        pass_fds: Sequence[int] = (),
        hear: Callable[[bytes], None] | None = None,
    ) -> Ended:
        self.asked.append(json.loads(given))
        assert hear is not None
        hear(json.dumps(self.answer).encode())
        return Ended(code=0, out=b"", err=b"")

    def turn_at(self, utc_ns: int) -> int:
        """The half minute's turn at that time; how many directions it asked the child to move."""
        before = len(self.asked)
        self.clock.pass_ns(utc_ns - self.clock.utc)
        asyncio.run(self.transfers.turn())
        return len(self.asked) - before


@pytest.fixture
def first(monkeypatch: pytest.MonkeyPatch) -> FirstAgent:
    return FirstAgent(monkeypatch)


def test_a_planned_transfer_runs_once_at_its_time_both_ways_and_its_results_are_kept(
    first: FirstAgent,
) -> None:
    due = first.due[0]
    assert first.turn_at(due.at_ns - S) == 0
    assert first.turn_at(due.at_ns + 10 * S) == 2
    assert [one["request"]["way"] for one in first.asked] == ["out", "back"]
    assert first.turn_at(due.at_ns + 40 * S) == 0
    # a stream of packets went beside each direction and ended with it
    assert (first.streams.added, first.streams.dropped) == (2, 2)
    rates = {r.name for r in first.readings if r.value == 36e6}
    assert rates == {f"transfer_{way}_rate_bps:{due.pair.other_end}" for way in ("out", "back")}
    assert first.said == []


def test_no_direction_may_use_more_than_its_half_and_the_day_is_charged_with_what_was_used(
    first: FirstAgent,
) -> None:
    due = first.due[0]
    first.turn_at(due.at_ns)
    for one in first.asked:
        assert one["request"]["limit_octets"] + one["probe_octets"] <= due.octets // 2
    (lease,) = first.table.kept.values()
    assert lease.used == 2 * SENT["wire_octets"]
    assert lease.octets <= due.octets


def test_one_that_never_began_is_told_costs_nothing_and_is_tried_again_ever_later_until_it_is_too_late(
    first: FirstAgent,
) -> None:
    due = first.due[0]
    first.answer = {"failed": "router does not answer", "began": False}
    tries = [at for at in range(due.at_ns, due.at_ns + 2 * LATE_NS, 30 * S) if first.turn_at(at)]
    assert tries[0] == due.at_ns
    waits = [later - at for at, later in itertools.pairwise(tries)]
    assert waits == [FIRST_RETRY_NS * 2**n for n in range(len(waits))]
    assert len(waits) >= 3
    assert tries[-1] < due.at_ns + LATE_NS
    assert first.said == [f"the transfer {due.pair} was skipped: router does not answer"] * len(tries)
    assert sum(lease.charged for lease in first.table.kept.values()) == 0


def test_what_breaks_off_is_charged_whole_and_what_then_succeeds_is_not_tried_again(
    first: FirstAgent,
) -> None:
    due = first.due[0]
    well, first.answer = first.answer, {"failed": "the line went away", "began": True}
    assert first.turn_at(due.at_ns) == 1
    (lease,) = first.table.kept.values()
    assert lease.charged == due.octets // 2
    first.answer = well
    assert first.turn_at(due.at_ns + FIRST_RETRY_NS) == 2
    assert first.turn_at(due.at_ns + 4 * FIRST_RETRY_NS) == 0


def test_without_budget_nothing_moves_and_the_line_says_why(first: FirstAgent) -> None:
    spent = Lease(
        number="a",
        who="desk to attic",
        day="2026-03-01",
        until_ns=first.clock.utc,
        octets=BUDGET,
        used=BUDGET,
    )
    first.table.kept["a"] = spent
    assert first.turn_at(first.due[0].at_ns) == 0
    assert len(first.said) == 1
    assert "today's budget of 900 MB is used up" in first.said[0]


def test_a_home_that_plans_none_runs_none(first: FirstAgent) -> None:
    first.home = replace(first.home, limits=replace(first.home.limits, transfers_a_day=0))
    used = first.used()
    first.transfers._now = lambda: used
    assert first.turn_at(first.due[0].at_ns) == 0
