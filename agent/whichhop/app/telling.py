"""Tells the home's running agents that the home file has changed, so that they look at once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from whichhop.app.agent_addresses import tls_addresses_of
from whichhop.app.agents_fetch import AgentsFetch
from whichhop.config.check import read_home
from whichhop.config.keys import derive_keys, read_key
from whichhop.errors import RemoteError

PATIENCE_S = 5.0


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
