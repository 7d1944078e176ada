"""Which key each agent of the home had when it was met: a small file beside the home file, ending in .agents.

An agent that joined by a code is written there with its certificate, so that nobody else is taken for it.
"""

from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from whichhop.config.files import replace_file
from whichhop.errors import WhichhopError
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
    """The agents that were met; empty without a file. WhichhopError for one that cannot be read."""
    try:
        with path.open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)
    except FileNotFoundError:
        return KnownAgents()
    except OSError as why:
        raise WhichhopError(f"{path}: cannot be read ({why.strerror}); check its owner") from why
    return typed(octets, str(path), KnownAgents, most=MOST_OCTETS, remedy="remove it: agents are met again")


def write_known(path: Path, known: KnownAgents) -> None:
    """Keep them; WriteError when that cannot be."""
    replace_file(path, msgspec.json.format(msgspec.json.encode(known)).decode() + "\n")
