"""Fault words as a person types them, such as `delay 50ms jitter 20ms up`, to an Effect and back."""

import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from whichhop.errors import WhichhopError
from whichhop.lab.scenario import Effect, FaultWay

_NUMBER = re.compile(r"(\d+(?:\.\d+)?(?:e-?\d+)?)([a-z%]*)\Z")
_TIME_UNITS = {"us": 1e-6, "ms": 1e-3, "s": 1.0}
_RATE_UNITS = {"bps": 1, "kbps": 1_000, "mbps": 1_000_000, "gbps": 1_000_000_000}
LONGEST_S = 60.0
FASTEST_BPS = 100_000_000_000


class FaultWordsError(WhichhopError):
    """Words that name no fault; the text says which word, and what is understood."""


def _split(kind: str, word: str) -> tuple[float, str]:
    match = _NUMBER.match(word.lower())
    if match is None:
        raise FaultWordsError(f"{kind}: {word!r} is not a number with a unit")
    return float(match[1]), match[2]


def _time_s(kind: str, word: str) -> float:
    value, unit = _split(kind, word)
    if unit not in _TIME_UNITS:
        raise FaultWordsError(f"{kind}: {word!r} needs a unit of time: {', '.join(_TIME_UNITS)}")
    seconds = value * _TIME_UNITS[unit]
    if seconds > LONGEST_S:
        raise FaultWordsError(f"{kind}: {word!r} is longer than {LONGEST_S:.0f} s; for that long use outage")
    return seconds


def _share(kind: str, word: str) -> float:
    value, unit = _split(kind, word)
    if unit not in ("", "%"):
        raise FaultWordsError(f"{kind}: {word!r} must be a share such as 5% or 0.05")
    share = value / 100 if unit == "%" else value
    if share > 1:
        raise FaultWordsError(f"{kind}: {word!r} is more than everything; write 5% or 0.05 for one in twenty")
    return share


def _rate_bps(kind: str, word: str) -> int:
    value, unit = _split(kind, word)
    if unit not in _RATE_UNITS:
        raise FaultWordsError(f"{kind}: {word!r} needs a unit of rate: {', '.join(_RATE_UNITS)}")
    if value * _RATE_UNITS[unit] > FASTEST_BPS:
        raise FaultWordsError(f"{kind}: {word!r} is beyond any link here; at most 100gbps")
    rate = round(value * _RATE_UNITS[unit])
    if rate < 8_000:
        raise FaultWordsError(f"{kind}: {word!r} is under 8kbps, which passes nothing; use outage")
    return rate


def _burst(_kind: str, p: str, r: str) -> tuple[float, float]:
    chain = _share("burst P", p), _share("burst R", r)
    if chain[1] == 0:
        raise FaultWordsError(f"burst R: {r!r} never ends a burst; use outage")
    return chain


def _scan(_kind: str, every: str, lasts: str) -> tuple[float, float]:
    scan = _time_s("scan EVERY", every), _time_s("scan FOR", lasts)
    if not 0 < scan[1] < scan[0]:
        raise FaultWordsError(f"scan: {lasts!r} must be shorter than {every!r}, such as scan 30s 2s")
    return scan


class Word(Struct, frozen=True):
    """How a fault is typed: its field of Effect, the values that follow, how they are read and written."""

    field: str
    values: tuple[str, ...]
    read: Callable[..., object]
    write: Callable[[Any], str]


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.12g}ms"


def _percent(share: float) -> str:
    return f"{share * 100:.12g}%"


# One row a fault; a field of Effect that has its value at rest is not said.
WORDS: dict[str, Word] = {
    "delay": Word("delay_s", ("TIME",), _time_s, _ms),
    "jitter": Word("jitter_s", ("TIME",), _time_s, _ms),
    "loss": Word("loss_ratio", ("SHARE",), _share, _percent),
    "burst": Word("burst", ("P", "R"), _burst, lambda chain: f"{chain[0]:.12g} {chain[1]:.12g}"),
    "reorder": Word("reorder_ratio", ("SHARE",), _share, _percent),
    "duplicate": Word("duplicate_ratio", ("SHARE",), _share, _percent),
    "contention": Word("contention_ratio", ("SHARE",), _share, _percent),
    "rate": Word("rate_bps", ("RATE",), _rate_bps, lambda rate_bps: f"{rate_bps}bps"),
    "scan": Word("scan", ("EVERY", "FOR"), _scan, lambda scan: f"{_ms(scan[0])} {_ms(scan[1])}"),
    "doze": Word("doze_s", ("TIME",), _time_s, _ms),
    "broken-pair": Word("broken_pair", (), lambda _kind: True, lambda _on: ""),
    "outage": Word("outage", (), lambda _kind: True, lambda _on: ""),
}
GRAMMAR = ", ".join([*(" ".join([word, *row.values]) for word, row in WORDS.items()), "up", "down"])
_AT_REST = Effect()


def parse_effect(text: str) -> Effect:
    """The effect that some words ask for; FaultWordsError names the first word that does not fit."""
    words = text.split()
    effect = Effect()
    seen: set[str] = set()
    while words:
        word = words.pop(0).lower()
        group = "way" if word in ("up", "down") else word
        if group in seen:
            raise FaultWordsError(f"{word!r} is said twice or contradicts an earlier word; say it once")
        seen.add(group)
        if group == "way":
            effect = replace(effect, way=FaultWay(word))
        elif word in WORDS:
            row = WORDS[word]
            if len(words) < len(row.values):
                raise FaultWordsError(f"{word}: a value is missing; understood are: {GRAMMAR}")
            value = row.read(word, *(words.pop(0) for _ in row.values))
            effect = replace(effect, **{row.field: value})
        else:
            raise FaultWordsError(f"{word!r} is no fault word; understood are: {GRAMMAR}")
    if not seen - {"way"}:
        raise FaultWordsError(f"no fault is named; understood are: {GRAMMAR}")
    return effect


def parse_fault(text: str) -> tuple[str, Effect]:
    """`ELEMENT:EFFECT`, e.g. `desk/attic:delay 50ms` or `host:desk:outage`, as an element and an effect."""
    element, colon, words = text.rpartition(":")
    if not colon or not element.strip():
        raise FaultWordsError(f"{text!r} must be ELEMENT:EFFECT, such as desk/attic:loss 5%")
    return element.strip(), parse_effect(words)


def _said(effect: Effect) -> Iterator[str]:
    for word, row in WORDS.items():
        value = getattr(effect, row.field)
        if value != getattr(_AT_REST, row.field):
            yield f"{word} {row.write(value)}".rstrip()
    if effect.way is not FaultWay.BOTH:
        yield str(effect.way)


def effect_words(effect: Effect) -> str:
    """The words that `parse_effect` reads back; "nothing" for an effect at rest."""
    return " ".join(_said(effect)) or "nothing"


def fault_of_words(words: Sequence[str]) -> tuple[str, Effect]:
    """`desk/attic loss 5%` as words, and also `desk/attic:loss 5%` as --fault has it."""
    try:
        return words[0], parse_effect(" ".join(words[1:]))
    except FaultWordsError:
        with contextlib.suppress(FaultWordsError):
            return parse_fault(" ".join(words))
        raise
