"""The comparer's keeper with stand-ins for the comparer: small programs that speak, fall silent or break."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import msgspec
import pytest
from msgspec.structs import replace

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.live import Follower
from whichhop.daemon.beside.comparer import Comparer, arguments, show
from whichhop.daemon.children import Children
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.daemon.options import RunOptions
from whichhop.model import Cause, Finding, derive_sessions
from whichhop.model.bulletin import Bulletin
from whichhop.net.clock import SystemClock
from whichhop.serve.live import LiveState

HOME = alder()


def said() -> Bulletin:
    table = disturb(quiet(HOME, 30), HOME, "attic/router", slice(20, 30), delay_s=0.050)
    follower = Follower(HOME, derive_sessions(HOME), start_ns=table.start_ns)
    told = follower.feed(table)
    return bulletin_of(follower.standing(), told)


def live_state() -> LiveState:
    return LiveState(home="Alder House", agent="router", names=list(HOME.nodes))


def test_a_bulletin_becomes_probabilities_and_faults() -> None:
    live = live_state()
    line = msgspec.json.encode(said())
    show(live, line)
    assert live.faults["attic/router"] > 0.9
    assert live.faults["study/router"] < 0.1
    assert live.judged is not None
    assert [(v.cause, v.elements) for v in live.judged.ongoing] == [(Cause.BACKHAUL, ("attic/router",))]
    assert live.bulletin == line


def test_what_is_no_link_is_shown_too_when_it_is_suspected() -> None:
    live = live_state()
    suspect = Finding(start_ns=1, elements=("host:desk", "desk/attic"), probability=0.4)
    show(live, msgspec.json.encode(replace(said(), findings=(suspect,))))
    assert live.faults["host:desk"] == 0.4
    assert live.faults["desk/attic"] == 0.4


async def _until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(30):
        while not true():
            await asyncio.sleep(0.02)


@asynccontextmanager
async def comparing(
    argv: list[str], live: LiveState, lines: list[str], wait_s: float = 0.01
) -> AsyncIterator[Comparer]:
    troubles = Troubles(lines.append, lambda part: live.failures.update([part]))
    jobs = JobRunner(SystemClock(), troubles)
    comparer = Comparer(lambda: argv, live, Children(jobs, troubles, SystemClock(), lines.append, (wait_s,)))
    comparer.start()
    try:
        yield comparer
    finally:
        await jobs.close()


def program(text: str) -> list[str]:
    return [sys.executable, "-c", text]


def test_one_that_dies_is_told_once_and_started_again_and_leaves_no_stale_figures(tmp_path: Path) -> None:
    file = tmp_path / "bulletin"
    file.write_bytes(msgspec.json.encode(said()) + b"\n")
    live, lines = live_state(), list[str]()

    async def go() -> None:
        async with comparing(program(f"print(open({str(file)!r}).read(), end='')"), live, lines):
            assert live.bulletin == b""
            await _until(lambda: live.failures["comparer"] >= 2)

    asyncio.run(go())
    assert lines == [
        "comparer: its process ended with code 0; it is begun again in 0.01 s, measuring goes on"
    ]
    assert live.faults == {}
    assert json.loads(live.bulletin or b"")["home"] == "Alder House"


def test_what_it_complains_of_is_passed_on_and_nonsense_is_told() -> None:
    live, lines = live_state(), list[str]()
    words = "import sys, time; print('desk: silent', file=sys.stderr, flush=True); print('what?', flush=True)"

    async def go() -> None:
        async with comparing(program(f"{words}; time.sleep(60)"), live, lines, 60.0):
            await _until(lambda: len(lines) >= 2)

    asyncio.run(go())
    assert "comparer: desk: silent" in lines
    assert any("said what cannot be read" in line for line in lines)


def test_a_new_home_file_starts_it_anew_without_a_word() -> None:
    live, lines = live_state(), list[str]()

    async def go() -> None:
        async with comparing(program("import time; time.sleep(60)"), live, lines, 60.0) as comparer:
            await _until(lambda: comparer.pid is not None)
            first = comparer.pid
            comparer.restart()
            await _until(lambda: comparer.pid not in (None, first))
        assert comparer.pid is None

    asyncio.run(go())
    assert lines == []


def test_one_that_is_not_there_is_told() -> None:
    lines = list[str]()

    async def go() -> None:
        async with comparing(["/nowhere/whichhop"], live_state(), lines, 60.0):
            await _until(lambda: bool(lines))

    asyncio.run(go())
    assert "could not be started" in lines[0]


@pytest.mark.parametrize("key", [None, Path("/k/home.key")])
def test_it_keeps_what_it_collects_beside_the_agents_own_store(key: Path | None) -> None:
    options = RunOptions(
        home_file=Path("/h/alder.yaml"), node="attic", store=Path("/s/attic.db"), key_file=key
    )
    words = arguments(options)
    assert words[words.index("--store") + 1] == "/s/alder.collected.db"
    assert ("--key" in words) == (key is not None)
