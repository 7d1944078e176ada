"""One JSON line of the interchange form: its kind, its values, and complaints that name the place."""

import difflib
import json
import math
import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any

from whichhop import __version__, outside
from whichhop.errors import DataError
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.printable import printable
from whichhop.printable import shown as printed

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TIME = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(Z|[+-]\d\d:\d\d)")
_INT64 = 1 << 63
LONGEST_LINE = 100_000
"""Characters; a sample's line has some 200, a note's with its gains some thousands."""
_MOST_DIGITS = 60
"""Characters of a number; a time in nanoseconds needs 20, the longest float 24."""
_NEWER = f"if a newer whichhop wrote the file, read it with that one (this is {__version__})"
KEYS = {
    "sent": {"agent", "target", "method", "rtt_s", "lost", "rate_bps", "fate", "out_s", "queue_s"},
    "at": {"agent", "counter", "value"},
    "minute": {
        "agent",
        "target",
        "method",
        "samples",
        "duplicates",
        "reordered",
        "stamps",
        "clock_error_s",
    },
    "note": {"text", "change", "expected"},
    "look": {"of", "from", "to"},
    "call": {"text", "spoke_to", "ticket", "promised"},
}
"""By the key that names a line's kind, the keys that it may have beside."""


def time_text(at_ns: int) -> str:
    """An instant in UTC with as many fractional digits as it needs, e.g. 2026-03-01T18:04:05.123456Z."""
    seconds, rest = divmod(at_ns, NS_PER_S)
    whole = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{whole}.{rest:09d}".rstrip("0").rstrip(".") + "Z"


def _line_remedy(text: str) -> str:
    """What to do about a line that is no JSON."""
    if text.startswith("["):
        return "write one JSON object a line, without the brackets and commas of a list: jq -c '.[]' does it"
    if text == "{":
        return "write each JSON object on one line: jq -c . does it"
    if text.startswith("{") and not text.endswith("}"):
        return "it is cut short: copy the file again whole, or remove the line"
    if not text.startswith("{") and text.count(",") >= 2:
        return 'a table (CSV) is not read: write one JSON object a line, {"sent": ..., "agent": ...}'
    return "write one JSON object a line"


class JsonLine:
    """One parsed line with the place to complain about."""

    def __init__(self, file: str, number: int, text: str) -> None:
        self.place = f"{file}:{number}"
        if len(text) > LONGEST_LINE:
            raise self.bad("(line)", f"has {len(text)} characters", f"write at most {LONGEST_LINE} a line")
        try:
            value = _DECODER.decode(text)
        except _TwiceError as twice:
            raise self.bad(printable(twice.args[0], 40), "stands twice", "keep one of them") from None
        except (ValueError, RecursionError) as error:
            raise self.bad("(line)", f"is not JSON ({error})", _line_remedy(text.strip())) from None
        if not isinstance(value, dict):
            raise self.bad("(line)", "is not a JSON object", "write one JSON object a line")
        self.values: dict[str, Any] = value
        self.kind = next((k for k in KEYS if k in value), "")
        if not self.kind:
            keys = ", ".join(KEYS)
            raise self.bad("(line)", f"has none of the keys {keys}", f'a sample needs "sent"; {_NEWER}')
        for key in value:
            if key != self.kind and key not in KEYS[self.kind]:
                raise self.bad(printable(key, 40), "unknown key", _known_words(key, self.kind))

    def bad(self, key: str, problem: str, remedy: str) -> DataError:
        """A complaint, for the caller to raise."""
        return outside.bad(self.place, f"{key}: {problem}", remedy)

    def text(self, key: str) -> str:
        """A name, which must be there."""
        return outside.name(self.words(key), f"{self.place}: {key}")

    def words(self, key: str) -> str:
        """A text as it stands, which must be there; its reader looks at its characters."""
        value = self.values.get(key)
        if not isinstance(value, str) or not value:
            raise self.bad(key, f"is {shown(value)}, a name is needed", f'write "{key}": "NAME"')
        return value

    def session(self) -> SessionKey:
        """What names the session."""
        names = [self.values.get(key) for key in ("agent", "target", "method")]
        if all(isinstance(n, str) and len(n) <= outside.LONGEST_NAME for n in names):
            known = _session_of(*names)
            if known is not None:
                return known
        asked = self.text("method")
        if asked not in list(Method):
            remedy = f"known: {', '.join(Method)}; {_NEWER}"
            raise self.bad("method", f"no method is named {shown(asked)}", remedy)
        return SessionKey(agent=self.text("agent"), target=self.text("target"), method=Method(asked))

    def time_ns(self, key: str) -> int:
        """A time with its zone, as UTC nanoseconds."""
        value = self.values[key]
        found = _TIME.fullmatch(value) if isinstance(value, str) and value.isascii() else None
        remedy = "write it as 2026-03-01T18:04:05.123456Z, with nine fractional digits at most"
        if not found:
            raise self.bad(key, f"{shown(value)} is not a time", remedy)
        try:
            at = datetime.fromisoformat(found[1] + found[3].replace("Z", "+00:00")) - _EPOCH
        except (ValueError, OverflowError) as error:
            raise self.bad(key, f"{shown(value)} is not a time ({error})", remedy) from None
        at_ns = (at.days * 86_400 + at.seconds) * NS_PER_S + int((found[2] or "").ljust(9, "0"))
        if not -_INT64 < at_ns < _INT64:
            raise self.bad(key, f"{shown(value)} is out of range", "times from 1678 to 2262 are kept")
        return at_ns

    def number(self, key: str) -> Decimal | None:
        """A number, None where it is null or missing."""
        value = self.values.get(key)
        if value is None:
            return None
        number = Decimal(value) if isinstance(value, int | Decimal) and not isinstance(value, bool) else None
        if number is None or not number.is_finite():
            raise self.bad(key, f"is {shown(value)}, not a number", "write a number or null")
        return number

    def finite(self, value: Any) -> float | None:
        """A value inside a list as a float; None when it is no finite number."""
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            return None
        found = float(value)
        return found if math.isfinite(found) else None

    def duration_ns(self, key: str, *, signed: bool = False) -> int | None:
        """Seconds as nanoseconds, None where null or missing. signed: below zero is meant."""
        seconds = self.number(key)
        if seconds is None:
            return None
        remedy = "write seconds, 0.00421 for 4.21 ms"
        if seconds.adjusted() > 10 or not -_INT64 < int(seconds * NS_PER_S) < _INT64:
            raise self.bad(key, f"{shown(seconds)} s is out of range", remedy)
        if seconds < 0 and not signed:
            raise self.bad(key, f"{shown(seconds)} s is below zero", remedy)
        return int((seconds * NS_PER_S).to_integral_value())

    def floating(self, key: str, value: Decimal, *, low: float = -outside.LARGEST_VALUE) -> float:
        """A number as a float; one that no counter or device tells is refused."""
        found = float(value)
        if not low <= found <= outside.LARGEST_VALUE:
            remedy = f"keep it within {low:g} and {outside.LARGEST_VALUE:g}"
            raise self.bad(key, f"{shown(value)} is out of range", remedy)
        return found

    def count(self, key: str, most: int = _INT64 - 1) -> int:
        """A whole number from 0 up to `most`; 0 where missing."""
        value = self.values.get(key, 0)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
            raise self.bad(key, f"is {shown(value)}, not a count", f"write a whole number from 0 to {most}")
        return value


@lru_cache(maxsize=1024)
def _session_of(agent: str, target: str, method: str) -> SessionKey | None:
    """The session of sound names, which a file has on each of thousands of lines; None where one is not."""
    try:
        outside.name(agent, "agent")
        outside.name(target, "target")
        return SessionKey(agent=agent, target=target, method=Method(method))
    except (DataError, ValueError):
        return None


def _known_words(key: str, kind: str) -> str:
    """What may have been meant by a key that a line of this kind does not have."""
    known = sorted(KEYS[kind])
    close = difflib.get_close_matches(key[:40].lower(), known, n=1)
    meant = f"did you mean {close[0]}? " if close else ""
    return f"{meant}known beside {kind}: {', '.join(known)}; {_NEWER}"


class _TwiceError(Exception):
    """A key stands twice in one object."""


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _TwiceError(key)
        found[key] = value
    return found


def _decimal(word: str) -> Decimal:
    """A number with a point or exponent; ValueError where it has too many digits."""
    if len(word) > _MOST_DIGITS:
        raise ValueError(f"the number {printed(word)}")
    try:
        return Decimal(word)
    except InvalidOperation:  # an exponent that Decimal itself cannot hold
        raise ValueError(f"the number {printed(word)}") from None


def _whole(word: str) -> int:
    if len(word) > _MOST_DIGITS:
        raise ValueError(f"the number {printed(word)}")
    return int(word)


# Made once: to make one costs as much as to read a line.
_DECODER = json.JSONDecoder(
    parse_float=_decimal, parse_int=_whole, parse_constant=_decimal, object_pairs_hook=_object
)


def shown(value: object) -> str:
    """A value as a complaint shows it: short, on one line, as JSON has it."""
    if isinstance(value, str):
        return json.dumps(printable(value, 40), ensure_ascii=False)
    if value is None or isinstance(value, bool):
        return json.dumps(value)
    return printed(value, 40)
