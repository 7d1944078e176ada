"""Runs a command with the caller's own terminal inside a node of a running home; it ends with the home."""

import contextlib
import os
import signal
import subprocess
from collections.abc import Sequence
from pathlib import Path

from whichhop.errors import SystemRefusedError
from whichhop.lab.build import folders, kernel

_KINDS = (("mnt", kernel.CLONE_NEWNS), ("pid", kernel.CLONE_NEWPID))


def choose(base: Path, token: str | None) -> tuple[Path, folders.About] | None:
    """The running home that is meant, None when none runs; SystemRefusedError when that is not clear."""
    homes = list(folders.running(base))
    if token is not None:
        homes = [(folder, about) for folder, about in homes if about.token == token]
        if not homes:
            raise SystemRefusedError(f"no emulated home {token} runs; leave --token out to see or start one")
    if len(homes) > 1:
        tokens = ", ".join(about.token for _, about in homes)
        raise SystemRefusedError(f"{len(homes)} emulated homes run ({tokens}); choose one with --token")
    return homes[0] if homes else None


def run_inside(about: folders.About, node: str, argv: Sequence[str]) -> int:
    """Run a command in a node and wait for it; its exit code. Changes this process's namespaces for good."""
    if node not in about.spaces:
        raise SystemRefusedError(f"no node named {node!r}; the nodes are: {', '.join(about.spaces)}")
    here = Path.cwd()
    process = Path("/proc", str(about.inner))
    try:
        net = os.open(process / "fd" / str(about.spaces[node]), os.O_RDONLY)
        spaces = [(os.open(process / "ns" / name, os.O_RDONLY), kind) for name, kind in _KINDS]
        if about.own_users:
            spaces.insert(0, (os.open(process / "ns" / "user", os.O_RDONLY), kernel.CLONE_NEWUSER))
        spaces.insert(-2, (net, kernel.CLONE_NEWNET))
        for fd, kind in spaces:
            kernel.set_namespace(fd, kind)
    except OSError as trouble:
        raise SystemRefusedError(
            f"cannot enter {node} of home {about.token} ({trouble.strerror}); be the user who started it"
        ) from None
    with contextlib.suppress(OSError):
        os.chdir(here)

    def see_own_devices() -> None:
        kernel.unshare(kernel.CLONE_NEWNS)
        kernel.keep_mounts_private()
        with contextlib.suppress(OSError):
            kernel.mount("sysfs", "/sys")

    # Ctrl-C is for the command; this process only waits for it.
    old = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        child = subprocess.Popen(argv, preexec_fn=see_own_devices)  # noqa: S603, PLW1509 - one thread
        return child.wait()
    except OSError as trouble:
        raise SystemRefusedError(f"{argv[0]}: {trouble.strerror}; give a program of this machine") from None
    finally:
        signal.signal(signal.SIGINT, old)
