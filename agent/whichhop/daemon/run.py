"""Runs one agent until it is told to stop: signals, sockets, threads and the HTTP side come together here."""

import asyncio
import base64
import json
import random
import signal
import sys
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from ipaddress import ip_network
from pathlib import Path

from whichhop import __version__
from whichhop.daemon.agent import Agent
from whichhop.daemon.beside.call_rating import CallBook, call_readings
from whichhop.daemon.beside.comparer import Comparer, arguments
from whichhop.daemon.beside.link_watch import EVERY_S as LINKS_S
from whichhop.daemon.beside.link_watch import LinkContext
from whichhop.daemon.beside.modem_watch import Modems, reader_of
from whichhop.daemon.beside.own_traffic import WanCounters
from whichhop.daemon.beside.route_watch import Outlook
from whichhop.daemon.home_reading import get_handover
from whichhop.daemon.options import RunOptions
from whichhop.daemon.probers import ProberMaker
from whichhop.daemon.rhythm import again, at_each
from whichhop.daemon.store_thread import Keeper
from whichhop.daemon.transfer.transfers import Transfers
from whichhop.errors import WhichhopError
from whichhop.model import (
    PROVIDER_EDGE,
    Home,
    Method,
    Node,
    NodeKind,
    Reading,
    Record,
    Sample,
    Session,
    SessionKey,
    call_sessions,
    derive_sessions,
)
from whichhop.model.handover import Handover
from whichhop.model.transfer import DOWNLOADS, UPLOADS
from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.clock_error import clock_error_ns
from whichhop.net.host import Host
from whichhop.net.process import ask_short_slices, settle_memory
from whichhop.net.timer import open_alarm
from whichhop.probes.alibi import Alibi
from whichhop.probes.base import Prober
from whichhop.probes.gate import Gate, Network
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.watch import Watch
from whichhop.serve.answer import NDJSON, Answer, Question, only_known
from whichhop.serve.app import App
from whichhop.serve.live import LiveState
from whichhop.serve.page.handler import Page
from whichhop.serve.records_api import home_summary
from whichhop.serve.server import Server
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error
from whichhop.wire.packed import pack
from whichhop.wire.precision import settle

REFRESH_S = 60.0
COUNT_S = 10.0
"""As often as the comparer's window, so that each window has its own share of own traffic."""
TIDY_S = 3600.0
TRANSFERS_S = 20.0
"""How often it is asked whether a planned transfer is due; plans are to the minute."""
MODEMS_S = 5.0
"""How often it is asked whether a modem is due; each has its own rhythm in the home file."""


def say(text: str) -> None:
    """A line to whoever runs the daemon; the journal adds time and unit."""
    sys.stderr.write(f"whichhop: {text}\n")
    sys.stderr.flush()


def find_node(home: Home, name: str, home_file: object) -> Node:
    """The node this agent is; WhichhopError when the home file gives it no agent and no clients."""
    node = home.nodes.get(name)
    runs = [n.name for n in home.nodes.values() if n.agent or n.clients]
    if node is None or name not in runs:
        raise WhichhopError(
            f"{home_file}: no agent runs on {name!r}; agents run on: {', '.join(runs)}"
            " (set agent: true on a node, or name a peer's clients)"
        )
    return node


def sessions_of(home: Home, node: Node) -> list[Session]:
    """What this node's agent measures: nothing on a peer, which only answers."""
    if node.kind is NodeKind.PEER:
        return []
    return [s for s in (*derive_sessions(home), *call_sessions(home)) if s.key.agent == node.name]


def loaded_sessions(sessions: Iterable[Session]) -> list[Session]:
    """The streams that may run beside a transfer: one for each target of the steady ones."""
    steady = [s for s in sessions if s.key.method in (Method.ECHO, Method.STAMP)]
    return [replace(s, key=replace(s.key, method=Method.LOADED)) for s in steady]


def _names(home: Home) -> list[str]:
    """Everything that a session or transfer may aim at: what metrics' labels may say."""
    return [*home.nodes, *(r.name for r in home.resolvers), DOWNLOADS, UPLOADS]


def estimate_now() -> ErrorEstimate:
    """How wrong our clock is, as STAMP packets state it."""
    error_ns = clock_error_ns()
    return estimate_error(error_ns, synced=error_ns is not None)


class Daemon:
    """One agent with its sockets. `await start()`, `await stopped`, `await stop()`."""

    def __init__(self, options: RunOptions, handover: Handover) -> None:
        self.options = options
        self.home = handover.home
        self.node = find_node(self.home, options.node, options.home_file)
        self.clock = SystemClock()
        self.live = LiveState(home=self.home.name, agent=self.node.name, names=_names(self.home))
        self.live.values["store_writable"] = 1
        self.keeper = Keeper(options.store, self.home.limits, self._store_trouble)
        self._tell_size()
        self.stopping = asyncio.Event()
        self.failure: str | None = None
        dice = random.SystemRandom()
        self.agent = Agent(
            clock=self.clock,
            probers={},
            dice=dice.random,
            keep=self._keep,
            observe=self._observe,
        )
        self.host = Host()
        self.watch = Watch(Alibi(self.node.name), self.clock, self.host, self.agent.take)
        self.agent.watch = self.watch
        self.calls = CallBook()
        self.stamp_key = bytes.fromhex(handover.stamp_key)
        self.agent.probers = self._probers()
        self.modems = Modems(
            agent=self.node.name,
            clock=self.clock,
            keep=lambda readings: self.keeper.keep([], readings),
            show=self.live.modems.__setitem__,
            say=say,
        )
        self.gate = Gate(self._asking(), services=[self.home.ports.stamp], own=self.node.address or "")
        self.reflector = StampReflector(
            self.clock,
            self.gate,
            estimate_now,
            bind=self.node.address or "",
            port=self.home.ports.stamp,
            key=self.stamp_key if self.home.authenticated else None,
        )
        app = App(live=self.live, store=options.store, token=handover.api_token, summary=self._summary)
        app.add("/api/open", self._open_records)
        Page(live=self.live, home=lambda: self.home, now_ns=self.clock.utc_ns).add_to(app)
        self.server = Server(app, host=self.node.address or "", port=self.home.ports.api)
        self.transfers = Transfers(
            home=lambda: self.home,
            node=self.node,
            clock=self.clock,
            key=bytes.fromhex(handover.transfer_key),
            agent=self.agent,
            journal=options.store.with_name(f"{options.store.name}.transfers"),
            keep=lambda readings: self._keep([], readings),
            refused=self._stranger,
            say=say,
        )
        self.wan_counters = WanCounters(self.host, self.clock, self._counted, say)
        self.comparer = Comparer(arguments(options), self.live, self.clock, say)
        self.links = LinkContext(self.host, self.clock, lambda readings: self._keep([], readings), say)
        self._tasks: list[asyncio.Task[None]] = []

    def _stranger(self) -> None:
        self.live.values["transfer_refusals"] = self.live.values.get("transfer_refusals", 0) + 1

    def _probers(self) -> dict[Method, Prober]:
        maker = ProberMaker(
            self.home, self.watch.sink, self.clock, estimate_now, self.stamp_key, prompt=False
        )
        sessions = sessions_of(self.home, self.node)
        return maker.probers([*sessions, *loaded_sessions(sessions)])

    def _outlook(self) -> Outlook:
        return Outlook(
            home=self.home,
            clock=self.clock,
            estimate=estimate_now,
            stamp_key=self.stamp_key,
            keep=self._keep_figure,
            found=lambda address: self.agent.found(PROVIDER_EDGE, address),
            tell=say,
        )

    def _observe(self, key: SessionKey, sample: Sample) -> None:
        self.live.observe(key, sample)
        self.calls.add(key, sample)
        self.transfers.load.add(key, sample)

    def _keep_figure(self, name: str, target: str, value: float) -> None:
        at = self.clock.utc_ns()
        self._keep([], [Reading(at_ns=at, agent=self.node.name, name=f"{name}:{target}", value=value)])

    def _keep(self, records: list[Record], readings: list[Reading]) -> None:
        """Show and store what has settled; times are stored as exactly as the stamps are good for."""
        self.live.kept(records, readings)
        self.keeper.keep([settle(r) for r in records], readings)

    def _summary(self) -> dict[str, object]:
        return home_summary(self.home, self.node.name, self.agent.sessions.values(), __version__)

    async def _open_records(self, question: Question) -> Answer:
        """GET /api/open: the minutes that have not settled yet, packed, for whoever compares live."""
        only_known(question)
        records = self.agent.book.open_records()
        lines = [json.dumps({"record": base64.b64encode(pack((settle(r),))).decode()}) for r in records]
        return Answer(body="".join(f"{line}\n" for line in lines).encode(), content_type=NDJSON)

    def _store_trouble(self, text: str) -> None:
        # Called in the store's thread; a float in a dict and a line need no lock.
        self.live.values["store_writable"] = 0 if text else 1
        say(f"{text}; measuring goes on" if text else "the store takes records again")

    def _loop_trouble(self, _loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        # A callback that failed may have been the alarm's: better to end loudly than to measure nothing.
        self.failure = f"{context.get('message')}: {context.get('exception')!r}"
        self.stopping.set()

    async def start(self) -> None:
        """Open every socket and begin; SystemRefusedError when one is refused, with nothing left open."""
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(self._loop_trouble)
        for number, act in ((signal.SIGTERM, self.stopping.set), (signal.SIGINT, self.stopping.set)):
            loop.add_signal_handler(number, act)
        loop.add_signal_handler(signal.SIGHUP, self._reload_soon)
        await self.server.start()
        self.transfers.open()
        self.reflector.open(loop)
        for prober in self.agent.probers.values():
            prober.open(loop)
        self.agent.follow(sessions_of(self.home, self.node))
        self.modems.follow(self.home)
        self._follow_counters()
        self.links.follow(self.home, self.node)
        await self.links.turn()
        self.outlook = self._outlook()
        self.alarm = open_alarm(loop, self._wake)
        self.alarm.set(self.clock.mono_ns())
        self._tasks = [
            asyncio.create_task(again(REFRESH_S, self._refresh)),
            asyncio.create_task(again(TIDY_S, self._tidy)),
            asyncio.create_task(at_each(self.clock, COUNT_S, self.wan_counters.turn)),
            asyncio.create_task(again(MODEMS_S, self.modems.turn)),
            asyncio.create_task(again(LINKS_S, self.links.turn)),
            asyncio.create_task(again(TRANSFERS_S, self.transfers.turn)),
            asyncio.create_task(again(COUNT_S, self._rate_calls)),
            asyncio.create_task(self._look_out()),
        ]
        if self.options.compare:
            self.comparer.start()
        say(
            f"{__version__} on {self.node.name}: {len(self.agent.sessions)} sessions, metrics on"
            f" http://{self.node.address}:{self.server.port}/metrics, records in {self.options.store}"
        )

    def _wake(self, due_ns: MonoNs) -> None:
        self.alarm.set(self.agent.wake(due_ns))

    async def _look_out(self) -> None:
        """Look at the ways out now, and again whenever the outlook says."""
        if not self.agent.sessions:
            return  # a peer only answers
        while True:
            await self.outlook.look()
            await asyncio.sleep(self.outlook.wait_s)

    async def _rate_calls(self) -> None:
        at = self.clock.utc_ns()
        readings = [r for key, call in self.calls.close_ended(at) for r in call_readings(key, call, at)]
        if readings:
            self._keep([], readings)

    def _asking(self) -> list[Network]:
        """Who may be answered: the agents of the home, or whom a measurement peer names."""
        asking = self.node.clients or tuple(n.address for n in self.home.agents if n.address)
        return [ip_network(text) for text in asking]

    async def _refresh(self) -> None:
        self.reflector.refresh()
        self.live.by_reason["reflector_refused"] = self.reflector.dropped()

    def _counted(self, at_ns: int, received: int, sent: int) -> None:
        """The home's own traffic so far, whoever counted it."""
        self.transfers.line_use.add(at_ns, received, sent)
        values = {"wan_rx_bytes": received, "wan_tx_bytes": sent}
        agent = self.node.name
        self._keep([], [Reading(at_ns=at_ns, agent=agent, name=n, value=float(v)) for n, v in values.items()])

    def _follow_counters(self) -> None:
        """Count at our own interface, or ask a router's counters where this is the agent nearest to it."""
        plan = self.home.plan
        mine = [s for n, s in self.home.counters.items() if reader_of(self.home, n) == self.node.name]
        self.wan_counters.follow(
            interface=self.node.wan_interface,
            source=next(iter(mine), None),
            most_bps=max(plan.down_bps, plan.up_bps) * 2.0 if plan else None,
        )

    async def _tidy(self) -> None:
        self.keeper.tidy(self.clock.utc_ns())
        self._tell_size()

    def _tell_size(self) -> None:
        size = 0
        for path in (self.options.store, Path(f"{self.options.store}-wal")):
            with suppress(OSError):  # the keeper tells what ails the store
                size += path.stat().st_size
        self.live.values["store_bytes"] = size

    def _reload_soon(self) -> None:
        self._tasks.append(asyncio.create_task(self.reload()))

    async def reload(self) -> None:
        """Take over a changed home file; a broken one is told and the running home is kept."""
        try:
            handover = await asyncio.to_thread(get_handover, self.options.home_file, self.options.key_file)
            node = find_node(handover.home, self.node.name, self.options.home_file)
        except WhichhopError as trouble:
            say(f"the home file was not taken over: {trouble}")
            return
        if (node.address, handover.home.ports) != (self.node.address, self.home.ports):
            say("this node's address or ports changed; restart the agent to listen there")
        before = (self.home, self.node)
        self.home, self.node = handover.home, node
        fresh = self._probers()
        try:
            for prober in fresh.values():
                prober.open(asyncio.get_running_loop())
        except WhichhopError as trouble:
            self.home, self.node = before
            say(f"the home file was not taken over: {trouble}")
            return
        for prober in self.agent.probers.values():
            prober.close()
        self.agent.probers = fresh
        self.gate.allow(self._asking())
        self.live.forget(_names(self.home))
        self.keeper.limits = self.home.limits
        self.outlook = self._outlook()
        self.agent.follow(sessions_of(self.home, self.node))
        self.modems.follow(self.home)
        self.transfers.follow(self.home)
        self.links.follow(self.home, self.node)
        self._follow_counters()
        self.comparer.restart()
        say(f"home file read anew: {len(self.agent.sessions)} sessions")

    async def stop(self) -> None:
        """Close everything; what was measured so far is on disk when this returns."""
        for task in self._tasks:
            task.cancel()
        if hasattr(self, "alarm"):
            self.alarm.close()
        await self.comparer.close()
        await self.server.stop()
        await self.transfers.close()
        await self.wan_counters.close()
        await self.links.close()
        self.reflector.close()
        for prober in self.agent.probers.values():
            prober.close()
        self.agent.stop()
        await asyncio.sleep(0)
        self.keeper.close()


async def _run(options: RunOptions, handover: Handover) -> int:
    daemon = Daemon(options, handover)
    try:
        await daemon.start()
        ask_short_slices()
        settle_memory()
        await daemon.stopping.wait()
    finally:
        await daemon.stop()
    if daemon.failure:
        say(f"ended by a fault of its own: {daemon.failure}")
        return 1
    say("stopped")
    return 0


def run_agent(options: RunOptions) -> int:
    """Run until SIGTERM or SIGINT. Exit code 0 stopped as asked, 1 a fault of our own."""
    return asyncio.run(_run(options, get_handover(options.home_file, options.key_file)))
