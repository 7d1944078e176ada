"""Carries transfers out: the lease, a child that moves the data, delay watched beside it, figures kept."""

import asyncio
import contextlib
import os
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import msgspec
from msgspec import Struct, to_builtins
from msgspec.structs import replace

from whichhop.daemon.agent import Agent
from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.transfer.async_line import AsyncLine, OrderAsk, asked_for
from whichhop.daemon.transfer.figures import Asked, cost_octets, port_goodput, result_of
from whichhop.daemon.transfer.jobs import Job, NeverBegunError, SkippedError, Tell, jobs_of, move
from whichhop.daemon.transfer.lease import LoadWatch, TransferKeeper
from whichhop.daemon.transfer.schedule import SECONDS_EXPECTED, limit_octets
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import Home, Method, Node, Reading, Sample, Session, SessionKey
from whichhop.model.transfer import UPSTREAM, TransferResult, begin_reading
from whichhop.model.units import NS_PER_S
from whichhop.net.child import RunChild
from whichhop.net.clock import Clock
from whichhop.net.host import Host
from whichhop.net.listen import authority
from whichhop.net.own_interface import interface_of
from whichhop.outside import reading
from whichhop.probes.transfer_talk import AskSpec, FetchSpec, TransferRequest
from whichhop.stats.responsiveness import under_load

LOAD_INTERVAL_S = 0.05
"""20 packets a second beside a transfer."""
BEFORE_S = 1.5
AFTER_S = 1.5
VOUCHED_S = 5.2
"""With AFTER_S, until the last packet's fate is said (wire.flight: 3 s, and 2 s more for the way it was lost
on) and the machine has been vouched for, a beat later; the lease is returned before."""
PROBE_PART = 20
"""Of a direction's bytes, what fresh connections beside it may cost: the draft's 5 %, see round_trips."""
LIMIT_S = 10.0
QUESTION_S = 8.0
WAIT_MOST_S = 180.0
WAIT_STEP_S = 0.5
SEEN = "what the other end says of the transfer"


class _Moved(Struct, frozen=True, kw_only=True):
    """A direction whose data has moved. Times in UTC ns: of the stream beside it, and of the data."""

    job: Job
    outcome: dict[str, Any]
    key: SessionKey | None
    start_ns: int
    begin_ns: int
    end_ns: int
    over_ns: int


class TransferRunner:
    """Carries transfers out, one at a time.

    now: the home in use. keeper: this node's own where it keeps the lease, else the keeper is asked over its
    transfer port. run: runs the process that moves the data.
    """

    def __init__(
        self,
        *,
        now: Callable[[], InUse],
        clock: Clock,
        one: asyncio.Lock,
        agent: Agent,
        watch: LoadWatch,
        keeper: Callable[[], TransferKeeper | None],
        run: RunChild,
        keep: Callable[[list[Reading]], None],
    ) -> None:
        self._now, self.clock, self._one = now, clock, one
        self._agent, self._watch, self._keeper, self._keep = agent, watch, keeper, keep
        self._run = run
        self._host = Host()

    @property
    def node(self) -> Node:
        """The node this agent runs on."""
        return self._now().node

    async def order(self, asked: dict[str, Any], line: AsyncLine) -> None:
        """Carry out what somebody asks for on a talk, telling how it goes; they may leave at any time."""
        queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue()

        async def work() -> dict[str, Any]:
            try:
                wish = asked_for(asked, OrderAsk)
                results = await self.run(
                    wish.other_end,
                    ways=[w for w in ("out", "back") if w in wish.ways],
                    streams=wish.streams,
                    limit_octets_each=wish.octets or None,
                    limit_s=wish.seconds or LIMIT_S,
                    anyway=wish.anyway,
                    whole=wish.whole,
                    tell=queue.put_nowait,
                )
            except WhichhopError as trouble:
                return {"refused": str(trouble)}
            return {"results": [to_builtins(r) | {"at_least": r.at_least} for r in results]}

        working = asyncio.create_task(work())
        gone = asyncio.create_task(line.closed())
        try:
            while not working.done() and not gone.done():
                getting = asyncio.create_task(queue.get())
                await asyncio.wait((working, gone, getting), return_when=asyncio.FIRST_COMPLETED)
                if getting.done():
                    await line.say(**getting.result())
                else:
                    getting.cancel()
            if not gone.done():
                while not queue.empty():
                    await line.say(**queue.get_nowait())
                await line.say(**working.result())
        finally:
            gone.cancel()
            if not working.done():
                working.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await working

    async def run(
        self,
        other_end: str,
        *,
        ways: list[str],
        streams: int = 1,
        limit_octets_each: int | None = None,
        limit_s: float = LIMIT_S,
        anyway: bool = False,
        whole: bool = False,
        tell: Tell = lambda _: None,
    ) -> list[TransferResult]:
        """All directions under one lease; SkippedError with the reason when it must not run now.

        whole: not until the rate is steady, but for all of limit_s.
        """
        home = self._now().home
        jobs = jobs_of(home, self.node, other_end, ways)
        longer = limit_s / SECONDS_EXPECTED if whole else 1.0
        wanted = [
            limit_octets_each or round(limit_octets(home, self._limit_other_end(j), j.way) * longer)
            for j in jobs
        ]
        trouble = TransferRequest(way="out", streams=streams, limit_s=limit_s).trouble()
        if trouble:
            raise SkippedError(trouble)
        seconds = len(jobs) * (limit_s + BEFORE_S + AFTER_S + 8.0)
        lease, octets = await self._lease(other_end, seconds, sum(wanted), anyway=anyway, tell=tell)
        used, moved = 0, []
        try:
            async with self._one:
                for number, job in enumerate(jobs):
                    share = min(wanted[number], (octets - used) // (len(jobs) - number))
                    # Charged whole until its cost is known: a crash or a failure must not give it back.
                    used += share
                    request = TransferRequest(
                        way="out" if job.way == "out" else "back",
                        streams=streams,
                        limit_s=limit_s,
                        limit_octets=share,
                        whole=whole,
                    )
                    try:
                        moved.append(await self._move(home, job, request, tell))
                    except NeverBegunError as never:
                        used -= share
                        raise RemoteError(str(never)) from None
                    with reading(SEEN):
                        used += cost_octets(moved[-1].outcome) - share
        finally:
            await asyncio.shield(self._release(lease, used))
            results = await self._judge(home, moved, streams, tell)
            for result in results:
                self._keep(list(result.readings()))
        return results

    @staticmethod
    def _limit_other_end(job: Job) -> str:
        return UPSTREAM if job.url else job.other_end

    # --- lease ----------------------------------------------------------------------------------------

    async def _ask_keeper(self, **question: Any) -> dict[str, Any]:
        keeper = self._keeper()
        if keeper is not None:
            return await keeper.answer(question)
        home = self._now().home
        if not home.agents:
            raise SkippedError("no agent of the home keeps its lease and budget: give one node agent: true")
        first = home.agents[0]
        try:
            line = await AsyncLine.dial(
                first.address or "",
                home.ports.transfer,
                key=self._now().transfer_key,
                name=self.node.name,
                seconds=QUESTION_S,
            )
            try:
                async with asyncio.timeout(QUESTION_S):
                    await line.say(**question)
                    return await line.hear()
            finally:
                line.close()
        except (RemoteError, TimeoutError) as trouble:
            raise SkippedError(
                f"{first.name}, which keeps the home's lease and budget, does not answer ({trouble});"
                " start its agent: without it nothing is transferred"
            ) from None

    async def _lease(
        self, other_end: str, seconds: float, octets: int, *, anyway: bool, tell: Tell
    ) -> tuple[str, int]:
        end = self.clock.mono_ns() + round(WAIT_MOST_S * NS_PER_S)
        told = ""
        while True:
            who = f"{self.node.name} to {other_end}"
            answer = await self._ask_keeper(
                ask="lease", who=who, seconds=seconds, octets=octets, anyway=anyway
            )
            if "granted" in answer:
                with reading("what the lease's keeper says"):
                    return str(answer["granted"]), int(answer["octets"])
            why = str(answer.get("wait") or answer.get("refused"))
            if "wait" not in answer or self.clock.mono_ns() > end:
                raise SkippedError(why)
            holder = why.partition(";")[0]
            if holder != told:
                told = holder
                tell({"waiting": why})
            await asyncio.sleep(WAIT_STEP_S)

    async def _release(self, lease: str, used: int) -> None:
        # A keeper that cannot be told lets the lease run out, with all of it charged.
        with contextlib.suppress(SkippedError):
            await self._ask_keeper(ask="release", lease=lease, used=used)

    # --- one direction --------------------------------------------------------------------------------

    async def _move(self, home: Home, job: Job, request: TransferRequest, tell: Tell) -> _Moved:
        """Move the data with the stream beside it; what is said of delay is judged later."""
        begins = {
            "agent": self.node.name,
            "other_end": job.other_end,
            "way": job.way,
            "limit_s": request.limit_s,
        }
        tell({"begins": begins})
        session = self._load_session(home, job.load_target)
        start = self.clock.utc_ns()
        if session is not None:
            self._agent.add(session)
        try:
            await asyncio.sleep(BEFORE_S if session else 0)
            begin = self.clock.utc_ns()
            self._keep(
                [
                    begin_reading(
                        at_ns=begin,
                        agent=self.node.name,
                        other_end=job.other_end,
                        way=job.way,
                        limit_s=request.limit_s,
                    )
                ]
            )
            outcome = await move(self._spec(home, job, request), tell, self._run)
            # The data moved at the end of the child's life, after its start and the handshake.
            end = self.clock.utc_ns()
            with reading(SEEN):
                moved_ns = round(float(outcome["sent"]["seconds"]) * NS_PER_S)
            await asyncio.sleep(AFTER_S if session else 0)
        finally:
            if session is not None:
                self._agent.drop(session.key)
        return _Moved(
            job=job,
            outcome=outcome,
            key=session.key if session else None,
            start_ns=start,
            begin_ns=max(begin, end - moved_ns),
            end_ns=end,
            over_ns=self.clock.utc_ns(),
        )

    async def _judge(self, home: Home, moved: list[_Moved], streams: int, tell: Tell) -> list[TransferResult]:
        """The results, once the fate of the last packet beside the last transfer is known."""
        if any(m.key for m in moved):
            tell({"judging": VOUCHED_S})
            await asyncio.sleep(VOUCHED_S)
        kept = {key: self._watch.take(key) for key in {m.key for m in moved} if key is not None}
        speed = self._port_bps()
        return [self._result(home, m, kept, speed, streams) for m in moved]

    def _result(
        self,
        home: Home,
        moved: _Moved,
        kept: dict[SessionKey, list[Sample]],
        port_bps: float | None,
        streams: int,
    ) -> TransferResult:
        load = None
        if moved.key is not None:
            mine = [s for s in kept[moved.key] if moved.start_ns <= s.sent_ns < moved.over_ns]
            load = under_load(mine, moved.key.target, begin_ns=moved.begin_ns, end_ns=moved.end_ns)
        asked = Asked(
            agent=self.node.name,
            other_end=moved.job.other_end,
            way=moved.job.way,
            streams=streams,
            cores=os.cpu_count() or 1,
            port_bps=port_bps,
            ideal_bps=self._ideal(home, moved.job),
            url=bool(moved.job.url),
        )
        with reading(SEEN):
            return result_of(asked, moved.outcome, start_ns=moved.begin_ns, load=load)

    def _spec(self, home: Home, job: Job, request: TransferRequest) -> AskSpec | FetchSpec:
        # The fresh connections beside it are paid from the same share.
        beside = request.limit_octets // PROBE_PART
        request = msgspec.structs.replace(request, limit_octets=request.limit_octets - beside)
        if job.url:
            return FetchSpec(
                url=job.url,
                way=request.way,
                streams=request.streams,
                limit_s=request.limit_s,
                limit_octets=request.limit_octets,
                whole=request.whole,
                probe_octets=beside,
                hosts=_hosts_of(home),
            )
        return AskSpec(
            name=self.node.name,
            address=job.address,
            port=home.ports.transfer,
            key=self._now().transfer_key.hex(),
            request=request,
            health_url=f"http://{authority(job.address, home.ports.api)}/health",
            probe_octets=beside,
        )

    def _port_bps(self) -> float | None:
        name = interface_of(self.node.address) if self.node.address else None
        return self._host.link_speed(name).speed_bps if name else None

    def _ideal(self, home: Home, job: Job) -> float | None:
        """RFC 6349's ideal in TCP payload: the plan where the line is on the way; else a port may tell."""
        if home.plan is not None and (job.url or job.other_end in home.peers):
            return port_goodput(home.plan.up_bps if job.way == "out" else home.plan.down_bps)
        return None

    def _load_session(self, home: Home, target: str | None) -> Session | None:
        if target is None:
            return None
        known = next((s for k, s in self._agent.sessions.items() if k.target == target and s.address), None)
        address = known.address if known else home.nodes[target].address
        path = home.path(self.node.name, target)
        if address is None or path is None:
            return None
        key = SessionKey(agent=self.node.name, target=target, method=Method.LOADED)
        steady = Session(key=key, address=address, path=path)
        return replace(steady, interval_s=LOAD_INTERVAL_S)


def _hosts_of(home: Home) -> tuple[str, ...]:
    """The hosts of every address that the user named for transfers."""
    found = {urlsplit(url).hostname for url in (*home.downloads, *home.uploads)}
    return tuple(sorted(host for host in found if host))
