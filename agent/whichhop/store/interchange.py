"""The documented JSON-lines form of measurements: one sample or one counter value a line, exact both ways.

A sample line: {"sent": "2026-03-01T18:04:05.123456Z", "agent": "desk", "target": "router",
"method": "stamp", "rtt_s": 0.00421 | null, "lost": "out" | "back" | "unknown" | null, "rate_bps": null}
with the optional keys "fate" (what `lost` cannot say: late, not-sent, asleep, clock-step, busy), "out_s" and
"queue_s". A counter line: {"at": ..., "agent": ..., "counter": "wan_rx_bytes", "value": N}.
whichhop writes a minute line before each record's samples, so that nothing of the record is lost:
{"minute": ..., "agent": ..., "target": ..., "method": ..., "samples": N, "duplicates": N, "reordered": N,
"stamps": "T1 T4", "clock_error_s": null}; other writers may leave it out, and samples are then gathered by
session and minute. Numbers are read as decimals, never as binary floats: nanoseconds come back exactly.
"""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from whichhop.errors import DataError
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TIME = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(Z|[+-]\d\d:\d\d)")
_LOST = {Fate.LOST: "unknown", Fate.LOST_OUT: "out", Fate.LOST_BACK: "back"}
_FATE_OF_LOST = {word: fate for fate, word in _LOST.items()}
_FATES = {fate.name.lower().replace("_", "-"): fate for fate in Fate}
_FATE_WORDS = {fate: word for word, fate in _FATES.items()}
_INT64 = 1 << 63
_KEYS = {
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
}


# -- writing


def time_text(at_ns: int) -> str:
    """An instant in UTC with as many fractional digits as it needs, e.g. 2026-03-01T18:04:05.123456Z."""
    seconds, rest = divmod(at_ns, NS_PER_S)
    whole = (_EPOCH + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{whole}.{rest:09d}".rstrip("0").rstrip(".") + "Z"


def seconds_text(value_ns: int | None) -> str:
    """A duration in seconds as a JSON number, exact to the nanosecond."""
    if value_ns is None:
        return "null"
    seconds, rest = divmod(abs(value_ns), NS_PER_S)
    sign = "-" if value_ns < 0 else ""
    return f"{sign}{seconds}" + (f".{rest:09d}".rstrip("0") if rest else "")


def _names(key: SessionKey) -> str:
    agent, target = (json.dumps(name, ensure_ascii=False) for name in (key.agent, key.target))
    return f'"agent": {agent}, "target": {target}, "method": "{key.method}"'


def sample_line(key: SessionKey, sample: Sample) -> str:
    """One sample as a line, without its end."""
    lost = _LOST.get(sample.fate)
    line = (
        f'{{"sent": "{time_text(sample.sent_ns)}", {_names(key)}, "rtt_s": {seconds_text(sample.rtt_ns)}, '
        f'"lost": {json.dumps(lost)}, "rate_bps": null'
    )
    if (lost is None and sample.fate is not Fate.ANSWERED) or (lost is None) == (sample.rtt_ns is None):
        line += f', "fate": "{_FATE_WORDS[sample.fate]}"'
    if sample.out_ns is not None:
        line += f', "out_s": {seconds_text(sample.out_ns)}'
    if sample.queue_ns is not None:
        line += f', "queue_s": {seconds_text(sample.queue_ns)}'
    return line + "}"


def record_lines(record: Record) -> Iterator[str]:
    """A record's minute line and its sample lines."""
    yield (
        f'{{"minute": "{time_text(record.minute * NS_PER_MINUTE)}", {_names(record.session)}, '
        f'"samples": {len(record.samples)}, "duplicates": {record.duplicates}, '
        f'"reordered": {record.reordered}, "stamps": {json.dumps(record.stamps)}, '
        f'"clock_error_s": {seconds_text(record.clock_error_ns)}}}'
    )
    for sample in record.samples:
        yield sample_line(record.session, sample)


def reading_line(reading: Reading) -> str:
    """A reading as a counter line; json writes the shortest decimal that names the same float."""
    agent, name = (json.dumps(text, ensure_ascii=False) for text in (reading.agent, reading.name))
    value = json.dumps(reading.value)
    return f'{{"at": "{time_text(reading.at_ns)}", "agent": {agent}, "counter": {name}, "value": {value}}}'


# -- reading


@dataclass(slots=True)
class _Open:
    """A record that is being gathered; `wanted` is None when no minute line announced it."""

    key: SessionKey
    minute: int
    samples: list[Sample]
    wanted: int | None = None
    duplicates: int = 0
    reordered: int = 0
    stamps: str = ""
    clock_error_ns: int | None = None

    def record(self) -> Record:
        if self.wanted is None:
            self.samples.sort(key=lambda s: s.sent_ns)
        return Record(
            session=self.key,
            minute=self.minute,
            samples=Columns.of(self.samples),
            duplicates=self.duplicates,
            reordered=self.reordered,
            stamps=self.stamps,
            clock_error_ns=self.clock_error_ns,
        )


class _Line:
    """One parsed line with the place to complain about."""

    def __init__(self, file: str, number: int, text: str) -> None:
        self.place = f"{file}:{number}"
        try:
            value = json.loads(text, parse_float=Decimal, object_pairs_hook=self._object)
        except (ValueError, RecursionError) as error:
            raise self.bad("(line)", f"is not JSON ({error})", "write one JSON object a line") from None
        if not isinstance(value, dict):
            raise self.bad("(line)", "is not a JSON object", "write one JSON object a line")
        self.values: dict[str, Any] = value
        self.kind = next((k for k in _KEYS if k in value), "")
        if not self.kind:
            raise self.bad("(line)", "has none of the keys sent, at, minute", 'a sample needs "sent"')
        for key in value:
            if key != self.kind and key not in _KEYS[self.kind]:
                known = ", ".join(sorted(_KEYS[self.kind]))
                raise self.bad(key, "unknown key", f"known beside {self.kind}: {known}")

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in pairs:
            if key in found:
                raise self.bad(key, "stands twice", "keep one of them")
            found[key] = value
        return found

    def bad(self, key: str, problem: str, remedy: str) -> DataError:
        return DataError(f"{self.place}: {key}: {problem}; {remedy}")

    def text(self, key: str) -> str:
        value = self.values.get(key)
        if not isinstance(value, str) or not value:
            raise self.bad(key, f"is {_shown(value)}, a name is needed", f'write "{key}": "NAME"')
        return value

    def session(self) -> SessionKey:
        asked = self.text("method")
        if asked not in list(Method):
            raise self.bad("method", f"no method is named {_shown(asked)}", f"known: {', '.join(Method)}")
        return SessionKey(agent=self.text("agent"), target=self.text("target"), method=Method(asked))

    def time_ns(self, key: str) -> int:
        value = self.values[key]
        found = _TIME.fullmatch(value) if isinstance(value, str) else None
        remedy = "write it as 2026-03-01T18:04:05.123456Z, with nine fractional digits at most"
        if not found:
            raise self.bad(key, f"{_shown(value)} is not a time", remedy)
        try:
            at = datetime.fromisoformat(found[1] + found[3].replace("Z", "+00:00")) - _EPOCH
        except (ValueError, OverflowError) as error:
            raise self.bad(key, f"{_shown(value)} is not a time ({error})", remedy) from None
        at_ns = (at.days * 86_400 + at.seconds) * NS_PER_S + int((found[2] or "").ljust(9, "0"))
        if not -_INT64 < at_ns < _INT64:
            raise self.bad(key, f"{_shown(value)} is out of range", "times from 1678 to 2262 are kept")
        return at_ns

    def number(self, key: str) -> Decimal | None:
        value = self.values.get(key)
        if value is None:
            return None
        number = Decimal(value) if isinstance(value, int | Decimal) and not isinstance(value, bool) else None
        if number is None or not number.is_finite():
            raise self.bad(key, f"is {_shown(value)}, not a number", "write a number or null")
        return number

    def duration_ns(self, key: str) -> int | None:
        seconds = self.number(key)
        if seconds is None:
            return None
        if seconds.adjusted() > 10 or not -_INT64 < int(seconds * NS_PER_S) < _INT64:
            raise self.bad(key, f"{seconds} s is out of range", "write seconds, 0.00421 for 4.21 ms")
        return int((seconds * NS_PER_S).to_integral_value())

    def count(self, key: str) -> int:
        value = self.values.get(key, 0)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < _INT64:
            raise self.bad(key, f"is {_shown(value)}, not a count", "write a whole number from 0 up")
        return value


def _shown(value: object) -> str:
    """A value as a complaint shows it: short, on one line."""
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 40 else text[:37] + "..."


def _fate(line: _Line, rtt_ns: int | None) -> Fate:
    lost, word = line.values.get("lost"), line.values.get("fate")
    if word is not None:
        if not isinstance(word, str) or word not in _FATES:
            raise line.bad("fate", f"{_shown(word)} is no fate", f"known: {', '.join(_FATES)}")
        fate = _FATES[word]
        if lost is not None and _LOST.get(fate) != lost:
            raise line.bad("fate", f"{word} contradicts lost {_shown(lost)}", "keep one of them")
        return fate
    if lost is None:
        if rtt_ns is None:
            raise line.bad(
                "rtt_s", "null, and lost is null too", 'say lost: "unknown", or name a fate such as "busy"'
            )
        return Fate.ANSWERED
    if not isinstance(lost, str) or lost not in _FATE_OF_LOST:
        raise line.bad("lost", f"is {_shown(lost)}", 'write "out", "back", "unknown" or null')
    if rtt_ns is not None:
        raise line.bad(
            "lost", f"{_shown(lost)}, yet rtt_s is a number", 'use null, or fate "late" for a late answer'
        )
    return _FATE_OF_LOST[lost]


def _reading(line: _Line) -> Reading:
    value = line.number("value")
    if value is None:
        raise line.bad("value", "is missing", "write a number")
    number = float(value)
    if number in (float("inf"), float("-inf")):
        raise line.bad("value", f"{_shown(value)} is out of range", "keep it under 1e308")
    return Reading(
        at_ns=line.time_ns("at"), agent=line.text("agent"), name=line.text("counter"), value=number
    )


def _announced(line: _Line) -> _Open:
    at_ns = line.time_ns("minute")
    if at_ns % NS_PER_MINUTE:
        raise line.bad("minute", f"{_shown(line.values['minute'])} is no whole minute", "end it in :00Z")
    stamps = line.values.get("stamps", "")
    if not isinstance(stamps, str):
        raise line.bad("stamps", f"is {_shown(stamps)}", 'write "T1 T4", or "" when user space took all')
    error_ns = line.duration_ns("clock_error_s")
    if error_ns is not None and error_ns < 0:
        raise line.bad("clock_error_s", "is below zero", "write seconds from 0 up, or null")
    return _Open(
        key=line.session(),
        minute=minute_of(at_ns),
        samples=[],
        wanted=line.count("samples"),
        duplicates=line.count("duplicates"),
        reordered=line.count("reordered"),
        stamps=stamps,
        clock_error_ns=error_ns,
    )


_OPEN_MINUTES = 5
"""Unannounced samples may be out of order by this many minutes before their record is closed."""


class _Gatherer:
    """Samples of many sessions, mixed as they come, gathered into records."""

    def __init__(self) -> None:
        self._announced: dict[SessionKey, tuple[_Open, _Line]] = {}
        self._loose: dict[tuple[SessionKey, int], _Open] = {}

    def announce(self, opened: _Open, line: _Line) -> Iterator[Record]:
        self.check(opened.key)
        if opened.wanted == 0:
            yield opened.record()
        else:
            self._announced[opened.key] = (opened, line)

    def check(self, key: SessionKey) -> None:
        if key in self._announced:
            opened, line = self._announced[key]
            raise line.bad(
                "samples",
                f"says {opened.wanted}, but {len(opened.samples)} follow",
                "the file was cut or lines were removed: export it again",
            )

    def sample(self, key: SessionKey, sample: Sample) -> Iterator[Record]:
        if key in self._announced:
            opened, _ = self._announced[key]
            opened.samples.append(sample)
            if len(opened.samples) == opened.wanted:
                del self._announced[key]
                yield opened.record()
            return
        minute = minute_of(sample.sent_ns)
        loose = self._loose.setdefault((key, minute), _Open(key=key, minute=minute, samples=[]))
        loose.samples.append(sample)
        if len(loose.samples) == 1:
            old = [k for k in self._loose if k[0] == key and k[1] < minute - _OPEN_MINUTES]
            for name in old:
                yield self._loose.pop(name).record()

    def end(self) -> Iterator[Record]:
        for key in self._announced:
            self.check(key)
        for opened in self._loose.values():
            yield opened.record()


def read_lines(lines: Iterable[str], file: str) -> Iterator[Record | Reading]:
    """Records and readings of some lines; DataError names file, line, key and remedy of the first bad.

    A sample with a `rate_bps` (a transfer's rate) becomes the reading "rate_bps:TARGET" of its agent.
    """
    gatherer = _Gatherer()
    for number, text in enumerate(lines, 1):
        if not text.strip():
            continue
        line = _Line(file, number, text)
        if line.kind == "at":
            yield _reading(line)
        elif line.kind == "minute":
            yield from gatherer.announce(_announced(line), line)
        else:
            key, sent_ns = line.session(), line.time_ns("sent")
            rate = line.number("rate_bps")
            if rate is not None:
                yield Reading(
                    at_ns=sent_ns, agent=key.agent, name=f"rate_bps:{key.target}", value=float(rate)
                )
                if line.values.get("rtt_s") is None and line.values.get("lost") is None:
                    continue
            rtt_ns = line.duration_ns("rtt_s")
            yield from gatherer.sample(
                key,
                Sample(
                    sent_ns=sent_ns,
                    fate=_fate(line, rtt_ns),
                    rtt_ns=rtt_ns,
                    out_ns=line.duration_ns("out_s"),
                    queue_ns=line.duration_ns("queue_s"),
                ),
            )
    yield from gatherer.end()
