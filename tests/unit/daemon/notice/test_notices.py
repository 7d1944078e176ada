"""The agent's notices as a job: sent by a child, tried again, kept over a restart, and never in the way."""

import asyncio
import json
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
from msgspec.structs import replace

from support.bulletins import NOW_NS, at_fault, calm
from support.homes import alder
from support.standing_clock import StandingClock
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.daemon.notice.notices import Notices
from whichhop.daemon.notice.sending import SendRequest, Sent
from whichhop.model import Home
from whichhop.model.notices import Notices as Settings
from whichhop.model.notices import Way, Webhook
from whichhop.model.units import NS_PER_S
from whichhop.net.child import Ended


class Bench:
    """One agent's notices with a receiver that takes or refuses."""

    def __init__(self, folder: Path, settings: Settings, now_ns: int = NOW_NS) -> None:
        self.heard: list[dict[str, object]] = []
        self.takes, self.said, self.counted = True, list[str](), list[str]()
        self.readings: list[tuple[str, float]] = []
        self.clock = StandingClock(now_ns)
        self.troubles = Troubles(self.said.append, self.counted.append)
        self.notices = Notices(
            "router",
            folder / "router.notices",
            self.clock,
            JobRunner(self.clock, self.troubles),
            self._run,
            troubles=self.troubles,
            told=lambda name, value: self.readings.append((name, value)),
        )
        self.notices.follow(replace(home(), notices=settings))
        self.clock.now_ns += 120 * NS_PER_S  # long enough to have heard of the other agents

    async def _run(
        self,
        argv: Sequence[str],
        *,
        given: bytes = b"",
        most_s: float,
        pass_fds: Sequence[int] = (),
        hear: Callable[[bytes], None] | None = None,
    ) -> Ended:
        if self.takes:
            self.heard.append(json.loads(bytes(msgspec.json.decode(given, type=SendRequest).document)))
        said = Sent(
            ok=self.takes, words="taken" if self.takes else "answered 502 Bad Gateway; check its address"
        )
        return Ended(code=0, out=msgspec.json.encode(said), err=b"")

    def turn(self, way: Way = Way.WEBHOOK) -> None:
        asyncio.run(self.notices._turn(way))


def home() -> Home:
    return alder()


HOOK = Settings(webhook=Webhook(url="http://127.0.0.1/"))


def test_a_fault_goes_out_with_the_homes_name_and_the_others_hear_that_it_was_told(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HOOK)
    bench.notices.take(at_fault())
    bench.turn()
    assert [(d["kind"], d["home"]) for d in bench.heard] == [("opened", "Alder House")]
    assert bench.readings == [("notice_ready:webhook", 1.0), ("notice_told:webhook:attic/router", 1.0)]
    bench.notices.take(at_fault())
    bench.turn()
    assert len(bench.heard) == 1


def test_a_receiver_that_is_away_is_told_once_and_gets_it_when_it_is_back(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HOOK)
    bench.takes = False
    bench.notices.take(at_fault())
    for _ in range(20):
        bench.turn()
        bench.clock.now_ns += 60 * NS_PER_S
    assert [line for line in bench.said if "502" in line] == bench.said
    assert len(bench.said) == 1
    assert "1 waiting" in bench.said[0]
    # The agent's process ends here; a new one finds the queue.
    later = Bench(tmp_path, HOOK, bench.clock.now_ns + 3600 * NS_PER_S)
    later.turn()
    assert [d["kind"] for d in later.heard] == ["opened"]


def test_a_queue_that_cannot_be_read_is_told_and_a_new_one_begun(tmp_path: Path) -> None:
    (tmp_path / "router.notices").write_text("{broken")
    bench = Bench(tmp_path, HOOK)
    bench.notices.take(at_fault())
    bench.turn()
    assert len(bench.heard) == 1
    assert "is lost" in bench.said[0]


def test_a_way_without_its_files_is_told_once_and_leaves_the_others_alone(tmp_path: Path) -> None:
    both = replace(HOOK, command_file=str(tmp_path / "none"))
    bench = Bench(tmp_path, both)
    for _ in range(5):
        bench.notices.take(at_fault())
        bench.clock.now_ns += 61 * NS_PER_S
    bench.turn()
    bench.turn(Way.COMMAND)
    assert len(bench.heard) == 1
    assert [line.startswith("notices-command-file: ") for line in bench.said] == [True]


def test_a_home_that_names_nobody_keeps_and_sends_nothing(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HOOK)
    bench.notices.follow(replace(home(), notices=None))
    bench.notices.take(at_fault())
    bench.turn()
    assert (bench.heard, bench.readings, list(tmp_path.iterdir())) == ([], [], [])


def test_a_calm_home_has_nothing_to_tell(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HOOK)
    bench.notices.take(calm())
    bench.turn()
    assert bench.heard == []
