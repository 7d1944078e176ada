"""Which key each agent of the home had when it was met: a small file beside the home file, ending in .agents.

An agent that joined by a code is written there with its certificate, so that nobody else is taken for it.
"""

from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from whichhop.config.files import read_small, replace_file
from whichhop.outside import typed

MOST_OCTETS = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAgents:
    """certificates: by agent, PEM."""

    certificates: dict[str, str] = field(default_factory=dict)


def known_agents_path(home_file: Path) -> Path:
    """Beside the home file, as its key is."""
    return home_file.with_suffix(".agents")


def read_known(path: Path) -> KnownAgents:
    """The agents that were met; empty without a file. ReadError or OutsideError when it cannot be read."""
    octets = read_small(path, MOST_OCTETS)
    if octets is None:
        return KnownAgents()
    return typed(octets, str(path), KnownAgents, most=MOST_OCTETS, remedy="remove it: agents are met again")


def write_known(path: Path, known: KnownAgents) -> None:
    """Keep them; WriteError when that cannot be."""
    replace_file(path, msgspec.json.format(msgspec.json.encode(known)).decode() + "\n")
