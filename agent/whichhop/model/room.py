"""What a laptop measured in one room of a walk, and the stored readings it becomes and comes back from."""

from collections.abc import Iterable

from msgspec import Struct
from msgspec.structs import fields

from whichhop.model.record import Reading

PREFIX = "survey/"
"""Names are "survey/WALK/ROOM/TARGET/FIGURE": bounded by what somebody typed."""


class RoomResult(Struct, frozen=True, kw_only=True):
    """One room. sent, lost: packets to `target`; unsent: those that could not leave, as without any network.

    p50_s with its 95 % interval and p95_s: round trips of the answered, seconds; None where too few came.
    down_bps, up_bps: TCP payload toward and from the laptop, None without a transfer; *_spread: how far its
    last slots lay apart, as a ratio; *_at_least: 1 where something but the path was the limit, else 0.
    """

    walk: str
    room: str
    at_ns: int
    agent: str
    target: str
    sent: int
    lost: int
    unsent: int = 0
    p50_s: float | None = None
    p50_low_s: float | None = None
    p50_high_s: float | None = None
    p95_s: float | None = None
    down_bps: float | None = None
    up_bps: float | None = None
    down_spread: float | None = None
    up_spread: float | None = None
    down_at_least: float | None = None
    up_at_least: float | None = None

    @property
    def answered(self) -> int:
        """Packets that came back in time."""
        return self.sent - self.lost


_NAMED = ("walk", "room", "at_ns", "agent", "target")
_COUNTS = ("sent", "lost", "unsent")
FIGURES = tuple(f.name for f in fields(RoomResult) if f.name not in _NAMED)


def usable_name(text: str) -> bool:
    """True for a name of a walk or room that a reading can carry."""
    return 0 < len(text) <= 40 and "/" not in text and text.isprintable() and text == text.strip()


def to_readings(result: RoomResult) -> tuple[Reading, ...]:
    """One stored value for each figure that is known."""
    head = f"{PREFIX}{result.walk}/{result.room}/{result.target}/"
    return tuple(
        Reading(at_ns=result.at_ns, agent=result.agent, name=head + name, value=float(value))
        for name in FIGURES
        if (value := getattr(result, name)) is not None
    )


def from_readings(readings: Iterable[Reading]) -> tuple[RoomResult, ...]:
    """The results among some readings, in the order of time; without a count of packets there is none."""
    found: dict[tuple[str, str, int, str, str], dict[str, float]] = {}
    for reading in readings:
        parts = reading.name.split("/")
        if len(parts) == 5 and reading.name.startswith(PREFIX) and parts[4] in FIGURES:
            _, walk, room, target, figure = parts
            found.setdefault((walk, room, reading.at_ns, reading.agent, target), {})[figure] = reading.value
    out = [
        RoomResult(
            **dict(zip(_NAMED, at, strict=True)),  # type: ignore[arg-type]
            **{n: int(v) if n in _COUNTS else v for n, v in figures.items()},  # type: ignore[arg-type]
        )
        for at, figures in found.items()
        if {"sent", "lost"} <= figures.keys()
    ]
    return tuple(sorted(out, key=lambda r: (r.at_ns, r.room)))


def newest_of(results: Iterable[RoomResult], walk: str) -> tuple[RoomResult, ...]:
    """A walk's rooms, each once: where a room was measured twice, the later counts."""
    by_room = {r.room: r for r in sorted(results, key=lambda r: r.at_ns) if r.walk == walk}
    return tuple(sorted(by_room.values(), key=lambda r: r.at_ns))
