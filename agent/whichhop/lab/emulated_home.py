"""The emulated home in network namespaces: real packets, faults at will, nothing left behind."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from whichhop.errors import DataError, SystemRefusedError
from whichhop.lab.build import folders
from whichhop.lab.build.plan import BuildPlan, deepened, make_plan
from whichhop.lab.build.programs import JsonChannel, Place, Running
from whichhop.lab.check import as_asked
from whichhop.lab.faults import Counts, Entry, Faults, append_entry
from whichhop.lab.links.fault_words import effect_words
from whichhop.lab.scenario import Effect, Scenario, switchings
from whichhop.net.clock import SystemClock, sleep_s

CHECK_SECONDS = 60.0
CHECK_TRIES = 2
"""A machine that hiccups once must not spoil a run; a link that is wrong stays wrong."""
BLAST_S = 0.3


class EmulatedHome:
    """A running emulated home; use as a context manager. SystemRefusedError where namespaces are refused.

    relays: plain wires (or "all") that get the relay too, so that any fault can be shown on them.
    check: measure every link after set-up and refuse to go on when it is not as asked.
    keep: a folder that gets the programs' output and the truth file when the home ends.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int = 1,
        relays: frozenset[str] = frozenset(),
        check: bool = True,
        base: Path | None = None,
        keep: Path | None = None,
    ) -> None:
        self.scenario = scenario
        self.plan: BuildPlan = make_plan(scenario, relays)
        self.truth: list[Entry] = []
        self.measured: dict[str, dict[str, object]] = {}
        self.real_time = False
        self.carriers: dict[str, str] = {}
        """link -> how it is built: "veth", "tap" or "frames"."""
        self._seed, self._check, self._keep = seed, check, keep
        self._base = folders.base_folder() if base is None else base
        self._clock = SystemClock()
        self._programs: dict[str, list[Running]] = {}
        self.folder: Path = self._base
        self._process: subprocess.Popen[bytes] | None = None

    # --- up and down ----------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        folders.clean(self._base)
        try:
            self._start()
            self._build()
            if self._check:
                self.check()
            self._note("up")
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End everything in the home and remove its folder. Safe to call twice."""
        process, self._process = self._process, None
        if process is not None:
            self._relay.close()
            if self._keep is not None:
                shutil.copytree(self.folder, self._keep, dirs_exist_ok=True)
            self._holder.close()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.terminate()
                process.wait()
        if self.folder != self._base:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _start(self) -> None:
        self.folder = folders.new_folder(self._base)
        mine, theirs = socket.socketpair()
        relay_mine, relay_theirs = socket.socketpair()
        with theirs, relay_theirs, (self.folder / "holder.log").open("wb") as log:
            fds = [theirs.fileno(), relay_theirs.fileno()]
            argv = [sys.executable, "-m", "whichhop.lab.build.holder", *map(str, fds), str(self.folder)]
            self._process = subprocess.Popen(  # noqa: S603
                argv,
                pass_fds=fds,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                # Ctrl-C is for the owner alone, which then ends the home in order.
                start_new_session=True,
            )
        self._holder = JsonChannel(mine, "holder")
        self._relay = JsonChannel(relay_mine, "relay")
        try:
            hello = self._holder.read()
        except SystemRefusedError as trouble:
            raise SystemRefusedError(
                f"network namespaces are refused here ({trouble}); run as root, or allow user namespaces "
                "(sysctl user.max_user_namespaces)"
            ) from None
        names = list(self.plan.home.nodes)
        self.spaces: dict[str, int] = self._holder.ask(do="make_nodes", names=names)
        about = folders.About(
            token=self.folder.name,
            owner=os.getpid(),
            owner_started=folders.started(os.getpid()) or 0,
            holder=self._process.pid,
            holder_started=folders.started(self._process.pid) or 0,
            inner=hello["inner"],
            own_users=hello["own_users"],
            spaces=self.spaces,
        )
        folders.write_about(self.folder, about)

    def _build(self) -> None:
        plan = self.plan
        # No resolver is within reach: a target's host name stands for the machine that the home has there.
        names = {
            n.host_name: str(plan.addressing.main4(n.name)) for n in plan.home.nodes.values() if n.host_name
        }
        if names:
            self._holder.ask(do="name_hosts", names=names)
        # Before any device: it takes the defaults that stand when it is made.
        for node, values in plan.sysctls.items():
            self._holder.ask(do="set_sysctls", node=node, values=values)
        for name, wire in plan.wires.items():
            near, far = [wire.near.node, wire.near.device], [wire.far.node, wire.far.device]
            self.carriers[name] = self._holder.ask(
                do="make_wire", name=name, near=near, far=far, relay=wire.relay
            )
        for node in self.plan.home.nodes:
            self._tool(node, ["ip", "-batch", "-"], plan.ip_lines[node])
        if any(w.relay for w in plan.wires.values()):
            self._holder.ask(do="start_relay", seed=self._seed)
            self.real_time = bool(self._relay.read()["real_time"])
        self._shape()
        self._faults = Faults(
            scenario=self.scenario,
            plan=plan,
            holder=self._holder,
            relay=self._relay,
            beside=Place(self._holder, self.folder, None),
            programs=self._programs,
        )
        self._faults.apply()

    def _shape(self) -> None:
        """Give every link its rate and queue."""
        for node, lines in self.plan.tc_lines.items():
            if lines:
                self._tool(node, ["tc", "-batch", "-"], lines)

    def _tool(self, node: str, argv: list[str], lines: tuple[str, ...]) -> str:
        return str(self._holder.ask(do="run_tool", node=node, argv=argv, text="\n".join(lines) + "\n"))

    # --- self-check -----------------------------------------------------------------------------------

    def check(self) -> None:
        """Measure delay, loss and rate of every link, both ways; SystemRefusedError when not as asked."""
        tries = 0
        while tries < CHECK_TRIES:
            self._measure()
            wrong = list(as_asked.complaints(self.scenario, self.measured))
            if not wrong:
                return
            deeper = deepened(self.plan, self.scenario)
            if deeper is not None and as_asked.falls_short(self.scenario, self.measured):
                self.plan = self._faults.plan = deeper
                self._shape()
            else:
                tries += 1
        raise SystemRefusedError(
            "the emulated home came up unlike what was asked, so no run in it counts; try again on a "
            "quieter machine: " + "; ".join(wrong)
        )

    def _measure(self) -> None:
        jobs = as_asked.jobs(self.scenario, self.plan, self.spaces)
        asked = json.dumps({"jobs": jobs, "blast_s": BLAST_S})
        done = self.place(None).call(
            [sys.executable, "-m", "whichhop.lab.check.streams", asked], timeout_s=CHECK_SECONDS
        )
        if done.code != 0:
            raise SystemRefusedError(f"the emulated home's self-check failed: {done.output.strip()[-300:]}")
        self.measured = json.loads(done.output.splitlines()[-1])

    # --- programs -------------------------------------------------------------------------------------

    def place(self, node: str | None) -> Place:
        """Where to run programs: a node, or None for beside all nodes."""
        if node is not None and node not in self.plan.home.nodes:
            raise DataError(f"no node named {node!r}; the nodes are: {', '.join(self.plan.home.nodes)}")
        started = None if node is None else self._programs.setdefault(node, [])
        return Place(self._holder, self.folder, node, started)

    # --- faults and truth -----------------------------------------------------------------------------

    def fault(self, element: str, effect: Effect) -> int:
        """Switch a fault on; answers its number. Faults at one element add up."""
        number = self._faults.add(element, effect)
        self._note("fault", element, effect)
        return number

    def clear(self, number: int | None = None) -> None:
        """Switch one fault off, or all."""
        for each in list(self._faults.active) if number is None else [number]:
            element, effect = self._faults.remove(each)
            self._note("clear", element, effect)

    @contextlib.contextmanager
    def faulty(self, element: str, effect: Effect) -> Iterator[None]:
        """A fault for the length of a block."""
        number = self.fault(element, effect)
        try:
            yield
        finally:
            self.clear(number)

    def play(self) -> None:
        """Play the scenario's own script of faults from now to its end, in real time."""
        start_ns, numbers = self._clock.mono_ns(), dict[int, int]()
        for step in switchings(f for f in self.scenario.faults if f.at_s < self.scenario.seconds):
            self._sleep_until(start_ns, min(step.at_s, self.scenario.seconds))
            if step.on:
                numbers[step.number] = self.fault(step.fault.element, step.fault.effect)
            else:
                self.clear(numbers.pop(step.number))
        self._sleep_until(start_ns, self.scenario.seconds)

    def _sleep_until(self, start_ns: int, at_s: float) -> None:
        sleep_s(max(0.0, at_s - (self._clock.mono_ns() - start_ns) / 1e9))

    @property
    def faults(self) -> dict[int, str]:
        """The faults at work: number -> element and words."""
        return {n: f"{spot.element} {effect_words(e)}" for n, (spot, e) in self._faults.active.items()}

    def counts(self) -> Counts:
        """Packets so far, per link and direction: taken, passed, lost and why."""
        return self._faults.counts()

    def _note(self, what: str, element: str = "", effect: Effect | None = None) -> None:
        entry = Entry(
            at_ns=self._clock.utc_ns(),
            what=what,
            element=element,
            words="" if effect is None else effect_words(effect),
            counts=self.counts(),
        )
        self.truth.append(entry)
        append_entry(self.folder / "truth.jsonl", entry)
