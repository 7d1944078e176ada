"""A day's windows, and what its sessions' samples came to, in few octets and back to the last bit. Pure."""

import math
import zlib
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import COUNTS, QUANTILES, WindowTable, empty_table
from whichhop.compare.windows.tally import Tally
from whichhop.model import SessionKey

LEVEL = 1
"""Of zlib: more takes several times as long for a tenth less."""
WORTH = 0.8
"""Octets that shrink by less than a fifth stay as they are."""
UNREADABLE = (
    msgspec.MsgspecError,
    zlib.error,
    ValueError,
    TypeError,
    IndexError,
    KeyError,
    OverflowError,
    MemoryError,
)
"""What octets give that nobody wrote in this form."""


class Packed(msgspec.Struct, frozen=True):
    """An array as it is kept; dtype: of the values inside. planes: each octet of all values side by side,
    squeezed where that is worth it and as long as there are values where not."""

    dtype: str
    planes: list[bytes]


class _Form(msgspec.Struct, frozen=True):
    sessions: list[SessionKey]
    start_ns: int
    step_ns: int
    ticks: int
    coarse: bool
    stamps: list[tuple[SessionKey, list[str]]]
    ahead_s: list[tuple[SessionKey, float]]
    arrays: list[Packed]
    tallies: list[Tally]


def packed(values: NDArray[Any]) -> Packed:
    """An array's values: counts in the least octets that hold them, numbers by the place of their octets.

    The lower octets of a delay are noise: squeezing them gains nothing and costs most of the time.
    """
    small = values
    if values.dtype == np.uint16 and (not values.size or values.max() < 256):
        small = values.astype(np.uint8)
    flat = np.ascontiguousarray(small).reshape(-1).view(np.uint8).reshape(-1, small.dtype.itemsize)
    planes = []
    for place in range(small.dtype.itemsize):
        plain = flat[:, place].tobytes()
        squeezed = zlib.compress(plain, LEVEL)
        planes.append(squeezed if len(squeezed) < WORTH * len(plain) else plain)
    return Packed(dtype=small.dtype.str, planes=planes)


def unpacked(held: Packed, dtype: Any, shape: tuple[int, ...]) -> NDArray[Any]:
    """The same values again, as many as the shape has."""
    small = np.dtype(held.dtype)
    if small.kind not in "uf" or len(held.planes) != small.itemsize:
        raise ValueError(held.dtype)
    count = math.prod(shape)
    flat = np.empty((count, small.itemsize), np.uint8)
    for place, octets in enumerate(held.planes):
        flat[:, place] = np.frombuffer(octets if len(octets) == count else zlib.decompress(octets), np.uint8)
    return np.asarray(flat.reshape(-1).view(small).reshape(shape).astype(dtype, copy=False))


def folded(table: WindowTable, tallies: Sequence[Tally]) -> bytes:
    """Everything of a table but the source of its seconds."""
    form = _Form(
        sessions=list(table.sessions),
        start_ns=table.start_ns,
        step_ns=table.step_ns,
        ticks=table.ticks,
        coarse=table.coarse,
        stamps=[(key, sorted(groups)) for key, groups in table.stamps.items()],
        ahead_s=list(table.ahead_s.items()),
        arrays=[packed(getattr(table, name)) for name in (*COUNTS, *QUANTILES)],
        tallies=list(tallies),
    )
    return msgspec.msgpack.encode(form)


def unfolded(octets: bytes) -> tuple[WindowTable, tuple[Tally, ...]]:
    """The table and tallies again; one of UNREADABLE where these are no such octets."""
    form = msgspec.msgpack.decode(octets, type=_Form)
    shape = (form.ticks, len(form.sessions))
    empty = empty_table(form.sessions, form.start_ns, 0, form.step_ns)
    arrays: dict[str, Any] = {
        name: unpacked(held, getattr(empty, name).dtype, shape)
        for name, held in zip((*COUNTS, *QUANTILES), form.arrays, strict=True)
    }
    table = WindowTable(
        sessions=tuple(form.sessions),
        start_ns=form.start_ns,
        step_ns=form.step_ns,
        coarse=form.coarse,
        stamps={key: frozenset(groups) for key, groups in form.stamps},
        ahead_s=dict(form.ahead_s),
        **arrays,
    )
    return table, tuple(form.tallies)
