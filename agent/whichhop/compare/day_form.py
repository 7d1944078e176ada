"""A judged day in few octets and back. Pure."""

from typing import Any

import msgspec
import numpy as np
from msgspec.structs import replace

from whichhop.compare.day_judging import DayJudged, DaySpan, Stood
from whichhop.compare.standing.watch import Expected
from whichhop.compare.windows.compact import Packed, packed, unpacked
from whichhop.compare.windows.reporting import AsideTicks
from whichhop.model import Level, SessionKey, Verdict

_NUMBERS = tuple(name for name in Expected.__struct_fields__ if name != "sessions")


class _Stood(msgspec.Struct, frozen=True):
    verdict: Verdict
    keys: list[SessionKey]
    expected: dict[str, list[float]]


class _Form(msgspec.Struct, frozen=True):
    span: DaySpan
    step_ns: int
    first_ns: int
    last_ns: int
    seen_ns: int
    changed: list[Verdict]
    stood: list[_Stood]
    levels: list[Level]
    beginning: bool
    packets: int
    heard: list[SessionKey]
    spoke: list[SessionKey]
    answered: list[SessionKey]
    coarse: bool
    stamps: list[tuple[SessionKey, list[str]]]
    clocks: dict[str, float]
    aside: dict[str, AsideTicks]
    columns: list[SessionKey]
    ticks: int
    speaks: Packed
    use: Packed


_PLAIN = ("span", "step_ns", "first_ns", "last_ns", "seen_ns", "beginning", "packets", "coarse")


def day_octets(day: DayJudged) -> bytes:
    """Everything of a judged day."""
    plain: dict[str, Any] = {name: getattr(day, name) for name in _PLAIN}
    form = _Form(
        **plain,
        changed=list(day.changed),
        stood=[_stood_form(one) for one in day.stood],
        levels=list(day.levels),
        heard=list(day.heard),
        spoke=list(day.spoke),
        answered=list(day.answered),
        stamps=[(key, sorted(groups)) for key, groups in day.stamps.items()],
        clocks=dict(day.clocks),
        aside=dict(day.aside),
        columns=list(day.columns),
        ticks=len(day.use),
        speaks=packed(np.packbits(day.speaks)),
        use=packed(day.use),
    )
    return msgspec.msgpack.encode(form)


def day_of(octets: bytes) -> DayJudged:
    """The day again; one of `compact.UNREADABLE` where these are no such octets."""
    form = msgspec.msgpack.decode(octets, type=_Form)
    plain: dict[str, Any] = {name: getattr(form, name) for name in _PLAIN}
    shape = (form.ticks, len(form.columns))
    bits = unpacked(form.speaks, np.uint8, (-(-shape[0] * shape[1] // 8),))
    return DayJudged(
        **plain,
        changed=tuple(form.changed),
        stood=tuple(_stood_of(one) for one in form.stood),
        levels=tuple(form.levels),
        heard=tuple(form.heard),
        spoke=tuple(form.spoke),
        answered=tuple(form.answered),
        stamps={key: frozenset(groups) for key, groups in form.stamps},
        clocks=form.clocks,
        aside=form.aside,
        columns=tuple(form.columns),
        speaks=np.unpackbits(bits, count=shape[0] * shape[1]).astype(bool).reshape(shape),
        use=unpacked(form.use, np.float64, (form.ticks,)),
    )


def _stood_form(one: Stood) -> _Stood:
    numbers = {} if one.expected is None else {n: getattr(one.expected, n).tolist() for n in _NUMBERS}
    return _Stood(verdict=one.verdict, keys=list(one.keys), expected=numbers)


def _stood_of(form: _Stood) -> Stood:
    one = Stood(verdict=form.verdict, keys=tuple(form.keys))
    if not form.expected:
        return one
    numbers: dict[str, Any] = {name: np.array(form.expected[name], dtype=np.float64) for name in _NUMBERS}
    expected = Expected(sessions=tuple(range(len(form.keys))), **numbers)
    return replace(one, expected=expected)
