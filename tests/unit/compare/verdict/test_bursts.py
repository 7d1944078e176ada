"""Bursts of a stream are a healthy line in use; what has another look while the home streams is a fault."""

from collections.abc import Callable

import numpy as np
import pytest

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.table import SLOW_S, WindowTable
from whichhop.model import Cause, Reading, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINE = "modem/provider-edge"
TICKS, BEGIN, END = 120, 40, 80
STREAM, MURMUR = 0.10, 0.01
# Each second or third a packet meets a queue that a burst has left: with some 8 ms to the provider a 99th
# percentile of 77 ms, which is well past three medians (measured lines in use): deep queues are included.
MET, WAIT_S = 0.4, 0.020


def counted(stream: slice, use: float = STREAM, name: str = "wan_tx_bytes") -> list[Reading]:
    """Attic's counter of a way of 20 Mbit/s: `use` of the line in these ticks, else MURMUR."""
    ticks = np.arange(-1, TICKS + 2)
    share = np.where((ticks >= stream.start - 1) & (ticks < stream.stop), use, MURMUR)
    value = np.cumsum(share) * 20_000_000 / 8 * 10
    return [
        Reading(at_ns=START_NS + int(t) * 10 * NS_PER_S, agent="attic", name=name, value=float(v))
        for t, v in zip(ticks, value, strict=True)
    ]


def both_ways(stream: slice, use: float) -> list[Reading]:
    """The same with the other way counted too, which murmurs."""
    return [*counted(stream, use), *counted(slice(0, 0), name="wan_rx_bytes")]


def bursts(ticks: slice, seed: int, met: float = MET, wait_s: float = WAIT_S) -> WindowTable:
    """A home over whose line in these ticks packets wait behind bursts: exponential, as queues (textbook)."""
    table = quiet(HOME, TICKS)
    rng = np.random.default_rng(seed)
    column = sorted(next(e for e in elements_of(HOME, SESSIONS) if e.name == LINE).column)
    count = ticks.stop - ticks.start, len(column), 10
    wait = np.where(rng.random(count) < met, rng.exponential(wait_s, count), 0.0)
    for quantiles, share in ((table.q50_s, 0.5), (table.q80_s, 0.8)):
        quantiles[ticks, column] += np.quantile(wait, share, axis=2)
    table.slow[ticks, column] = (wait > SLOW_S + np.quantile(wait, 0.5, axis=2, keepdims=True)).sum(axis=2)
    return table


def about_the_line(found: list[Verdict]) -> list[Verdict]:
    return [v for v in found if v.cause is not Cause.HEALTHY and LINE in v.elements]


@pytest.mark.parametrize("seed", range(6))
def test_a_line_in_use_whose_queue_most_packets_meet_empty_is_no_trouble(seed: int) -> None:
    stream = slice(BEGIN, END)
    assert not about_the_line(judge(HOME, SESSIONS, bursts(stream, seed), counted(stream)))


Ill = Callable[[], tuple[WindowTable, list[Reading]]]
STREAMING = slice(BEGIN, END)
TWINS: dict[str, Ill] = {
    "bursts of an idle line": lambda: (bursts(STREAMING, 1), counted(slice(0, 0))),
    "bursts that outlast the stream": lambda: (bursts(STREAMING, 1), counted(slice(BEGIN, BEGIN + 8))),
    "nobody counts": lambda: (bursts(STREAMING, 1), []),
    "all packets are late": lambda: (
        disturb(quiet(HOME, TICKS), HOME, LINE, STREAMING, delay_s=0.010),
        counted(STREAMING),
    ),
    "a tenth is lost": lambda: (
        disturb(bursts(STREAMING, 1), HOME, LINE, STREAMING, lost=1),
        counted(STREAMING),
    ),
}


@pytest.mark.parametrize("ill", TWINS.values(), ids=TWINS)
def test_what_is_no_burst_of_its_own_use_is_still_told_while_a_home_streams(ill: Ill) -> None:
    table, readings = ill()
    assert about_the_line(judge(HOME, SESSIONS, table, readings))


@pytest.mark.parametrize("seed", range(4))
def test_an_upload_in_pieces_at_half_of_the_line_is_the_homes_own(seed: int) -> None:
    # A program that holds itself to a half sends pieces at full speed and rests: the line is busy, and some
    # packet waits, for a half of the time (utilization law, textbook), and the median hardly moves.
    ill = slice(BEGIN, END)
    found = judge(HOME, SESSIONS, bursts(ill, seed, met=0.45, wait_s=0.200), both_ways(ill, 0.5))
    assert not about_the_line(found)
    assert [v.cause for v in found] == [Cause.OWN_TRAFFIC]


@pytest.mark.parametrize("seed", range(4))
def test_more_late_packets_than_the_line_was_busy_for_are_not_its_streams(seed: int) -> None:
    # A line busy for a twentieth of the time makes no more than a twentieth wait (utilization law, textbook).
    found = judge(HOME, SESSIONS, bursts(STREAMING, seed, met=0.45, wait_s=0.030), both_ways(STREAMING, 0.05))
    assert [v.cause for v in about_the_line(found)] == [Cause.UPSTREAM_LINK]


def chance_past_the_line(seed: int, met_at_line: float) -> WindowTable:
    """Deep bursts in step with the agents' second: in three of five ticks packets past the line meet them, in
    two those that end at it, and in all a third or so of either."""
    table = quiet(HOME, TICKS)
    rng = np.random.default_rng(seed)
    past = [i for i, s in enumerate(SESSIONS) if s.key.target == "harbour"]
    ending = [i for i, s in enumerate(SESSIONS) if s.key.target == "provider-edge"]
    for group, mets in ((past, (0.2, 0.2, 0.45, 0.45, 0.45)), (ending, (met_at_line,) * 2 + (0.0,) * 3)):
        for tick in range(BEGIN, END):
            shape = len(group), 10
            wait = np.where(rng.random(shape) < mets[tick % 5], rng.exponential(0.150, shape), 0.0)
            table.q50_s[tick, group] += np.quantile(wait, 0.5, axis=1)
            table.q80_s[tick, group] += np.quantile(wait, 0.8, axis=1)
            table.slow[tick, group] = (wait > SLOW_S + np.quantile(wait, 0.5, axis=1, keepdims=True)).sum(
                axis=1
            )
    return table


def past_the_line(found: list[Verdict]) -> list[Verdict]:
    return [v for v in found if {"beyond", "destination:harbour"} & set(v.elements)]


@pytest.mark.parametrize("seed", [1, 2])
def test_bursts_that_packets_past_the_line_meet_by_chance_are_not_the_networks_beyond(seed: int) -> None:
    told = judge(HOME, SESSIONS, chance_past_the_line(seed, 0.9), both_ways(STREAMING, 0.4))
    assert not past_the_line(told)


@pytest.mark.parametrize("seed", [1, 2])
def test_what_is_late_past_the_line_alone_is_told_while_the_home_streams(seed: int) -> None:
    assert past_the_line(judge(HOME, SESSIONS, chance_past_the_line(seed, 0.0), both_ways(STREAMING, 0.4)))


@pytest.mark.parametrize("seed", [1, 2])
def test_some_late_packets_of_the_lines_own_excuse_no_slow_network_beyond(seed: int) -> None:
    # A stream's few bursts are met by all that crosses the line; what is late past it besides is not theirs.
    table = bursts(STREAMING, seed, met=0.1, wait_s=0.1)
    rng = np.random.default_rng(seed + 10)
    past = [i for i, s in enumerate(SESSIONS) if s.key.target == "harbour"]
    shape = END - BEGIN, len(past), 10
    wait = np.where(rng.random(shape) < 0.45, rng.exponential(0.150, shape), 0.0)
    table.q50_s[STREAMING, past] += np.quantile(wait, 0.5, axis=2)
    table.q80_s[STREAMING, past] += np.quantile(wait, 0.8, axis=2)
    table.slow[STREAMING, past] += (wait > SLOW_S).sum(axis=2).astype(table.slow.dtype)
    assert past_the_line(judge(HOME, SESSIONS, table, both_ways(STREAMING, 0.4)))
