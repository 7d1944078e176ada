"""One agent put together: what measures, what runs beside it, and who follows a change of the home."""

import asyncio
import random
import sys
from functools import partial

from whichhop import __version__
from whichhop.daemon.agent import Agent
from whichhop.daemon.beside.call_rating import CallBook, call_readings
from whichhop.daemon.beside.comparer import Comparer, arguments
from whichhop.daemon.beside.countersigning import EVERY_S as COUNTERSIGN_S
from whichhop.daemon.beside.countersigning import Countersigning
from whichhop.daemon.beside.device_watch import DeviceWatch
from whichhop.daemon.beside.home_news import HomeNews
from whichhop.daemon.beside.link_watch import LinkWatch
from whichhop.daemon.beside.modem_watch import Modems
from whichhop.daemon.beside.own_traffic import OwnTraffic
from whichhop.daemon.beside.upstream import Upstream
from whichhop.daemon.beside.whereabouts import EVERY_S as WHERE_S
from whichhop.daemon.beside.whereabouts import Whereabouts
from whichhop.daemon.children import Children
from whichhop.daemon.fleet.fleet_writer import FleetWriter
from whichhop.daemon.home_in_use import HomeInUse, InUse, loaded_sessions, read_home
from whichhop.daemon.job_runner import SETTLE_S, JobRunner, Strangers, Troubles, words_of
from whichhop.daemon.notice.notices import Notices
from whichhop.daemon.options import RunOptions
from whichhop.daemon.probers import ProberMaker, estimate_now
from whichhop.daemon.sockets import ApiInUse, ProbersInUse, ReflectorInUse
from whichhop.daemon.store_thread import StoreThread, size_of
from whichhop.daemon.transfer.transfers import Transfers
from whichhop.errors import WhichhopError
from whichhop.model import Method, Reading, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.child import run_child
from whichhop.net.clock import SystemClock
from whichhop.net.host import Host
from whichhop.net.listen import authority
from whichhop.net.timer import open_alarm
from whichhop.probes.base import Prober
from whichhop.probes.machine_trouble import MachineTrouble
from whichhop.probes.watch import MachineWatch
from whichhop.serve.app import App
from whichhop.serve.door import Door
from whichhop.serve.live import LiveState
from whichhop.serve.page.handler import Page
from whichhop.serve.records_api import OpenRecords, home_summary
from whichhop.wire.ntp64 import settle

REFRESH_S = 60.0
COUNT_S = 10.0
"""As often as the comparer's window, so that each window has its own share of own traffic."""
TIDY_S = 3600.0
DRAFT_S, DRAFT_BEHIND_S = 60.0, 38.0
"""When the open minutes are written beside the closed ones: halfway between two closed minutes, each written
SETTLE_NS (8 s) after its end. What is known then ends 8 s before, so a kill costs 38 s at most, as it would
with twice as many writes at the half minutes."""
TRANSFERS_S = 20.0
"""How often it is asked whether a planned transfer is due; plans are to the minute."""
MODEMS_S = 5.0
"""How often it is asked whether a modem is due; each has its own rhythm in the home file."""
MOST_FAILED_WAKES = 60
"""A second apart: an agent that sent nothing for a minute, by a fault of its own, is better begun again."""


def say(text: str) -> None:
    """A line to whoever runs the daemon; the journal adds time and unit."""
    sys.stderr.write(f"whichhop: {text}\n")
    sys.stderr.flush()


class Daemon:
    """One agent with its sockets. `await start()`, `await stopping.wait()`, `await stop()`."""

    def __init__(self, options: RunOptions, first: InUse) -> None:
        self.options = options
        self.clock, self.host = SystemClock(), Host()
        self.stopping = asyncio.Event()
        self.failure: str | None = None
        self._failed_wakes = 0
        self.live = LiveState(home=first.home.name, agent=first.node.name, names=first.names)
        self.live.values["store_writable"] = 1
        self.troubles = Troubles(say, self._count_failure)
        self.strangers = Strangers(say)
        self.jobs = JobRunner(self.clock, self.troubles)
        self.children = Children(self.jobs, self.troubles, self.clock, say)
        self.home = HomeInUse(first, lambda part, trouble: self.troubles.wrong(part, words_of(trouble)))
        self._reloading = asyncio.Lock()
        self.store = StoreThread(
            options.store,
            first.home.limits,
            self.clock,
            trouble=self._store_trouble,
            anew=self._store_anew,
        )
        self._tell_size()
        self._put_together_packets()
        self._put_together_beside()
        self._subscribe()
        self._show_keys(first)

    def _put_together_packets(self) -> None:
        node = self.home.now.node.name
        self.agent = Agent(
            clock=self.clock,
            probers={},
            dice=random.Random(random.SystemRandom().getrandbits(128)).random,  # noqa: S311 - no secret, 20 a second
            keep=self._keep,
            observe=self._observe,
            failed=partial(self.troubles.survived, "probers"),
        )
        self.watch = MachineWatch(MachineTrouble(node), self.clock, self.host, self.agent.take)
        self.agent.watch = self.watch
        self.live.skipped = self.agent.skipped
        self.probers = ProbersInUse(self._make_probers, lambda made: setattr(self.agent, "probers", made))
        self.reflector = ReflectorInUse(self.clock, estimate_now)
        self.news = HomeNews(lambda: self.home.now, self.options, self.jobs, self.reload, say=say)
        app = App(live=self.live, store=self.options.store, door=Door(token=""), summary=self._summary)
        app.failed = partial(self.troubles.survived, "http")
        app.add("/api/open", OpenRecords(self.agent.book.open_records, self.agent.newest_records).answer)
        Page(live=self.live, home=lambda: self.home.now.home, now_ns=self.clock.utc_ns).add_to(app)
        self.news.add_to(app)
        self.api = ApiInUse(app, self.jobs)

    def _put_together_beside(self) -> None:
        node = self.home.now.node.name
        self.signing = Countersigning(
            agent=lambda: node,
            store=self.store,
            clock=self.clock,
            identity_file=self.options.identity_file,
            run=run_child,
        )
        self.calls = CallBook()
        self.modems = Modems(
            agent=node,
            clock=self.clock,
            keep=lambda readings: self.store.keep([], readings),
            show=self.live.modems.__setitem__,
            say=say,
            count=lambda: self._count_failure("modem-levels"),
        )
        keep = partial(self._keep, [])
        self.own_traffic = OwnTraffic(
            self.host, self.clock, self._counted, troubles=self.troubles, children=self.children, keep=keep
        )
        self.own_traffic.devices = DeviceWatch(self._keep_reading, self.troubles, self.children)
        self.links = LinkWatch(self.host, self.clock, keep, troubles=self.troubles)
        self.upstream = Upstream(
            self.home,
            self.options.store.with_suffix(".addresses"),
            self.jobs,
            self.clock,
            estimate=estimate_now,
            found=self.agent.found,
            keep=self._keep_figure,
            tell=say,
            count=lambda: self._count_failure("routes"),
        )
        self.where = Whereabouts(
            lambda: self.home.now, self.options, self.jobs, moved=self._moved, reload=self.reload, say=say
        )
        self.where.stranger = self.strangers.came
        outbox = self.options.store.with_suffix(".outbox")
        self.fleet = FleetWriter(
            outbox, self.clock, self.live, troubles=self.troubles, children=self.children, jobs=self.jobs
        )
        book = self.options.store.with_suffix(".notices")
        self.notices = Notices(
            node, book, self.clock, self.jobs, run_child, troubles=self.troubles, told=self._keep_reading
        )
        self.comparer = Comparer(lambda: arguments(self.options), self.live, self.children, self.notices.take)
        self.transfers = Transfers(
            now=lambda: self.home.now,
            clock=self.clock,
            agent=self.agent,
            table=self.store,
            keep=keep,
            refused=self._stranger,
            say=say,
            jobs=self.jobs,
            run=run_child,
        )

    def _subscribe(self) -> None:
        """Who follows a change of the home; the order is that of the steps, then of the followers."""
        self.home.prepare("api", self.api.prepare)
        self.home.prepare("transfer-port", self.transfers.prepare)
        self.home.prepare("reflector", self.reflector.prepare)
        self.home.prepare("probers", self.probers.prepare)
        self.home.follow("metrics", lambda new: self.live.forget(new.names, new.home.name))
        self.home.follow("keys", self._show_keys)
        self.home.follow("store", lambda new: setattr(self.store, "limits", new.home.limits))
        self.home.follow("sessions", lambda new: self.agent.follow(new.sessions))
        self.home.follow("modem-levels", lambda new: self.modems.follow(new.home))
        self.home.follow("links", lambda new: self.links.follow(new.home, new.node))
        self.home.follow("own-traffic", lambda new: self.own_traffic.follow_home(new.home, new.node))
        self.home.follow("routes", lambda _: self._look_anew())
        self.home.follow("whereabouts", self.where.follow)
        self.home.follow("notices", lambda new: self.notices.follow(new.home))
        self.home.follow("fleet", lambda new: self.fleet.follow(new.home, new.node.name))
        self.home.follow("comparer", lambda _: self.comparer.restart())

    def _show_keys(self, home: InUse) -> None:
        self.live.maker, self.live.own_key = home.maker, home.own_key

    def _make_probers(self, home: InUse) -> dict[Method, Prober]:
        maker = ProberMaker(
            home.home, self.watch.sink, self.clock, estimate_now, home.stamp_key, prompt=False
        )
        sessions = home.sessions
        return maker.probers([*sessions, *loaded_sessions(sessions)])

    # -- what is kept and shown

    def _observe(self, key: SessionKey, sample: Sample) -> None:
        self.live.observe(key, sample)
        self.calls.add(key, sample)
        self.upstream.heard(key, sample)
        self.transfers.load.add(key, sample)
        self.fleet.observe(key, sample)

    def _keep_figure(self, name: str, target: str, value: float) -> None:
        self._keep_reading(f"{name}:{target}", value)

    def _keep_reading(self, name: str, value: float) -> None:
        self._keep([], [self._reading(self.clock.utc_ns(), name, value)])

    def _moved(self, name: str, address: str) -> None:
        self._keep_figure(f"moved:{name}", address, 1.0)

    def _reading(self, at_ns: int, name: str, value: float) -> Reading:
        return Reading(at_ns=at_ns, agent=self.home.now.node.name, name=name, value=value)

    def _keep(self, records: list[Record], readings: list[Reading]) -> None:
        """Show and store what has settled; times are stored as exactly as the stamps are good for."""
        self.live.kept(records, readings)
        self.fleet.kept(records, readings)
        self.store.keep([settle(r) for r in records], readings)

    async def _keep_draft(self) -> None:
        self.store.keep_draft([settle(r) for r in self.agent.book.draft(self.clock.utc_ns())])

    def _summary(self) -> dict[str, object]:
        now = self.home.now
        return home_summary(now.home, now.node.name, self.agent.sessions.values(), __version__, now.known)

    # -- what goes wrong

    def _count_failure(self, part: str) -> None:
        self.live.failures[part] += 1
        self.live.in_trouble = self.troubles.now()

    def _stranger(self, text: str) -> None:
        self.live.values["transfer_refusals"] = self.live.values.get("transfer_refusals", 0) + 1
        self.strangers.came(text)

    def _store_trouble(self, text: str) -> None:
        # Called in the store's thread; a float in a dict and a line need no lock.
        self.live.values["store_writable"] = 0 if text else 1
        say(f"{text}; measuring goes on" if text else "the store takes records again")

    def _store_anew(self, text: str) -> None:
        self.live.store_remark = text
        self.live.failures["store"] += 1
        say(text)

    def _wake(self, due_ns: MonoNs) -> None:
        try:
            following = self.agent.wake(due_ns)
        except Exception as trouble:  # noqa: BLE001 - tried again: to stop measuring is the last resort
            self._failed_wakes += 1
            self.troubles.wrong("packets", words_of(trouble))
            following = MonoNs(self.clock.mono_ns() + NS_PER_S)
            if self._failed_wakes == MOST_FAILED_WAKES:
                self.failure = (
                    f"nothing could be sent {MOST_FAILED_WAKES} times in a row: {words_of(trouble)}"
                )
                self.stopping.set()
        else:
            if self._failed_wakes:
                self._failed_wakes = 0
                self.troubles.well("packets")
        self.alarm.set(following)

    # -- begin, follow, end

    async def start(self) -> None:
        """Open every socket and begin; SystemRefusedError when one is refused, with nothing left open."""
        first, loop = self.home.now, asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: self.troubles.of_the_loop(context))
        await self.api.open(first)
        self.transfers.open()
        self.reflector.open(first)
        self.probers.open(first)
        self.transfers.listen()
        self.agent.follow(first.sessions)
        self.modems.follow(first.home)
        self.own_traffic.follow_home(first.home, first.node)
        self.links.follow(first.home, first.node)
        self.fleet.follow(first.home, first.node.name)
        self.alarm = open_alarm(loop, self._wake)
        self.alarm.set(self.clock.mono_ns())
        self.jobs.after_pauses("reflector", REFRESH_S, self._refresh)
        self.jobs.after_pauses("tidy", TIDY_S, self._tidy)
        self.jobs.after_pauses("countersign", COUNTERSIGN_S, self.signing.turn)
        self.jobs.at_multiples("draft", DRAFT_S, self._keep_draft, behind_s=DRAFT_BEHIND_S)
        self.jobs.at_multiples("own-interface", COUNT_S, self.own_traffic.turn)
        self.jobs.after_pauses("modem-levels", MODEMS_S, self.modems.turn)
        self.jobs.paced("links", lambda: self.links.pause_s, self.links.turn, at_once=True)
        self.jobs.after_pauses("transfers", TRANSFERS_S, self.transfers.turn)
        self.jobs.after_pauses("whereabouts", WHERE_S, self.where.turn, at_once=True)
        self.jobs.paced("news", lambda: self.news.pause_s, self.news.turn)
        self.jobs.after_pauses("calls", COUNT_S, self._rate_calls)
        self.jobs.after_pauses("failures", COUNT_S, self._look_at_troubles)
        self.jobs.after_pauses("settling", SETTLE_S, self._settle)
        self._look_anew()
        self.upstream.begin_names()
        if self.options.compare:
            self.notices.follow(first.home)
            self.notices.start()
            self.comparer.start()
        server = self.api.server
        place = authority(str(first.node.address), server.port if server else 0)
        say(
            f"{__version__} on {first.node.name}: {len(self.agent.sessions)} sessions, metrics on"
            f" http://{place}/metrics,"
            f" records in {self.options.store}"
        )

    def _look_anew(self) -> None:
        """Look at the ways out now, and again whenever the watch says."""
        if self.agent.sessions:  # a measurement peer only answers
            self.upstream.begin()

    async def _refresh(self) -> None:
        self.live.by_reason["reflector_refused"] = self.reflector.refresh()

    async def _rate_calls(self) -> None:
        at = self.clock.utc_ns()
        readings = [r for key, call in self.calls.close_ended(at) for r in call_readings(key, call, at)]
        if readings:
            self._keep([], readings)

    async def _look_at_troubles(self) -> None:
        self.live.values["http_turned_away"] = self.api.turned_away
        self.live.in_trouble = self.troubles.now()

    async def _settle(self) -> None:
        self.troubles.settle()
        self.strangers.settle()

    def _counted(self, at_ns: int, received: int, sent: int) -> None:
        """The home's own traffic so far, whoever counted it."""
        self.transfers.line_use.add(at_ns, received, sent)
        values = {"wan_rx_bytes": received, "wan_tx_bytes": sent}
        self._keep([], [self._reading(at_ns, name, float(value)) for name, value in values.items()])

    async def _tidy(self) -> None:
        self.store.tidy(self.clock.utc_ns())
        self._tell_size()

    def _tell_size(self) -> None:
        self.live.values["store_bytes"] = size_of(self.options.store)

    def reload_soon(self) -> None:
        """Take over a changed home file; for a signal."""
        self.jobs.once("reload", self.reload)

    async def reload(self) -> None:
        """Take over a changed home file and key; refused whole, in one line, where that cannot be."""
        async with self._reloading:
            try:
                node = self.home.now.node.name
                self.home.publish(await read_home(self.options, node))
            except WhichhopError as trouble:
                first, *more = str(trouble).splitlines() or [""]
                rest = f" (and {len(more)} more: whichhop check {self.options.home_file})" if more else ""
                say(f"the home file was not taken over: {first}{rest}")
                return
            say(f"home file read again: {len(self.agent.sessions)} sessions")

    async def stop(self) -> None:
        """Close everything; what was measured so far is on disk when this returns."""
        if hasattr(self, "alarm"):
            self.alarm.close()
        await self.where.close()
        await self.transfers.close()
        await self.jobs.close()
        await self.fleet.close()
        await self.api.close()
        self.reflector.close()
        self.probers.close()
        self.agent.stop()
        await asyncio.sleep(0)
        self.store.close()
