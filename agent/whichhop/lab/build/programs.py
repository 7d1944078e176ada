"""A place in the emulated home where programs run: started in a node's namespace, ended with the home."""

import itertools
import json
import signal
import socket
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct

from whichhop.errors import SystemRefusedError
from whichhop.net.clock import SystemClock, sleep_s

LOOK_S = 0.01


class JsonChannel:
    """One end of a socket pair; one question at a time."""

    def __init__(self, sock: socket.socket, who: str, patience_s: float = 60.0) -> None:
        self._sock = sock
        self._who = who
        sock.settimeout(patience_s)
        self._lines = sock.makefile("rb")

    def ask(self, **order: object) -> Any:
        """Send an order, give its answer; SystemRefusedError when it is refused or nobody answers."""
        try:
            self._sock.sendall(json.dumps(order).encode() + b"\n")
        except OSError:
            raise self._gone() from None
        return self.read()

    def read(self) -> Any:
        """One answer."""
        try:
            line = self._lines.readline()
        except OSError:
            line = b""
        if not line:
            raise self._gone()
        answer = json.loads(line)
        if "refused" in answer:
            raise SystemRefusedError(answer["refused"])
        return answer.get("did", answer)

    def close(self) -> None:
        """Hang up, which the other end takes as the end."""
        self._lines.close()
        self._sock.close()

    def _gone(self) -> SystemRefusedError:
        return SystemRefusedError(
            f"the emulated home's {self._who} has ended or does not answer; start the home again"
        )


class Done(Struct, frozen=True, kw_only=True):
    """A program that has ended: its exit code (negative: the signal) and all it printed."""

    code: int
    output: str


class Running:
    """A program in the home. `pid` is its number inside the home, not the machine's."""

    def __init__(self, holder: JsonChannel, pid: int, log: Path, name: str) -> None:
        self.pid = pid
        self.log = log
        self.name = name
        self._holder = holder

    def poll(self) -> int | None:
        """Exit code, negative for a signal; None while it runs."""
        code: int | None = self._holder.ask(do="poll", pid=self.pid)
        return code

    def wait(self, timeout_s: float) -> int:
        """Wait for the end; SystemRefusedError when it does not come in time."""
        clock = SystemClock()
        end = clock.mono_ns() + int(timeout_s * 1e9)
        while (code := self.poll()) is None:
            if clock.mono_ns() > end:
                raise SystemRefusedError(f"{self.name} did not end within {timeout_s:g} s; see {self.log}")
            sleep_s(LOOK_S)
        return code

    def signal(self, number: int = signal.SIGTERM) -> None:
        """Signal it and what it started."""
        self._holder.ask(do="send_signal", pid=self.pid, number=int(number))

    def stop(self, timeout_s: float = 5.0) -> int:
        """Ask it to end, insist after `timeout_s`; its exit code."""
        self.signal(signal.SIGTERM)
        try:
            return self.wait(timeout_s)
        except SystemRefusedError:
            self.signal(signal.SIGKILL)
            return self.wait(timeout_s)

    def output(self) -> str:
        """What it printed so far, both streams together."""
        return self.log.read_text(errors="replace")


class Place:
    """One node, or None for beside all nodes: outside every network, with all namespaces' descriptors."""

    _numbers = itertools.count(1)

    def __init__(
        self, holder: JsonChannel, folder: Path, node: str | None, started: list[Running] | None = None
    ) -> None:
        self.node = node
        self.started = [] if started is None else started
        """Whatever was started here, ended or not."""
        self._holder = holder
        self._folder = folder

    def run(
        self, argv: Sequence[str], env: Mapping[str, str] | None = None, cwd: str | None = None
    ) -> Running:
        """Start a program; its output goes to a file. It sees the node's devices and no others."""
        program = Path(argv[0]).name
        log = f"{self.node or 'home'}-{next(self._numbers)}-{program}.log"
        pid = self._holder.ask(
            do="start",
            node=self.node,
            argv=list(argv),
            env=None if env is None else dict(env),
            cwd=cwd,
            log=log,
        )
        where = self.node or "the home"
        running = Running(self._holder, int(pid), self._folder / log, f"{program} in {where}")
        self.started.append(running)
        return running

    def call(self, argv: Sequence[str], timeout_s: float = 30.0) -> Done:
        """Run a program to its end."""
        running = self.run(argv)
        try:
            code = running.wait(timeout_s)
        except SystemRefusedError:
            running.stop()
            raise
        return Done(code=code, output=running.output())
