"""Takes the home's new key over after a revocation, and hands it to agents that were off meanwhile."""

import asyncio
import os
from collections.abc import Awaitable, Callable

import msgspec

from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.options import RunOptions
from whichhop.errors import SystemRefusedError
from whichhop.net.child import RunChild, our_module, run_child
from whichhop.net.listen import authority
from whichhop.outside import typed
from whichhop.serve.answer import Answer, Question, RefusedError, only_known

CHILD_S, LEARN_S = 30.0, 90.0
MOST_WAITING = 4
"""Askers at once; each costs a short child, so that no stranger can make many."""
_LONGEST_NAME, _LONGEST_SIGNATURE = 64, 128
_MODULE = "whichhop.app.agents.epoch_learning"


class _Learned(msgspec.Struct, frozen=True):
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
            done = await self._run(self._words("learn", now.node.name, other, base), most_s=LEARN_S)
        except (TimeoutError, SystemRefusedError) as why:
            self._once(f"the new key that {other} has could not be asked for: {why}")
            return False
        if done.code != 0:
            self._once(f"the new key that {other} has was not taken over: {done.first_error}")
            return False
        learned = typed(done.out, "what was learned", _Learned)
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
