"""The machine's own network, for the one thing that tests do in it: pip asks package registries."""

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

from whichhop.lab.build import kernel

_network: list[int] = []


def keep_network() -> None:
    """Remember the network that this process has now, before it takes one of its own."""
    if not _network:
        _network.append(os.open("/proc/self/ns/net", os.O_RDONLY | os.O_CLOEXEC))


def _enter() -> None:
    kernel.set_namespace(_network[0], kernel.CLONE_NEWNET)


def ask_registry(argv: Sequence[str | Path], env: dict[str, str]) -> "subprocess.CompletedProcess[str]":
    """Run a command, one of pip's, in the machine's network."""
    enter = _enter if _network and os.geteuid() == 0 else None
    return subprocess.run(
        argv,
        capture_output=True,
        text=True,
        check=False,
        env=env,
        preexec_fn=enter,
    )
