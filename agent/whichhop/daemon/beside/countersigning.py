"""Has the agent's own key sign what it has recorded, so that no later copy of it can be changed unseen."""

import json
from collections.abc import Callable
from pathlib import Path

from whichhop.daemon.store_thread import StoreThread
from whichhop.errors import SystemRefusedError
from whichhop.model.chain_signature import ChainSignature
from whichhop.net.child import RunChild, our_module
from whichhop.net.clock import Clock
from whichhop.outside import typed

EVERY_S = 900.0
"""A child of 0.3 s of processor each: 0.03 %. What was recorded since the last one is not yet held to."""
_MOST_S = 30.0
_SIGNATURE_MOST = 4096


class Countersigning:
    """agent: the node's name now. identity_file: where the agent's own key is."""

    def __init__(
        self,
        *,
        agent: Callable[[], str],
        store: StoreThread,
        clock: Clock,
        identity_file: Path,
        run: RunChild,
    ) -> None:
        self._agent, self._store, self._clock = agent, store, clock
        self._identity_file, self._run = identity_file, run
        self._signed = (b"", 0)

    async def turn(self) -> None:
        """Sign the head of the chain unless it is signed; SystemRefusedError when the child fails."""
        agent = self._agent()
        chain = await self._store.own_chain(agent)
        if chain is None or (chain.origin, chain.last_seq) == self._signed:
            return
        head = {"origin": chain.origin.hex(), "seq": chain.last_seq, "head": chain.head.hex()}
        given = json.dumps(head | {"at_ns": self._clock.utc_ns()}).encode()
        words = our_module("whichhop.config.countersign", str(self._identity_file))
        done = await self._run(words, given=given, most_s=_MOST_S)
        if done.code != 0:
            raise SystemRefusedError(f"the agent's records were not signed: {done.last_error()}")
        new = typed(done.out, "the signing child", ChainSignature, most=_SIGNATURE_MOST)
        await self._store.put_signature(agent, chain.origin, new)
        self._signed = (chain.origin, chain.last_seq)
