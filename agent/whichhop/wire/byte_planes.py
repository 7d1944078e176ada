"""Whole numbers in few bytes: one by one (seven bits a byte, zigzag), or a column as byte planes; exact.

A column is reduced to unsigned residues: the values' greatest common divisor is divided out (times settled
to 5 us are multiples of 5000 ns), then either the least value or the least step from one value to the next
is taken off, whichever leaves the shorter numbers. The residues are written plane by plane, lowest bytes
first: delay noise fills one or two planes, and the planes above hold almost only zeros.
"""

import sys
from array import array
from collections.abc import Sequence
from enum import IntEnum
from itertools import accumulate, pairwise
from math import gcd

from msgspec import Struct

from whichhop.errors import DataError

_MAX_BYTES = 10  # 70 bits hold any 64-bit value; a longer run is damage, not a number

_STEPS_LIMIT = 1 << 62  # steps stay well inside 64 bits, so that any reader may sum them in 64-bit integers


def put_unsigned(out: bytearray, value: int) -> None:
    """Append a number that is not negative and below 2**70."""
    if not 0 <= value < 1 << (7 * _MAX_BYTES):
        raise DataError(f"the number {value} does not fit a record; keep it within 64 bits")
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)


def put_signed(out: bytearray, value: int) -> None:
    """Append any number within 64 bits; small ones of either sign stay short."""
    put_unsigned(out, value << 1 if value >= 0 else (-value << 1) - 1)


def put_text(out: bytearray, text: str) -> None:
    """Append a text: its length in bytes, then UTF-8."""
    data = text.encode("utf-8")
    put_unsigned(out, len(data))
    out += data


class Reader:
    """Walks bytes from the front; every way to run past the end is a DataError with a reason."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def unsigned(self) -> int:
        """The next number."""
        if self.at < len(self.data) and (only := self.data[self.at]) < 0x80:  # most are one byte long
            self.at += 1
            return only
        value = 0
        for place in range(_MAX_BYTES):
            if self.at >= len(self.data):
                raise DataError("packed record is damaged: it ends inside a number")
            byte = self.data[self.at]
            self.at += 1
            value |= (byte & 0x7F) << (7 * place)
            if byte < 0x80:
                return value
        raise DataError("packed record is damaged: a number runs on for more than 64 bits")

    def signed(self) -> int:
        """The next number, with its sign."""
        folded = self.unsigned()
        return folded >> 1 if folded & 1 == 0 else -((folded + 1) >> 1)

    def take(self, count: int) -> bytes:
        """The next `count` bytes."""
        if count > len(self.data) - self.at:
            raise DataError(f"packed record is damaged: {count} bytes wanted, fewer are left")
        self.at += count
        return self.data[self.at - count : self.at]

    def text(self) -> str:
        """The next text."""
        try:
            return self.take(self.unsigned()).decode("utf-8")
        except UnicodeDecodeError:
            raise DataError("packed record is damaged: a name is not UTF-8") from None


class BytePlanes(Struct, frozen=True, kw_only=True):
    """A column taken apart: value[i] = unit * (least + residue[i]), or the running sum of that from `first`.

    planes: `width` runs of `count` bytes each, lowest byte of the residues first.
    """

    unit: int
    stepwise: bool
    first: int
    least: int
    width: int
    count: int
    planes: bytes

    def runs(self) -> list[bytes]:
        """The planes one by one."""
        return [self.planes[at * self.count : (at + 1) * self.count] for at in range(self.width)]

    @property
    def total(self) -> int:
        """How many values come back: a stepwise column has its first value beside its steps."""
        return self.count + 1 if self.stepwise else self.count


def _to_planes(residues: Sequence[int]) -> tuple[int, bytes]:
    width = (max(residues, default=0).bit_length() + 7) // 8
    wide = array("Q", residues)
    if sys.byteorder == "big":
        wide.byteswap()
    raw = wide.tobytes()
    return width, b"".join(raw[place::8] for place in range(width))


def take_apart(values: Sequence[int]) -> BytePlanes:
    """The planes of a column of 64-bit whole numbers."""
    unit = gcd(*values) or 1
    scaled = [v // unit for v in values] if unit != 1 else list(values)
    least = min(scaled, default=0)
    plain = [v - least for v in scaled]
    if len(scaled) > 2:
        steps = [b - a for a, b in pairwise(scaled)]
        least_step = min(steps)
        residues = [s - least_step for s in steps]
        fits = max(map(abs, steps)) < _STEPS_LIMIT
        if fits and sum(map(int.bit_length, residues)) < sum(map(int.bit_length, plain)):
            width, planes = _to_planes(residues)
            return BytePlanes(
                unit=unit,
                stepwise=True,
                first=scaled[0],
                least=least_step,
                width=width,
                count=len(residues),
                planes=planes,
            )
    width, planes = _to_planes(plain)
    return BytePlanes(
        unit=unit, stepwise=False, first=0, least=least, width=width, count=len(plain), planes=planes
    )


def put_together(column: BytePlanes) -> "array[int]":
    """The column's values, as an array of 64-bit signed numbers."""
    wide = bytearray(8 * column.count)
    for place in range(column.width):
        wide[place::8] = column.planes[place * column.count : (place + 1) * column.count]
    residues = array("Q")
    residues.frombytes(bytes(wide))
    if sys.byteorder == "big":
        residues.byteswap()
    unit, least = column.unit, column.least
    try:
        if column.stepwise:
            steps = (least + r for r in residues)
            return array("q", [unit * v for v in accumulate(steps, initial=column.first)])
        return array("q", [unit * (least + r) for r in residues])
    except OverflowError:
        raise DataError("packed record is damaged: a time does not fit 64 bits") from None


def put_head(out: bytearray, column: BytePlanes) -> None:
    """Append what a reader must know before it meets the planes."""
    put_unsigned(out, column.unit << 1 | column.stepwise)
    if column.stepwise:
        put_signed(out, column.first)
    put_signed(out, column.least)
    out.append(column.width)


def read_column(head: Reader, body: Reader, total: int) -> BytePlanes:
    """A column of `total` values: its head from one reader, its planes from another."""
    flags = head.unsigned()
    if flags >> 1 == 0:
        raise DataError("packed record is damaged: a unit of nothing")
    stepwise = bool(flags & 1)
    first = head.signed() if stepwise else 0
    least = head.signed()
    (width,) = head.take(1)
    if width > 8:
        raise DataError(f"packed record is damaged: a number of {width} bytes")
    if stepwise and total < 1:
        raise DataError("packed record is damaged: steps without a first value")
    count = total - 1 if stepwise else total
    return BytePlanes(
        unit=flags >> 1,
        stepwise=stepwise,
        first=first,
        least=least,
        width=width,
        count=count,
        planes=body.take(width * count),
    )


class Presence(IntEnum):
    """Which values of a column are there. The numbers are stored: never renumber."""

    NONE = 0
    ALL = 1
    TOLD = 2
    """Told by a byte a value."""
    USUAL = 3
    """Where the usual pattern says so: a delay is there just where an answer came."""


def put_optional(head: bytearray, values: Sequence[int], absent: int, usual: bytes) -> list[bytes]:
    """Append the head of a column in which some values may be absent; returns its runs of bytes.

    usual: a byte a value, 1 where a value is to be expected.
    """
    there = [v for v in values if v != absent]
    pattern = bytes(v != absent for v in values)
    if len(there) == len(values):
        presence = Presence.ALL
    elif not there:
        presence = Presence.NONE
    else:
        presence = Presence.USUAL if pattern == usual else Presence.TOLD
    put_unsigned(head, presence)
    runs = [pattern] if presence is Presence.TOLD else []
    if presence is not Presence.NONE:
        column = take_apart(there)
        put_head(head, column)
        runs += column.runs()
    return runs


class Optional(Struct, frozen=True, kw_only=True):
    """A column with absences: `there` is one byte a value (1 present), or None when all or none are."""

    total: int
    there: bytes | None
    column: BytePlanes | None


def read_optional(head: Reader, body: Reader, total: int, usual: bytes) -> Optional:
    """What `put_optional` wrote."""
    presence = head.unsigned()
    if presence == Presence.NONE:
        return Optional(total=total, there=None, column=None)
    if presence == Presence.ALL:
        return Optional(total=total, there=None, column=read_column(head, body, total))
    if presence == Presence.TOLD:
        there = body.take(total)
        if there.translate(None, b"\0\x01"):
            raise DataError("packed record is damaged: a presence is neither 0 nor 1")
    elif presence == Presence.USUAL:
        there = usual
    else:
        raise DataError(f"packed record is damaged: no presence has the number {presence}")
    # Absences are few: counting them is quick, while counting what is there looks anew after each hit.
    return Optional(total=total, there=there, column=read_column(head, body, total - there.count(0)))


def fill_absent(column: Optional, absent: int) -> "array[int]":
    """The values with `absent` where there is none."""
    if column.column is None:
        return array("q", [absent]) * column.total
    values = put_together(column.column)
    if column.there is None:
        return values
    following = iter(values)
    return array("q", [next(following) if there else absent for there in column.there])
