"""Finds the home's agents whose addresses change, by their keys, and lets the others find this one.

What is announced is a stranger's word. It counts once a TLS handshake at that address has shown that the key
is held there which the agent had when it was met; who announces another's key is told once and passed over.
"""

import asyncio
import os
from collections.abc import Awaitable, Callable
from ipaddress import ip_address
from typing import TYPE_CHECKING

import msgspec
from msgspec import Struct

from whichhop.config.found_addresses import VARIABLE, keep_found, read_found
from whichhop.daemon.home_in_use import InUse
from whichhop.daemon.job_runner import JobRunner
from whichhop.daemon.options import RunOptions
from whichhop.errors import SystemRefusedError
from whichhop.model import Home
from whichhop.model.units import NS_PER_S
from whichhop.net.child import RunChild, run_child
from whichhop.net.clock import SystemClock
from whichhop.net.own_interface import own_addresses
from whichhop.net.tls import is_held_at
from whichhop.outside import typed

if TYPE_CHECKING:
    from whichhop.net.service_discovery import Announced, ServiceDiscovery

EVERY_S = 5.0
"""How often this machine's own addresses are looked at: an ioctl an interface."""
HANDSHAKE_S, MEET_S = 5.0, 30.0
RETRY_NS = 15 * NS_PER_S
"""An agent that announces itself while its address settles is tried again; so is a stranger, no oftener."""
MOST_TRIES = 5
MOST_CLAIMS = 100
"""Keys with an address that are remembered, of known keys and of others each; a home has 40 agents."""
MOST_AT_AN_ADDRESS, MOST_OF_A_KEY = 2, 8
"""Of strangers' keys at one address, and of addresses of one key: an agent has one key, and few addresses."""
STRANGER_NS = 2 * NS_PER_S
"""After a stranger that was none of ours the next one waits, twice as long each time up to RETRY_NS: a flood
of names costs a process in 15 s."""


class _Claim(Struct):
    """Somebody announced a key at an address. told: that it is not held there."""

    tries: int = 0
    last_ns: int | None = None
    told: bool = False


class _Met(msgspec.Struct, frozen=True):
    agent: str


class Whereabouts:
    """moved: takes an agent's name and new address. reload: reads the home file anew. say: takes a line."""

    def __init__(
        self,
        now: Callable[[], InUse],
        options: RunOptions,
        jobs: JobRunner,
        *,
        moved: Callable[[str, str], None],
        reload: Callable[[], Awaitable[None]],
        say: Callable[[str], None],
        run: RunChild = run_child,
    ) -> None:
        self._now, self._options, self._jobs, self._run = now, options, jobs, run
        self._moved, self._reload, self._say = moved, reload, say
        self.stranger = say
        """Takes a line on whoever is none of the home's, of which there may be any number."""
        self._wait_ns, self._strangers_from_ns = STRANGER_NS, 0
        self._discovery: ServiceDiscovery | None = None
        self._own: tuple[str, ...] = ()
        self._claims: dict[tuple[str, str], _Claim] = {}
        self._clock = SystemClock()
        self._one = asyncio.Lock()

    def follow(self, _new: InUse) -> None:
        """Another home: whoever was refused is judged anew."""
        for claim in self._claims.values():
            claim.tries, claim.last_ns = 0, None
        self._wait_ns, self._strangers_from_ns = STRANGER_NS, 0

    async def turn(self) -> None:
        """Announce where this machine is now; after a change of its address, measure from there."""
        home = self._now().home
        own = self._in_home(home) if home.announces else ()
        if own == self._own:
            await self._look()
            return
        await self.close()
        if own:
            await self._announce(own)
        self._own = own
        node = self._now().node
        if node.moves and own and node.address not in own:
            self._say(f"this machine's address is {own[0]} now; it was {node.address}")
            await self._reload()

    def _in_home(self, home: Home) -> tuple[str, ...]:
        """This machine's addresses in the home; one toward the provider is nobody's business there."""
        wan = self._now().node.wan_interface
        own = [a for name, several in own_addresses().items() if name != wan for a in several]
        return tuple(sorted(own, key=lambda a: (ip_address(a).version, a)))

    async def _announce(self, own: tuple[str, ...]) -> None:
        # Loaded only here: a home whose addresses are written down carries nothing of it.
        from whichhop.net.service_discovery import ServiceDiscovery  # noqa: PLC0415

        now = self._now()
        self._discovery = ServiceDiscovery(now.own_key, now.home.ports.tls, self._heard, self._knows)
        await self._discovery.start(own)

    def _heard(self, announced: "Announced") -> None:
        for address in announced.addresses:
            place = announced.key, address
            if place in self._claims:
                self._claims[place].tries = 0
            elif self._has_room(*place):
                self._claims[place] = _Claim()
        self._jobs.once("whereabouts", self._look)

    def _knows(self, key: str) -> bool:
        return key in self._now().known_keys

    def _has_room(self, key: str, address: str) -> bool:
        """Whether to remember a claim: strangers keep out nobody known, nor each other for good."""
        known = self._knows(key)
        alike = [place for place in self._claims if self._knows(place[0]) == known]
        same = [p for p in alike if (p[0] == key if known else p[1] == address)]
        crowd = same if len(same) >= (MOST_OF_A_KEY if known else MOST_AT_AN_ADDRESS) else alike
        if crowd is alike and len(alike) < MOST_CLAIMS:
            return True
        over = next((p for p in crowd if self._claims[p].tries >= MOST_TRIES), None)
        if over is not None:
            del self._claims[over]
        return over is not None

    async def _look(self) -> None:
        """Try each claim that is due; one at a time, whatever is announced."""
        async with self._one:
            claims = sorted(self._claims.items(), key=lambda one: (not self._knows(one[0][0]), one[1].tries))
            for (key, address), claim in claims:
                now_ns = self._clock.mono_ns()
                due = claim.last_ns is None or now_ns - claim.last_ns >= RETRY_NS
                due = due and (now_ns >= self._strangers_from_ns or self._knows(key))
                if due and claim.tries < MOST_TRIES and self._is_news(key, address):
                    claim.tries, claim.last_ns = claim.tries + 1, now_ns
                    await self._try(key, address, claim)

    def _is_news(self, key: str, address: str) -> bool:
        now = self._now()
        name = now.known_keys.get(key)
        if name is None:
            return True
        node = now.home.nodes.get(name)
        here = {a for k, a in self._claims if k == key}
        # One that has several addresses stays where it was found, as long as it announces that one too.
        return (
            node is not None
            and node.moves
            and node.address != address
            and (node.address not in here or self._claims[key, node.address].tries > 0)
        )

    async def _try(self, key: str, address: str, claim: _Claim) -> None:
        now = self._now()
        name = now.known_keys.get(key)
        if name is None:
            await self._meet(key, address, claim)
            return
        held = await is_held_at(address, now.home.ports.tls, now.known[name], HANDSHAKE_S)
        if held:
            await self._found(name, key, address)
        elif held is False:
            self._tell(claim, f"{address} announces the key of {name} and does not hold it; passed over")

    async def _found(self, name: str, key: str, address: str) -> None:
        self._say(f"{name} is at {address} now")
        for place in [p for p in self._claims if p[0] == key]:
            del self._claims[place]
        found = read_found(self._options.home_file) | {name: address}
        kept = await asyncio.to_thread(keep_found, found, self._options.home_file, self._options.store)
        os.environ[VARIABLE] = str(kept)  # for every child that reads the home file
        await self._reload()
        self._moved(name, address)

    def _tell(self, claim: _Claim, why: str) -> None:
        if not claim.told:
            claim.told = True
            self.stranger(why)

    async def _meet(self, key: str, address: str, claim: _Claim) -> None:
        """A key that is not known: its agent may have been set up by hand, and proves itself once."""
        try:
            done = await self._run(self._options.meeting(self._now().home, address), most_s=MEET_S)
        except (TimeoutError, SystemRefusedError) as why:
            self._tell(claim, f"the agent at {address} could not be met: {why}")
            return
        if done.code != 0:
            self._strangers_from_ns = self._clock.mono_ns() + self._wait_ns
            self._wait_ns = min(2 * self._wait_ns, RETRY_NS)
            self._tell(claim, f"an agent announced at {address} is passed over: {done.first_error}")
            return
        met = typed(done.out, "who was met", _Met).agent
        self._say(f"{met} was met at {address}; it is known by its key {key} from now on")
        await self._found(met, key, address)

    async def close(self) -> None:
        """Say goodbye and listen no more."""
        if self._discovery is not None:
            discovery, self._discovery = self._discovery, None
            await discovery.close()
