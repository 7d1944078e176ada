"""A short mark of all that a store holds of an hour, not unpacked: it changes when a record comes late.

A record is known by its place in its agent's chain; whether it lies in a row of its own or in an hour's block
changes nothing. A reading is known by its place in this file.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Mapping

from whichhop.model.units import NS_PER_S
from whichhop.store.chain import pack_seqs, unpack_seqs
from whichhop.store.db import Database, Value

HOUR_NS = 3600 * NS_PER_S
_Part = tuple[bytes | list[int], bytes]
"""Places in a chain, packed or not, and the link that the first of them builds on."""


def hour_marks(db: Database, from_hour: int, to_hour: int) -> dict[int, bytes]:
    """By hour since 1970 the mark of its records and readings, `to_hour` not included; hours without any are
    left out."""
    span = (from_hour, to_hour)
    parts: dict[tuple[int, int, int], list[_Part]] = defaultdict(list)
    for hour, session, chain, seqs, before in db.stream(
        "SELECT hour, session, chain, seqs, before FROM hour WHERE hour >= ? AND hour < ?", span
    ):
        parts[hour, session, chain].append((seqs, before))
    minutes = (from_hour * 60, to_hour * 60)
    for hour, session, chain, seq, before in db.stream(
        "SELECT minute / 60, session, chain, seq, before FROM minute WHERE minute >= ? AND minute < ?",
        minutes,
    ):
        parts[hour, session, chain].append(([seq], before))
    sessions = _names(db.execute("SELECT id, agent, target, method FROM session"))
    origins = _names(db.execute("SELECT id, agent, origin FROM chain"))
    lines: dict[int, list[bytes]] = defaultdict(list)
    for (hour, session, chain), held in parts.items():
        seqs, before = _one(held)
        lines[hour].append(b"\0".join((sessions[session], origins[chain], seqs.hex().encode(), before)))
    for hour, count, total, last in db.stream(
        "SELECT at_ns / ? AS hour, count(*), sum(seq), max(seq) FROM reading"
        " WHERE at_ns >= ? AND at_ns < ? GROUP BY hour",
        (HOUR_NS, from_hour * HOUR_NS, to_hour * HOUR_NS),
    ):
        lines[hour].append(f"readings {count} {total} {last}".encode())
    return {hour: _digest(sorted(found)) for hour, found in lines.items()}


def _one(held: list[_Part]) -> tuple[bytes, bytes]:
    """A session's places of one hour and chain as one run, packed, and the link before the first."""
    if len(held) == 1 and isinstance(held[0][0], bytes):
        return held[0][0], held[0][1]
    opened = [(s if isinstance(s, list) else unpack_seqs(s), before) for s, before in held]
    opened.sort()
    return pack_seqs(sorted(seq for seqs, _ in opened for seq in seqs)), opened[0][1]


def _names(rows: Iterable[tuple[Value, ...]]) -> dict[int, bytes]:
    out = {}
    for number, *words in rows:
        packed = (w if isinstance(w, bytes) else str(w).encode() for w in words)
        out[int(number or 0)] = b"\n".join(packed)
    return out


def _digest(parts: Iterable[bytes]) -> bytes:
    hashed = hashlib.sha256()
    for part in parts:
        hashed.update(len(part).to_bytes(4, "little") + part)
    return hashed.digest()


def marks_digest(marks: Mapping[int, bytes], from_ns: int, to_ns: int, *also: bytes) -> bytes:
    """One digest of the marks of every hour that a span touches, and of what else matters."""
    hours = range(from_ns // HOUR_NS, -(-to_ns // HOUR_NS))
    return _digest([*also, *(hour.to_bytes(8, "little") + marks.get(hour, b"") for hour in hours)])
