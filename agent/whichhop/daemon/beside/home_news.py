"""Looks now and then whether another agent knows of agents that this one does not, and takes them over."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Annotated

import msgspec

from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.daemon.options import RunOptions
from whichhop.errors import RemoteError, SystemRefusedError
from whichhop.model.agent_list import agents_digest
from whichhop.net.child import RunChild, our_module, run_child
from whichhop.net.short_page import short_page
from whichhop.outside import OutsideError, typed
from whichhop.serve.answer import Answer, Question, only_known

EVERY_S = 60.0
"""One other agent is asked each time: one short page in the clear, which tells no name."""
ASK_S, LEARN_S = 3.0, 30.0
_MOST = 16 * 1024


class _Said(msgspec.Struct, frozen=True):
    agents: Annotated[str, msgspec.Meta(max_length=64)] = ""


class _Learned(msgspec.Struct, frozen=True):
    learned: list[str]
    refused: list[str]


class HomeNews:
    """now: the home in use. reload: reads the home file anew. say: takes a line."""

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
        self._next = 0
        self._looking = asyncio.Lock()
        self._looked_at: dict[str, tuple[str, str]] = {}

    async def turn(self) -> None:
        """Ask the next of the other agents."""
        others = self._others()
        if others:
            self._next = (self._next + 1) % len(others)
            await self._ask(others[self._next])

    async def told(self, question: Question) -> Answer:
        """POST /api/news: the home file has changed, here or at another agent; look."""
        only_known(question)
        self._jobs.once("news", self._look)
        return Answer(body=b"{}\n")

    async def _look(self) -> None:
        async with self._looking:  # however often somebody tells
            await self._reload()
            self._looked_at.clear()
            for other in self._others():
                await self._ask(other)

    def _others(self) -> list[str]:
        now = self._now()
        return [n.name for n in now.home.agents if n.name != now.node.name and n.address]

    async def _ask(self, other: str) -> None:
        home = self._now().home
        own = agents_digest(n.name for n in home.agents)
        address, port = home.nodes[other].address or "", home.ports.api
        try:
            body = await short_page(address, port, "/identity", seconds=ASK_S, most_octets=_MOST)
            theirs = typed(body, other, _Said).agents
        except (RemoteError, OutsideError):
            return  # it is off, or no agent: whoever measures it says so
        # Two files that differ for good, as their keepers want it, are compared once and not for ever.
        if theirs in ("", own) or self._looked_at.get(other) == (own, theirs):
            return
        self._looked_at[other] = (own, theirs)
        await self._learn(other)

    async def _learn(self, other: str) -> None:
        options = self._options
        words = [str(options.home_file), str(options.key_file or ""), other]
        try:
            done = await self._run(our_module("whichhop.app.learning", *words), most_s=LEARN_S)
        except (TimeoutError, SystemRefusedError) as why:
            self._say(f"what {other} knows of new agents could not be asked: {why}")
            return
        if done.code != 0:
            first = (done.err.decode(errors="replace").splitlines() or ["no reason given"])[0]
            self._say(f"what {other} knows of new agents was not taken over: {first}")
            return
        learned = typed(done.out, "what was learned", _Learned)
        for refusal in learned.refused:
            self._say(f"{other} names an agent that was not taken over: {refusal}")
        if learned.learned:
            self._say(
                f"{', '.join(learned.learned)} joined the home, as {other} says; written into the home file"
            )
            await self._reload()
