"""Children that are refused, die, hang, babble or say nonsense: told once, counted, and the agent goes on."""

import asyncio
import resource
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.net.clock import SystemClock

pytestmark = pytest.mark.slow
CLOCK = SystemClock()


class Watched:
    """A supervisor of one child, a small program of its own, and what came of it."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.heard: list[bytes] = []
        self.counted: Counter[str] = Counter()
        self.overs = 0
        self.kept: KeptChild | None = None

    def hear(self, line: bytes) -> None:
        if not line.startswith(b"good"):
            raise ValueError(f"not good: {line!r}")
        self.heard.append(line)

    def over(self) -> None:
        self.overs += 1

    def run(self, command: Command, until: Callable[["Watched"], bool]) -> "Watched":
        async def go() -> None:
            troubles = Troubles(self.lines.append, lambda part: self.counted.update([part]))
            jobs = JobRunner(CLOCK, troubles)
            children = Children(jobs, troubles, CLOCK, self.lines.append, (0.01,))
            self.kept = children.keep("reader", lambda: command, self.hear, over=self.over)
            try:
                async with asyncio.timeout(20):
                    while not until(self):
                        await asyncio.sleep(0.01)
            finally:
                await jobs.close()

        asyncio.run(go())
        return self


def program(text: str, **more: object) -> Command:
    return Command(argv=[sys.executable, "-c", f"import sys, time, os\n{text}"], **more)  # type: ignore[arg-type]


def test_a_refused_fork_is_told_once_counted_and_tried_again() -> None:
    seen = Watched().run(Command(argv=["/nowhere/reader"]), lambda w: w.counted["reader"] >= 3)
    assert len(seen.lines) == 1
    assert "reader: its process could not be started (No such file or directory)" in seen.lines[0]
    assert "measuring goes on" in seen.lines[0]


def test_no_descriptors_left_is_survived_and_the_child_comes_when_there_are_some() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    taken: list[int] = []

    def until(w: Watched) -> bool:
        if not taken:  # before its first life
            used = len(list(Path("/proc/self/fd").iterdir()))
            resource.setrlimit(resource.RLIMIT_NOFILE, (used + 2, hard))
            taken.append(1)
        elif w.counted["reader"] >= 2:
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        return bool(w.heard)

    try:
        seen = Watched().run(program("print('good', flush=True); time.sleep(60)"), until)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert seen.counted["reader"] >= 2
    assert "could not be started (Too many open files)" in seen.lines[0]


def test_one_that_dies_is_told_once_and_begun_again_and_again() -> None:
    seen = Watched().run(program("print('good', flush=True); sys.exit(3)"), lambda w: len(w.heard) >= 3)
    assert [line for line in seen.lines if "code 3" in line] == seen.lines
    assert len(seen.lines) == 1
    assert seen.overs >= 2


@pytest.mark.parametrize("line", ["garbage", '{"a": ' + "9" * 400 + "}", '"\\ud800"', "NaN", "\x00\x1b[2J"])
def test_a_bad_line_is_told_once_counted_and_the_next_good_one_is_heard(line: str) -> None:
    text = f"for _ in range(3): print({line!r}, flush=True)\nprint('good', flush=True); time.sleep(60)"
    seen = Watched().run(program(text), lambda w: bool(w.heard))
    assert seen.counted == {"reader-lines": 3}
    assert "reader-lines: said what cannot be read" in seen.lines[0]
    assert seen.lines[0].isprintable()
    assert len(seen.lines) <= 2
    assert seen.overs == 1  # its one life, ended by us


def test_bytes_that_are_no_text_are_a_bad_line() -> None:
    text = "sys.stdout.buffer.write(b'\\xed\\xa0\\x80\\xff\\n'); sys.stdout.buffer.flush(); time.sleep(60)"
    assert Watched().run(program(text), lambda w: bool(w.lines)).counted == {"reader-lines": 1}


def test_nonsense_without_end_ends_the_child() -> None:
    seen = Watched().run(program("while True: print('no', flush=True)"), lambda w: w.counted["reader"] >= 1)
    assert any("lines in a row that cannot be read" in line for line in seen.lines)


def test_a_line_without_end_ends_the_child() -> None:
    text = "while True: sys.stdout.write('x' * 65536); sys.stdout.flush()"
    seen = Watched().run(program(text, line_octets=4096), lambda w: w.counted["reader"] >= 1)
    assert any("a line of more than 4096 octets" in line for line in seen.lines)


def test_good_lines_in_a_flood_end_the_child() -> None:
    seen = Watched().run(program("while True: print('good', flush=True)"), lambda w: w.counted["reader"] >= 1)
    assert any("lines a second" in line for line in seen.lines)
    assert len(seen.heard) < 5000


def test_one_that_hangs_is_ended_after_its_patience() -> None:
    seen = Watched().run(program("time.sleep(60)", first_s=0.3), lambda w: w.counted["reader"] >= 1)
    assert "said nothing for 0.3 s" in seen.lines[0]


def test_what_it_complains_of_is_passed_on_in_bounds() -> None:
    text = (
        "for i in range(500): print('oh\\x1b[1m', i, file=sys.stderr, flush=True)\nprint('good', flush=True)"
    )
    seen = Watched().run(program(text + "\ntime.sleep(60)"), lambda w: bool(w.heard) and len(w.lines) >= 21)
    assert len(seen.lines) == 21
    assert seen.lines[0] == r"reader: oh\x1b[1m 0"
    assert all(line.isprintable() for line in seen.lines)


def test_it_is_given_its_request_and_its_stdin_stays_open(tmp_path: Path) -> None:
    text = "print('good', sys.stdin.readline().strip(), flush=True); sys.stdin.read(); print('closed')"
    seen = Watched().run(program(text, given=b"do\n"), lambda w: bool(w.heard))
    assert seen.heard == [b"good do\n"]
    assert seen.counted == {}


def test_to_begin_anew_is_no_trouble() -> None:
    pids: list[int] = []

    def until(w: Watched) -> bool:
        assert w.kept is not None
        if w.kept.pid is not None and w.kept.pid not in pids:
            pids.append(w.kept.pid)
            w.kept.begin_anew()
        return len(pids) >= 3

    assert Watched().run(program("time.sleep(60)"), until).lines == []
