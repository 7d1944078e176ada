"""What a wish for a transfer comes to, one job a direction or the reason why not; and runs its process."""

from collections.abc import Callable
from typing import Any

import msgspec
from msgspec import Struct

from whichhop.errors import LONGEST_COMPLAINT, RemoteError, WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, Node
from whichhop.model.transfer import DOWNLOADS, UPLOADS, UPSTREAM
from whichhop.net.child import LONGEST_LINE, RunChild, our_module
from whichhop.outside import json_of, mapping
from whichhop.probes.transfer_talk import AskSpec, FetchSpec

CHILD_MOST_S = 60.0
WHO = "the process that moves the data"

Tell = Callable[[dict[str, Any]], None]


class SkippedError(WhichhopError):
    """A transfer that was not begun; the text says why."""


class Job(Struct, frozen=True, kw_only=True):
    """One direction: to or from an agent at `address`, or a URL."""

    other_end: str
    way: str
    address: str = ""
    url: str = ""
    load_target: str | None = None


def jobs_of(home: Home, node: Node, other_end: str, ways: list[str]) -> list[Job]:
    """What a wish comes to; SkippedError when there is nothing that may be done."""
    if other_end == UPSTREAM:
        urls = [(DOWNLOADS, "back", u) for u in home.downloads] + [(UPLOADS, "out", u) for u in home.uploads]
        beside = _load_target(home)
        out = [Job(other_end=p, way=w, url=u, load_target=beside) for p, w, u in urls if w in ways]
        if out:
            return out
        own = [a for a in home.peers if home.nodes[a].clients]
        if not own:
            raise SkippedError(
                "nothing upstream may be transferred to: name targets.downloads or targets.uploads,"
                " or a peer with an agent of your own (clients)"
            )
        other_end = own[0]
    other = home.nodes.get(other_end)
    if other is None or not other.has_key or other.address is None:
        able = [n.name for n in home.nodes.values() if n.has_key and n.name != node.name]
        raise SkippedError(
            f"no agent runs on {other_end!r}; transfers are possible to: {', '.join(able)}, {UPSTREAM}"
        )
    if other_end == node.name:
        raise SkippedError(f"a transfer from {other_end} to itself would measure nothing; name another node")
    return [Job(other_end=other_end, way=w, address=other.address, load_target=other_end) for w in ways]


def _load_target(home: Home) -> str | None:
    """Beside a URL: a peer, else the provider's edge, whatever answers past the access line."""
    upstream = [*home.peers, PROVIDER_EDGE]
    return next((n for n in upstream if n in home.nodes), None)


class NeverBegunError(Exception):
    """Nothing was sent, so nothing is charged."""


async def move(spec: AskSpec | FetchSpec, tell: Tell, run: RunChild) -> dict[str, Any]:
    """What it says at its end; NeverBegunError when nothing was sent, RemoteError when it broke off."""
    module = "http_child" if isinstance(spec, FetchSpec) else "transfer_child"
    said: dict[str, Any] = {}

    def hear(line: bytes) -> None:
        nonlocal said
        said = mapping(json_of(line, WHO, most=LONGEST_LINE), WHO)
        if "progress" in said:
            tell(said)

    argv, given = our_module(f"whichhop.probes.{module}"), msgspec.json.encode(spec) + b"\n"
    try:
        ended = await run(argv, given=given, most_s=CHILD_MOST_S, hear=hear)
    except TimeoutError:
        raise RemoteError(f"not done within {CHILD_MOST_S:g} s") from None
    if "done" in said:
        return mapping(said["done"], WHO)
    text = str(said.get("failed") or f"{WHO} ended with code {ended.code}: {ended.last_error()}")
    text = text[:LONGEST_COMPLAINT]  # a server's words may be among them
    if said.get("began") is False:
        raise NeverBegunError(text)
    raise RemoteError(text)
