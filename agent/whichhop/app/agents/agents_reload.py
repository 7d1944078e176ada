"""Tells the home's running agents that its file or its key has changed, so that they look at once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from whichhop.app.agents.agents_fetch import MOST_IDENTITY, AgentsFetch, addresses_of, tls_addresses_of
from whichhop.config.check import read_home
from whichhop.config.keys import PurposeKeys, derive_keys, read_key
from whichhop.errors import RemoteError
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_get import fetch
from whichhop.outside import OutsideError, json_of, mapping, whole

PATIENCE_S = 5.0
AGAIN_S = 2.0
MOST_MISSES = 3
"""Times in a row without an answer; one that is changing its key over answers no old one for a moment."""
MOST_S = 120.0
"""A small box takes some seconds to read its files and to make its keys anew, one after the other."""


def tell_agents(home_file: Path, key_file: Path, leave_out: str, say: Callable[[str], None]) -> list[str]:
    """Names of the agents that were told; those that do not answer are named to `say`.

    An agent that is off asks by itself when it is on again. leave_out: one that need not be told.
    """
    home, keys = read_home(home_file), derive_keys(read_key(key_file))
    agents = AgentsFetch.of(home, keys, seconds=PATIENCE_S)

    def tell(there: tuple[str, str]) -> str | None:
        try:
            agents(f"{there[1]}/api/news", keys.api_token, post=True)
        except RemoteError as why:
            say(f"{there[0]} was not told of it: {why}")
            return None
        return there[0]

    places = [(name, base) for name, base in tls_addresses_of(home).items() if name != leave_out]
    with ThreadPoolExecutor(8) as pool:
        return [name for name in pool.map(tell, places) if name]


def tell_agents_of_epoch(
    home_file: Path, old: PurposeKeys, number: int, say: Callable[[str], None], seconds: float = MOST_S
) -> list[str]:
    """Names of the agents that have the new key now; those that are not heard of are named to `say`.

    old: the keys that they still had. number: of the new epoch. The one beside the new key takes it from its
    disk, the others from one another; so whoever has it not yet is told again until all have it.
    """
    home, clock = read_home(home_file), SystemClock()
    agents = AgentsFetch.of(home, old, seconds=PATIENCE_S)
    plain, waiting = addresses_of(home), dict(tls_addresses_of(home))
    done: list[str] = []
    why: dict[str, str] = {}
    misses: dict[str, int] = dict.fromkeys(waiting, 0)
    end_ns = clock.mono_ns() + round(seconds * NS_PER_S)

    def tell(name: str) -> bool:
        try:
            if _epoch_at(plain[name]) >= number:
                return True
            agents(f"{waiting[name]}/api/news", old.api_token, post=True)
            misses[name] = 0
        except (RemoteError, OutsideError) as trouble:
            why[name] = str(trouble)
            misses[name] += 1
        return False

    with ThreadPoolExecutor(8) as pool:
        while waiting and clock.mono_ns() < end_ns:
            have = [
                name for name, has in zip(list(waiting), pool.map(tell, list(waiting)), strict=True) if has
            ]
            done += have
            for name in have:
                del waiting[name]
            if all(misses[name] >= MOST_MISSES for name in waiting):
                break  # nobody else is there
            sleep_s(AGAIN_S)
    for name in waiting:
        say(f"{name} has not got the new key yet: {why.get(name, 'it answers, but has not taken it over')}")
    return done


def _epoch_at(base: str) -> int:
    body = fetch(f"{base}/identity", seconds=PATIENCE_S, most_bytes=MOST_IDENTITY)
    return whole(mapping(json_of(body, base), base).get("epoch", 0), base)
