"""A child process of ours runs our code only, within bounds, and never outlives its parent."""

import asyncio
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from whichhop.errors import DataError, SystemRefusedError
from whichhop.net import child as child_module
from whichhop.net.child import our_module, run_child
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = pytest.mark.slow


def program(text: str) -> list[str]:
    return [sys.executable, "-c", f"import sys, time\n{text}"]


def test_it_runs_to_its_end_with_what_it_is_given() -> None:
    text = (
        "print(sys.stdin.read()[::-1], end=''); print('odd', 'last', sep='\\n', file=sys.stderr); sys.exit(4)"
    )
    ended = asyncio.run(run_child(program(text), given=b"abc", most_s=20))
    assert (ended.code, ended.out, ended.last_error()) == (4, b"cba", "last")


def test_one_that_takes_nothing_of_what_it_is_given_ends_by_its_own_code() -> None:
    assert asyncio.run(run_child(program("sys.exit(5)"), given=b"x" * 1_000_000, most_s=20)).code == 5


def test_what_takes_too_long_says_too_much_or_is_not_there_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with pytest.raises(TimeoutError):
        asyncio.run(run_child(program("time.sleep(60)"), most_s=0.3))
    with pytest.raises(SystemRefusedError, match="could not be started"):
        asyncio.run(run_child(["/nowhere/child"], most_s=5))
    monkeypatch.setattr(child_module, "MOST_OUTPUT", 100_000)
    with pytest.raises(DataError, match="ended"):
        asyncio.run(run_child(program("while True: print('x' * 1000)"), most_s=20))


def test_a_file_that_is_called_like_a_library_is_not_executed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Python puts the start folder first in the search for modules unless told otherwise (python, -P).
    (tmp_path / "msgspec.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w').write('x')\n")
    monkeypatch.chdir(tmp_path)
    words = our_module("whichhop.config.handover", "none.yaml", "", "none.identity", "desk")
    ended = asyncio.run(run_child(words, most_s=30))
    assert b"none.yaml" in ended.err
    assert not (tmp_path / "ran").exists()


def test_it_goes_when_its_parent_is_killed() -> None:
    text = (
        "import asyncio, sys\n"
        "from whichhop.net.child import our_module, started\n"
        "async def go():\n"
        "    async with started(our_module('http.server', '--bind', '127.0.0.1', '0')) as child:\n"
        "        print(child.pid, flush=True)\n"
        "        await child.stdout.readline()\n"
        "        print('runs', flush=True)\n"
        "        await asyncio.sleep(60)\n"
        "asyncio.run(go())\n"
    )
    with subprocess.Popen(
        [sys.executable, "-u", "-c", text],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert parent.stdout.readline() == "runs\n"
        parent.send_signal(signal.SIGKILL)
    clock = SystemClock()
    end = clock.mono_ns() + 10e9
    while (
        Path(f"/proc/{child}").exists() and "Z" not in Path(f"/proc/{child}/stat").read_text().split(")")[1]
    ):
        assert clock.mono_ns() < end
        sleep_s(0.02)


def test_one_whose_parent_is_gone_already_does_nothing() -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-m", "whichhop.net.child_start", "1", "http.server", "--help"],
        capture_output=True,
        timeout=30,
        check=False,
    )
    if os.getpid() != 1:
        assert (done.returncode, done.stdout) == (0, b"")
