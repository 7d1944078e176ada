"""Which key each agent of the home had when it was met: a small file beside the home file, ending in .agents.

An agent that joined by a code is written there with its certificate, so that nobody else is taken for it.
"""

import os
from collections.abc import Mapping
from pathlib import Path

import msgspec
from msgspec import Struct, field

from whichhop.config.files import WriteError, read_small, replace_file
from whichhop.outside import typed

MOST_OCTETS = 1 << 20
VARIABLE = "WHICHHOP_AGENTS"
"""Set by the daemon for its children: a file beside its records, for a unit that may not write elsewhere."""


class KnownAgents(Struct, frozen=True, kw_only=True):
    """certificates: by agent, PEM."""

    certificates: dict[str, str] = field(default_factory=dict)


def known_agents_path(home_file: Path) -> Path:
    """Beside the home file, as its key is."""
    return home_file.with_suffix(".agents")


def _read(path: Path) -> dict[str, str]:
    octets = read_small(path, MOST_OCTETS)
    if octets is None:
        return {}
    form, remedy = KnownAgents, "remove it: agents are met again"
    return typed(octets, str(path), form, most=MOST_OCTETS, remedy=remedy).certificates


def read_known(path: Path, environ: Mapping[str, str] = os.environ) -> KnownAgents:
    """The agents that were met; empty without a file. ReadError or OutsideError when it cannot be read.

    What stands beside the home file goes before what the daemon keeps beside its records.
    """
    beside = _read(Path(environ[VARIABLE])) if environ.get(VARIABLE) else {}
    return KnownAgents(certificates=beside | _read(path))


def write_known(path: Path, known: KnownAgents, environ: Mapping[str, str] = os.environ) -> None:
    """Keep them, else beside the daemon's records; WriteError when neither can be."""
    text = msgspec.json.format(msgspec.json.encode(known)).decode() + "\n"
    try:
        replace_file(path, text)
    except WriteError:
        if not environ.get(VARIABLE):
            raise
        replace_file(Path(environ[VARIABLE]), text)
