"""What an agent says of injected faults, against what the relay that injected them counted, to the packet."""

import random
from collections.abc import Iterator

import numpy as np
import pytest

from support.lab_measuring import BASE_S, Measuring, Seen, lost, measuring
from support.need import need_program, need_root
from support.published import TwoState, standard_error
from whichhop.lab.links.fault_words import parse_effect
from whichhop.lab.links.impairment import Lane, combine
from whichhop.lab.scenario import FaultWay, LinkNature
from whichhop.stats.delay import delay_arrays
from whichhop.stats.interval import quantile_interval
from whichhop.stats.measures import joined
from whichhop.stats.proportion import wilson

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SURE = 0.9999
"""Confidence of the bounds here: one false alarm in some thousand runs of this file."""
RELAY_S = 0.0015
"""What the relay may add on a machine with every core busy; lab/check/as_asked allows it as much."""
EDGE = 4
"""Losses before the first answer and after the last lie between no two answers, so have no side."""


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Measuring]:
    need_root()
    for program in ("ip", "tc", "nft"):
        need_program(program)
    with measuring(tmp_path_factory.mktemp("measures")) as made:
        yield made


def ways(seen: Seen) -> tuple[np.ndarray, np.ndarray]:
    """Each answered packet's delay out and back, s; both ends share this machine's clock here."""
    arrays = delay_arrays(joined(seen.records))
    there = np.isfinite(arrays.out_ns)
    return arrays.out_ns[there] / 1e9, arrays.back_ns[there] / 1e9


def account(seen: Seen) -> None:
    """Every packet is in one place, and the relay saw as many as the agent says it sent."""
    fates = seen.fates
    parts = (fates.answered, fates.late, fates.lost_out, fates.lost_back, fates.unknown, fates.set_aside)
    assert sum(parts) == seen.samples
    assert seen.up["taken"] == seen.samples - seen.not_sent
    gone = lost(seen.up) + lost(seen.down)
    # what was set aside for this machine's own trouble may have been lost or not
    assert gone - fates.set_aside <= fates.lost <= gone


def test_constant_delays_are_seen_whole_and_each_on_its_own_way(lab: Measuring) -> None:
    seen = lab.session("delay 8ms up", "delay 3ms down")
    account(seen)
    least, median = seen.rows["round-trip-least"].value, seen.rows["round-trip-50"].value
    assert least is not None
    assert median is not None
    asked = 2 * BASE_S + 0.011
    assert asked - 1e-5 <= least  # the relay holds a packet no shorter than asked; stored to 5 us
    assert median <= asked + 2 * RELAY_S
    for way, added_s in zip(ways(seen), (0.008, 0.003), strict=True):
        assert BASE_S + added_s - 1e-5 <= way.min() <= BASE_S + added_s + RELAY_S


def test_distributions_of_delays_are_seen_as_asked_and_each_on_its_own_way(lab: Measuring) -> None:
    asked = {FaultWay.UP: "jitter 4ms up", FaultWay.DOWN: "jitter 1500us down"}
    seen = lab.session(*asked.values())
    account(seen)
    for (way, words), delays in zip(asked.items(), ways(seen), strict=True):
        # The relay's own rule, 50,000 packets as far apart as these: exponential waits that keep the order.
        lane = Lane(random.Random(1), combine(LinkNature(delay_s=0.0), [parse_effect(words)], way))
        gap = 8_000_000
        law = [(lane.fate(i * gap, 86) or 0) - i * gap for i in range(50_000)]
        for share in (0.25, 0.5, 0.75, 0.95):
            true_s = float(np.quantile(law, share)) / 1e9
            between = quantile_interval(delays - BASE_S, share, SURE)
            assert between.low - RELAY_S <= true_s <= between.high, f"{words} {share}: {true_s}, {between}"


@pytest.mark.parametrize("percent", [1, 5])
@pytest.mark.parametrize("way", ["up", "down"])
def test_random_loss_of_one_way_is_counted_to_the_packet_and_never_told_of_the_other(
    lab: Measuring, way: str, percent: int
) -> None:
    seen = lab.session(f"loss {percent}% {way}", gap_s=0.005)
    account(seen)
    fates = seen.fates
    right, wrong = (fates.lost_out, fates.lost_back) if way == "up" else (fates.lost_back, fates.lost_out)
    assert wrong == 0
    assert fates.unknown <= EDGE
    assert right + fates.unknown + fates.set_aside >= lost(seen.up) + lost(seen.down)
    assert percent / 100 in wilson(fates.lost, fates.sent, SURE)


@pytest.mark.parametrize("way", ["up", "down"])
def test_burst_loss_is_told_as_the_chain_that_was_asked_and_on_its_own_way(lab: Measuring, way: str) -> None:
    seen = lab.session(f"burst 0.04 0.4 {way}", gap_s=0.004, seconds=2.8)
    account(seen)
    fates = seen.fates
    assert (fates.lost_back if way == "up" else fates.lost_out) == 0
    assert fates.unknown <= 8  # a whole burst may lie at an edge
    chain = TwoState(p=0.04, r=0.4)
    ratio = seen.rows["loss"].value
    assert ratio is not None
    assert abs(ratio - chain.loss) <= 4 * standard_error(chain, fates.sent)
    for name, true in (("chain-p", chain.p), ("chain-r", chain.r)):
        row = seen.rows[name]
        assert row.value is not None
        assert true in wilson(round(row.value * row.count), row.count, SURE)
    # bursts are what lies closer than 16 good packets (RFC 3611 4.7.2): with p 0.04 nearly all of it
    density = seen.rows["burst-density"].value
    assert density is not None
    assert density > ratio


def test_packets_out_of_order_are_counted_as_the_relay_reordered_them_and_none_is_lost(
    lab: Measuring,
) -> None:
    seen = lab.session("reorder 10% up")
    account(seen)
    told = sum(r.reordered for r in seen.records)
    # the last one held may have had none to overtake it
    assert seen.up["reordered"] - 1 <= told <= seen.up["reordered"]
    assert told > 0
    assert seen.fates.lost == 0


def test_doubled_packets_of_both_ways_are_counted_as_the_relay_doubled_them_and_none_is_lost(
    lab: Measuring,
) -> None:
    seen = lab.session("duplicate 5% up", "duplicate 5% down")
    account(seen)
    doubled = seen.up["duplicated"] + seen.down["duplicated"]
    assert doubled > 0
    assert sum(r.duplicates for r in seen.records) == doubled
    assert seen.fates.lost == 0


def test_everything_at_once_is_still_accounted_for_to_the_packet(lab: Measuring) -> None:
    seen = lab.session("loss 3% up", "loss 2% down", "duplicate 3% down", "reorder 5% down", "jitter 1ms up")
    account(seen)
    fates = seen.fates
    assert fates.lost_out <= lost(seen.up)
    assert fates.lost_back <= lost(seen.down)
    assert sum(r.duplicates for r in seen.records) == seen.down["duplicated"]
