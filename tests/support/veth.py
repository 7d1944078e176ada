"""Two network namespaces joined by a veth pair, made by the test that needs them and always removed."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager

from msgspec import Struct

from support.need import need_program, need_root
from whichhop.net.clock import sleep_s


class Pair(Struct, frozen=True, kw_only=True):
    """Namespace names; addresses are RFC 5737's and RFC 3849's, `.1` and `::1` near, `.2` and `::2` far."""

    near: str
    far: str
    near_v4: str = "192.0.2.1"
    far_v4: str = "192.0.2.2"
    near_v6: str = "2001:db8::1"
    far_v6: str = "2001:db8::2"

    @staticmethod
    def inside(namespace: str, *command: str) -> list[str]:
        """A command as it runs inside a namespace."""
        return ["ip", "netns", "exec", namespace, *command]


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=20)


def _until_up(pair: Pair) -> None:
    """Links come up in the background; a neighbour solicitation lost before costs a second (RFC 4861 10)."""
    for _ in range(100):
        told = [
            subprocess.run(
                ["ip", "-n", name, "-o", *what, "dev", "v0"],
                check=True,
                capture_output=True,
                text=True,
                timeout=20,
            ).stdout
            for name in (pair.near, pair.far)
            for what in (("link", "show"), ("-6", "addr", "show"))
        ]
        if all("state UP" in t for t in told[::2]) and not any("tentative" in t for t in told[1::2]):
            return
        sleep_s(0.05)
    raise RuntimeError("a veth pair did not come up in 5 s")


@contextmanager
def veth_pair() -> Iterator[Pair]:
    need_root()
    need_program("ip")
    stem = f"wn{os.getpid()}"
    pair = Pair(near=f"{stem}a", far=f"{stem}b")
    try:
        for name in (pair.near, pair.far):
            _ip("netns", "add", name)
            _ip("-n", name, "link", "set", "dev", "lo", "up")
        _ip(
            "-n",
            pair.near,
            "link",
            "add",
            "dev",
            "v0",
            "type",
            "veth",
            "peer",
            "name",
            "v0",
            "netns",
            pair.far,
        )
        for name, v4, v6 in ((pair.near, pair.near_v4, pair.near_v6), (pair.far, pair.far_v4, pair.far_v6)):
            _ip("-n", name, "addr", "add", f"{v4}/24", "dev", "v0")
            _ip("-n", name, "addr", "add", f"{v6}/64", "dev", "v0", "nodad")
            _ip("-n", name, "link", "set", "dev", "v0", "up")
        _until_up(pair)
        yield pair
    finally:
        for name in (pair.near, pair.far):
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True, timeout=20)
