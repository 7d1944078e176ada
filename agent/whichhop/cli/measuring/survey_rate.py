"""A short transfer from where the laptop is, through its own agent: rates both ways, or why there is none."""

from typing import Any

from whichhop.app.looks.transfer_order import order_transfer
from whichhop.errors import WhichhopError
from whichhop.model import Home, Node

SILENCE_S = 60.0
SECONDS = 3.0
"""Long enough to be steady on a home's radio; the next room waits."""


def _other_end(home: Home, laptop: Node, target: str) -> str | None:
    """The agent at the target, else the first on the way out, else any other."""
    agents = [n.name for n in home.agents if n.name != laptop.name]
    way = [name for name in home.way_out(laptop.name) if name in agents]
    return target if target in agents else next(iter([*way, *agents]), None)


def rates_of(
    home: Home, laptop: Node, target: str, key: bytes, *, octets: int
) -> tuple[dict[str, float], str]:
    """The rate figures of `model.room.RoomResult`, and why there are none where there are none."""
    other_end = _other_end(home, laptop, target)
    if other_end is None:
        return {}, "no other node of the home runs an agent"
    try:
        return _figures(_ask(home, laptop, other_end, key, octets)), ""
    except WhichhopError as trouble:
        return {}, str(trouble)


def _ask(home: Home, laptop: Node, other_end: str, key: bytes, octets: int) -> list[dict[str, Any]]:
    return order_transfer(
        laptop.address or "",
        home.ports.transfer,
        key,
        lambda _said: None,
        silence_s=SILENCE_S,
        other_end=other_end,
        ways=["out", "back"],
        streams=1,
        seconds=SECONDS,
        octets=octets,
        anyway=False,
    )


def _figures(results: list[dict[str, Any]]) -> dict[str, float]:
    out: dict[str, float] = {}
    for r in results:
        way = "up" if r["way"] == "out" else "down"
        out[f"{way}_bps"] = float(r["rate_bps"])
        out[f"{way}_at_least"] = float(bool(r["at_least"]))
        if r.get("spread") is not None:
            out[f"{way}_spread"] = float(r["spread"])
    return out
