"""What a wish for a transfer comes to: one job a direction, or the reason why there is none. Pure."""

from dataclasses import dataclass

from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, Node
from whichhop.model.transfer import DOWNLOADS, UPLOADS, UPSTREAM


class SkippedError(WhichhopError):
    """A transfer that was not begun; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One direction: to or from an agent at `address`, or a URL."""

    peer: str
    way: str
    address: str = ""
    url: str = ""
    load_target: str | None = None


def jobs_of(home: Home, node: Node, peer: str, ways: list[str]) -> list[Job]:
    """What a wish comes to; SkippedError when there is nothing that may be done."""
    if peer == UPSTREAM:
        urls = [(DOWNLOADS, "back", u) for u in home.downloads] + [(UPLOADS, "out", u) for u in home.uploads]
        beside = _load_target(home)
        out = [Job(peer=p, way=w, url=u, load_target=beside) for p, w, u in urls if w in ways]
        if out:
            return out
        own = [a for a in home.anchors if home.nodes[a].clients]
        if not own:
            raise SkippedError(
                "nothing upstream may be transferred to: name targets.downloads or targets.uploads,"
                " or an anchor with an agent of your own (clients)"
            )
        peer = own[0]
    other = home.nodes.get(peer)
    if other is None or not other.has_key or other.address is None:
        able = [n.name for n in home.nodes.values() if n.has_key and n.name != node.name]
        raise SkippedError(
            f"no agent runs on {peer!r}; transfers are possible to: {', '.join(able)}, {UPSTREAM}"
        )
    if peer == node.name:
        raise SkippedError(f"a transfer from {peer} to itself would measure nothing; name another node")
    return [Job(peer=peer, way=w, address=other.address, load_target=peer) for w in ways]


def _load_target(home: Home) -> str | None:
    """Beside a URL: an anchor, else the provider's edge, whatever answers past the access line."""
    upstream = [*home.anchors, PROVIDER_EDGE]
    return next((n for n in upstream if n in home.nodes), None)
