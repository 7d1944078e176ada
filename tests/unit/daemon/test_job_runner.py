"""Periodic work goes on whatever one turn of it does, and nobody has to watch it."""

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.job_runner import TOGETHER_S, JobRunner, Troubles, together_s
from whichhop.model.units import NS_PER_MS, NS_PER_S
from whichhop.net.clock import SystemClock

pytestmark = pytest.mark.slow
CLOCK = SystemClock()


class Watched:
    """A runner, and what it told and counted."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.counted: Counter[str] = Counter()
        troubles = Troubles(self.lines.append, lambda part: self.counted.update([part]))
        self.jobs = JobRunner(CLOCK, troubles, (0.01, 0.02))

    def run(self, begin: Callable[[], object], until: Callable[[], bool]) -> None:
        async def go() -> None:
            begin()
            try:
                async with asyncio.timeout(10):
                    while not until():
                        await asyncio.sleep(0.005)
            finally:
                await self.jobs.close()
            assert len(asyncio.all_tasks()) == 1

        asyncio.run(go())


def noting(seen: list[int]) -> Callable[[], Awaitable[None]]:
    async def act() -> None:
        seen.append(CLOCK.utc_ns())

    return act


def test_an_exception_is_told_once_and_counted_and_the_job_goes_on_beside_the_others() -> None:
    watched, turns, seen = Watched(), [], list[int]()

    async def act() -> None:
        turns.append(1)
        if len(turns) <= 3:
            raise OverflowError("a number of 400 digits")

    def begin() -> None:
        watched.jobs.after_pauses("modem-levels", 0.01, act)
        watched.jobs.after_pauses("calls", 0.01, noting(seen))

    watched.run(begin, lambda: len(turns) >= 6 and len(seen) >= 3)
    assert watched.lines == [
        "modem-levels: OverflowError('a number of 400 digits')",
        "modem-levels: works again",
    ]
    assert watched.counted == {"modem-levels": 3}


def test_work_that_should_stand_is_begun_again_when_it_ends_or_fails() -> None:
    watched, begun = Watched(), []

    async def run() -> None:
        begun.append(1)
        if len(begun) % 2:
            raise LookupError("gone")

    watched.run(lambda: watched.jobs.standing("port", run), lambda: len(begun) >= 4)
    assert watched.counted["port"] >= 2


def test_work_at_whole_multiples_comes_just_after_one() -> None:
    watched, seen = Watched(), list[int]()
    watched.run(lambda: watched.jobs.at_multiples("count", 0.1, noting(seen)), lambda: len(seen) >= 3)
    # A busy machine may be late by any amount once, not each time.
    late = [(at + NS_PER_MS) % (100 * NS_PER_MS) for at in seen]
    assert min(late) < 50 * NS_PER_MS
    assert (seen[-1] + NS_PER_MS) // (100 * NS_PER_MS) > (seen[0] + NS_PER_MS) // (100 * NS_PER_MS)


def test_work_after_a_pause_waits_first_and_work_at_once_does_not() -> None:
    watched, later, now = Watched(), list[int](), list[int]()
    start = CLOCK.utc_ns()

    def begin() -> None:
        watched.jobs.after_pauses("later", 0.1, noting(later))
        watched.jobs.paced("now", lambda: 60.0, noting(now), at_once=True)

    watched.run(begin, lambda: bool(later))
    assert later[0] - start >= 100 * NS_PER_MS
    assert now[0] < later[0]
    assert len(now) == 1


def test_what_is_done_once_is_done_once_even_when_it_fails() -> None:
    watched, turns = Watched(), []

    async def act() -> None:
        turns.append(1)
        raise OSError("refused")

    watched.run(lambda: watched.jobs.once("reload", act), lambda: bool(watched.lines))
    assert (turns, watched.counted) == ([1], {"reload": 1})


@pytest.mark.parametrize("ended", [True, False], ids=["as if done", "by a failure"])
def test_closing_ends_a_job_whose_work_lost_the_cancelling(*, ended: bool) -> None:
    """As `asyncio.wait_for` did before Python 3.12; seen once: an agent that was told to stop never did."""

    async def act() -> None:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            if not ended:
                raise OSError("gone") from None

    async def go() -> None:
        watched = Watched()
        job = watched.jobs.paced("routes", lambda: 60.0, act, at_once=True)
        await asyncio.sleep(0)
        async with asyncio.timeout(5):
            await watched.jobs.close()
        assert job.cancelled()

    asyncio.run(go())


def test_closing_waits_until_a_job_has_let_go() -> None:
    watched, let_go = Watched(), []

    async def act() -> None:
        try:
            await asyncio.sleep(60)
        finally:
            await asyncio.sleep(0.02)
            let_go.append(1)

    seen: list[int] = []

    def begin() -> None:
        watched.jobs.once("holding", act)
        watched.jobs.after_pauses("calls", 0.001, noting(seen))

    watched.run(begin, lambda: bool(seen))
    assert let_go == [1]


@given(st.integers(10**18, 2 * 10**18), st.floats(TOGETHER_S, 3600))
def test_long_pauses_end_together_and_no_more_than_half_a_step_from_when_they_were_asked_for(
    utc_ns: int, pause_s: float
) -> None:
    given_s = together_s(pause_s, utc_ns)
    assert abs(given_s - pause_s) <= TOGETHER_S / 2 + 1e-6
    behind = (utc_ns / NS_PER_S + given_s) % TOGETHER_S
    assert min(behind, TOGETHER_S - behind) < 1e-5  # as exact as seconds since 1970 in a float


def test_a_pause_that_ends_late_by_what_its_work_took_does_not_lose_a_turn() -> None:
    noon = 1_772_366_400 * NS_PER_S
    assert together_s(5.0, noon + 20 * NS_PER_MS) == pytest.approx(4.98, abs=1e-6)
    assert together_s(5.0, noon) == 5.0
    assert together_s(0.7, noon + 20 * NS_PER_MS) == 0.7
