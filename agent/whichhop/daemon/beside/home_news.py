"""What is new in the home elsewhere: agents that joined there, and a new key after a revocation."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from typing import Annotated

import msgspec

from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.daemon.options import RunOptions
from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model.handover import agents_digest
from whichhop.net.child import RunChild, our_module, run_child
from whichhop.net.listen import authority
from whichhop.net.short_page import short_page
from whichhop.outside import INT64, OutsideError, typed
from whichhop.serve.answer import Answer, Question, RefusedError, only_known
from whichhop.serve.app import App

CHILD_S, KEY_S = 30.0, 90.0
MOST_WAITING = 4
"""Askers at once; each costs a short child, so that no stranger can make many."""
_LONGEST_NAME, _LONGEST_SIGNATURE = 64, 128
_MODULE = "whichhop.app.agents.epoch_learning"

EVERY_S = 60.0
"""One other agent is asked each time: one short page in the clear, which tells no name."""
FIRST_S = 5.0
MOST_SOON = 20
"""Turns that follow each other so soon; whoever is not there by then is asked once a minute."""
ASK_S, LEARN_S = 3.0, 30.0
MOST_MEETINGS = 5
"""Tries to meet an agent, a minute apart or more, that could not be met."""
LOOK_AFTER_S = (0.0, 2.0, 5.0, 10.0)
"""Looks after being told, until one brings something: whoever has the news may still be reading its own file,
which takes a small or busy box seconds, when all are told at once."""
_MOST = 16 * 1024


class _LearnedKey(msgspec.Struct, frozen=True):
    number: int
    revoked: list[str]
    kept: str


class EpochKeeper:
    """now: the home in use. reload: reads the files anew. say: takes a line."""

    def __init__(
        self,
        now: Callable[[], InUse],
        options: RunOptions,
        reload: Callable[[], Awaitable[None]],
        *,
        say: Callable[[str], None],
        run: RunChild = run_child,
    ) -> None:
        self._now, self._options, self._reload, self._say, self._run = now, options, reload, say, run
        self._one = asyncio.Lock()
        self._waiting = 0
        self.met: set[str] = set()
        """Agents that were met since the home file was read."""
        self._told: set[str] = set()

    def _words(self, act: str, *rest: str) -> list[str]:
        options = self._options
        files = [str(options.home_file), str(options.key_file or ""), str(options.identity_file)]
        return our_module(_MODULE, act, *files, *rest)

    async def asked(self, question: Question) -> Answer:
        """GET /epoch?agent=NAME&signature=HEX, in TLS: key, for an agent that was met and is not revoked."""
        only_known(question, "agent", "signature")
        agent, signature = (question.query.get(key, "") for key in ("agent", "signature"))
        if agent not in self._now().known.keys() | self.met or not 0 < len(signature) <= _LONGEST_SIGNATURE:
            self._once(
                f"{agent[:_LONGEST_NAME]!r} asked for the home's key, and is no agent that may have it"
            )
            raise RefusedError(403, "only an agent that was met here and is not revoked is told")
        if self._waiting >= MOST_WAITING:
            raise RefusedError(503, "busy; ask again in a minute")
        self._waiting += 1
        try:
            async with self._one:
                done = await self._run(self._words("hand-out", agent, signature), most_s=CHILD_S)
        except (TimeoutError, SystemRefusedError) as why:
            raise RefusedError(503, f"not now: {why}") from why
        finally:
            self._waiting -= 1
        if done.code != 0:
            self._once(f"{agent} asked for the home's key and was refused: {done.first_error}")
            raise RefusedError(403, "refused; look at this agent's log for the reason")
        return Answer(body=done.out)

    def _once(self, text: str) -> None:
        """A stranger's asking is told once; there are not more lines than a home has agents."""
        if text not in self._told and len(self._told) < 40:
            self._told.add(text)
            self._say(text)

    async def learn(self, other: str) -> bool:
        """Another agent has a newer key: get it, and follow. Whether that was so."""
        now = self._now()
        base = f"https://{authority(now.home.nodes[other].address or '', now.home.ports.tls)}"
        try:
            done = await self._run(self._words("learn", now.node.name, other, base), most_s=KEY_S)
        except (TimeoutError, SystemRefusedError) as why:
            self._once(f"the new key that {other} has could not be asked for: {why}")
            return False
        if done.code != 0:
            self._once(f"the new key that {other} has was not taken over: {done.first_error}")
            return False
        learned = typed(done.out, "what was learned", _LearnedKey)
        where = ""
        if learned.kept == str(self._options.identity_file.with_suffix(".revoked")):
            os.environ["WHICHHOP_EPOCH"] = learned.kept
            home = self._options.home_file
            where = (
                f"; kept in {learned.kept} and .key beside it, since {home.parent} may not be written: copy"
                f" both to {home.with_suffix('')}.revoked and .key for what you type yourself"
            )
        revoked = ", ".join(learned.revoked)
        self._say(
            f"the home has a new key, as {other} says and its owner has signed; revoked: {revoked}{where}"
        )
        await self._reload()
        return True


class _Said(msgspec.Struct, frozen=True):
    agents: Annotated[str, msgspec.Meta(max_length=64)] = ""
    epoch: Annotated[int, msgspec.Meta(ge=0, le=INT64)] = 0


class _Learned(msgspec.Struct, frozen=True):
    learned: list[str]
    refused: list[str]


class HomeNews:
    """now: the home in use. reload: reads its file anew. say: takes a line."""

    def __init__(
        self,
        now: Callable[[], InUse],
        options: RunOptions,
        jobs: JobRunner,
        reload: Callable[[], Awaitable[None]],
        *,
        say: Callable[[str], None],
        run: RunChild = run_child,
    ) -> None:
        self._now, self._options, self._jobs = now, options, jobs
        self._run, self._reload, self._say = run, reload, say
        self._keeper = EpochKeeper(now, options, reload, say=say, run=run)
        self._meetings: dict[str, int] = {}
        self._turns = self._next = 0
        self._looking = asyncio.Lock()
        self._waiting = False
        self._looked_at: dict[str, tuple[str, str]] = {}

    def add_to(self, app: App) -> None:
        """What other agents may ask and tell."""
        app.add("/epoch", self._keeper.asked)
        app.add("/api/news", self.told, acts=True)

    @property
    def pause_s(self) -> float:
        """Until the next turn: soon at first, for there may be news since it was off, and agents to meet."""
        return FIRST_S if self._turns < MOST_SOON and (self._turns == 0 or self._unmet()) else EVERY_S

    async def turn(self) -> None:
        """Ask the next of the other agents, and those that were never met; the first time all of them."""
        self._turns += 1
        others = self._others()
        if others and self._turns > 1:
            self._next = (self._next + 1) % len(others)
            others = list(dict.fromkeys([others[self._next], *self._unmet()]))
        for other in others:
            await self._ask(other)

    def _unmet(self) -> list[str]:
        met = self._now().known.keys() | self._keeper.met
        return [name for name in self._others() if name not in met]

    async def told(self, question: Question) -> Answer:
        """POST /api/news: the home file has changed, here or at another agent; look."""
        only_known(question)
        if not self._waiting:  # a look that has yet to begin will see this change too
            self._waiting = True
            self._jobs.once("news", self._look)
        return Answer(body=b"{}\n")

    async def _look(self) -> None:
        async with self._looking:  # however often somebody tells
            before = self._state()
            for wait_s in LOOK_AFTER_S:
                await asyncio.sleep(wait_s)
                self._waiting = False
                await self._reload()
                self._looked_at.clear()
                for other in self._others():
                    await self._ask(other)
                if self._state() != before:
                    return

    def _state(self) -> tuple[str, int]:
        """What news changes: which agents there are, and which key is in force."""
        now = self._now()
        return agents_digest(n.name for n in now.home.agents), now.epoch

    def _others(self) -> list[str]:
        now = self._now()
        return [n.name for n in now.home.agents if n.name != now.node.name and n.address]

    async def _ask(self, other: str) -> None:
        home = self._now().home
        own = agents_digest(n.name for n in home.agents)
        address, port = home.nodes[other].address or "", home.ports.api
        try:
            body = await short_page(address, port, "/identity", seconds=ASK_S, most_octets=_MOST)
            said = typed(body, other, _Said)
        except (RemoteError, OutsideError):
            return  # it is off, or no agent: whoever measures it says so
        if said.epoch > self._now().epoch:
            await self._keeper.learn(other)
            return
        if said.epoch == self._now().epoch:
            await self._met(other, home.nodes[other].address or "")
        theirs = said.agents
        # Two files that differ for good, as their keepers want it, are compared once and not for ever.
        if theirs in ("", own) or self._looked_at.get(other) == (own, theirs):
            return
        self._looked_at[other] = (own, theirs)
        await self._learn(other)

    async def _met(self, other: str, address: str) -> None:
        """Know its key before anything happens to the home's: it proves itself by that, once."""
        if (
            other in self._now().known
            or other in self._keeper.met
            or self._meetings.get(other, 0) >= MOST_MEETINGS
        ):
            return
        self._meetings[other] = self._meetings.get(other, 0) + 1
        try:
            done = await self._run(self._options.meeting(self._now().home, address), most_s=LEARN_S)
        except (TimeoutError, SystemRefusedError):
            return
        if done.code == 0:
            self._keeper.met.add(other)
        else:
            self._say(f"{other} could not be met: {done.first_error}")

    async def _learn(self, other: str) -> None:
        options = self._options
        words = [str(options.home_file), str(options.key_in_use or ""), other]
        try:
            done = await self._run(our_module("whichhop.app.agents.learning", *words), most_s=LEARN_S)
        except (TimeoutError, SystemRefusedError) as why:
            self._say(f"what {other} knows of new agents could not be asked: {why}")
            return
        if done.code != 0:
            self._say(f"what {other} knows of new agents was not taken over: {done.first_error}")
            return
        learned = typed(done.out, "what was learned", _Learned)
        for refusal in learned.refused:
            self._say(f"{other} names an agent that was not taken over: {refusal}")
        if learned.learned:
            self._say(
                f"{', '.join(learned.learned)} joined the home, as {other} says; written into the home file"
            )
            await self._reload()
