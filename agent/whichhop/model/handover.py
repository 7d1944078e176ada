"""What the daemon is handed by the child process that read the home file and its key."""

import hashlib
from collections.abc import Iterable

from msgspec import Struct, field

from whichhop.model.home import Home


class Handover(Struct, frozen=True, kw_only=True):
    """A checked home and the keys derived for each purpose, as hexadecimal text."""

    home: Home
    api_token: str
    stamp_key: str
    transfer_key: str
    certificate: str
    secret: str
    """This agent's own certificate and key, PEM; see config/identity.py."""
    page_password: str
    """Of page, metrics and bulletin; "" where the home leaves them open."""
    identity: str
    """What the agent says of itself to whoever asks, JSON."""
    maker: str
    own_key: str
    """Fingerprints of the key that signs the home's reports, and of this agent's own."""
    known: dict[str, str] = field(default_factory=dict)
    """Of the agents that have been met, each one's certificate; see config/known_agents.py."""
    known_keys: dict[str, str] = field(default_factory=dict)
    """The same agents' names by their keys' fingerprints."""
    epoch: int = 0
    """How often the home's key was made anew; see config/epochs.py."""


DIGITS = 16


def agents_digest(names: Iterable[str]) -> str:
    """Of agents' names in any order, hexadecimal; it tells no name."""
    return hashlib.sha256("\n".join(sorted(names)).encode()).hexdigest()[:DIGITS]
