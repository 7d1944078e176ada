"""How an agent is started: which home, which node, where its store and its key are."""

import os
from pathlib import Path

from msgspec import Struct

from whichhop.model import Home
from whichhop.net.child import our_module


class RunOptions(Struct, frozen=True, kw_only=True):
    """What `whichhop run` was told; `key_file` None means beside the home file."""

    home_file: Path
    node: str
    store: Path
    key_file: Path | None = None
    compare: bool = False
    """Run the comparer beside the agent."""

    @property
    def key_in_use(self) -> Path | None:
        """The key file for whoever is started by the daemon: the one beside the records where that is newer.

        It is there only where a new key could not be written beside the home file.
        """
        beside = self.store.with_suffix(".key")
        return beside if beside.exists() and self.store.with_suffix(".revoked").exists() else self.key_file

    def meeting(self, home: Home, address: str) -> list[str]:
        """The command line of a child that meets the agent at an address, of this home."""
        agents = ",".join(node.name for node in home.agents)
        ports = str(home.ports.api), str(home.ports.tls)
        words = str(self.home_file), str(self.key_in_use or ""), *ports, agents, address
        return our_module("whichhop.app.agents.meeting", *words)

    @property
    def identity_file(self) -> Path:
        """Where the agent keeps its own key: beside its records, readable by nobody else."""
        return self.store.with_suffix(".identity")


def default_store(node: str, environ: "os._Environ[str] | dict[str, str]" = os.environ) -> Path:
    """Where a node's records go unless told: the service's own folder, else the user's state folder."""
    if "STATE_DIRECTORY" in environ:
        # systemd gives several folders separated by colons when several are configured (systemd.exec, 5).
        folder = Path(environ["STATE_DIRECTORY"].partition(":")[0])
    else:
        folder = Path(environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "whichhop"
    return folder / f"{node}.db"
