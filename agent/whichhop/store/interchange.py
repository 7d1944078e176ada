"""The documented JSON-lines form of measurements: one sample or one counter value a line, exact both ways.

A sample line: {"sent": "2026-03-01T18:04:05.123456Z", "agent": "desk", "target": "router",
"method": "stamp", "rtt_s": 0.00421 | null, "lost": "out" | "back" | "unknown" | null, "rate_bps": null}
with the optional keys "fate" (what `lost` cannot say: late, not-sent, asleep, clock-step, busy), "out_s" and
"queue_s". A counter line: {"at": ..., "agent": ..., "counter": "wan_rx_bytes", "value": N}.
whichhop writes a minute line before each record's samples, so that nothing of the record is lost:
{"minute": ..., "agent": ..., "target": ..., "method": ..., "samples": N, "duplicates": N, "reordered": N,
"stamps": "T1 T4", "clock_error_s": null}
(stamps: those that the kernel took, "?" where nobody says); other writers may leave it out, and samples are
then gathered by session and minute. What people noted: {"note": ..., "text": "took out the splitter",
"change": "remove 5", "expected": [{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]}, the last two
optional, and {"look": ..., "of": ..., "from": ..., "to": ...} for each look at what a change did. Calls to
the provider: {"call": ..., "text": "line test ordered", "spoke_to": ..., "ticket": ..., "promised":
"2026-03-05"}, the last three optional. Numbers are read as decimals, never as binary floats: nanoseconds
come back exactly.
"""

import json
from collections.abc import Callable, Iterable, Iterator

from msgspec import Struct

from whichhop.model import Columns, Fate, Reading, Record, Sample, SessionKey
from whichhop.model.note import CallNote, Look, Note
from whichhop.model.record import STAMPS_NOT_SAID
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of
from whichhop.printable import printable
from whichhop.store.json_line import JsonLine, shown
from whichhop.store.json_line import time_text as time_text  # noqa: PLC0414 # part of this form's face
from whichhop.store.note_lines import call_of, look_of, note_of
from whichhop.wire.packed import MOST_SAMPLES

_LONGEST_STAMPS = 40
"""Characters; the longest that whichhop writes is "T1 T2 T3 T4"."""
_LONGEST_WAIT_NS = 10 * NS_PER_S
"""No answer is waited for longer, ours for 3 s (RFC 7680 leaves it open; 10 s is common practice at most):
milliseconds in the place of seconds would else become faults of every hop."""
_LOST = {Fate.LOST: "unknown", Fate.LOST_OUT: "out", Fate.LOST_BACK: "back"}
_FATE_OF_LOST = {word: fate for fate, word in _LOST.items()}
_FATES = {fate.name.lower().replace("_", "-"): fate for fate in Fate}
_FATE_WORDS = {fate: word for word, fate in _FATES.items()}


# -- writing


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


class _Open(Struct):
    """A record that is being gathered; `wanted` is None when no minute line announced it."""

    key: SessionKey
    minute: int
    samples: list[Sample]
    wanted: int | None = None
    duplicates: int = 0
    reordered: int = 0
    stamps: str = STAMPS_NOT_SAID
    clock_error_ns: int | None = None

    def record(self) -> Record:
        if self.wanted is None:
            # A file that was put together from two exports has lines twice; the same packet counts once.
            self.samples = sorted(dict.fromkeys(self.samples), key=lambda s: s.sent_ns)
        return Record(
            session=self.key,
            minute=self.minute,
            samples=Columns.of(self.samples),
            duplicates=self.duplicates,
            reordered=self.reordered,
            stamps=self.stamps,
            clock_error_ns=self.clock_error_ns,
        )


def _fate(line: JsonLine, rtt_ns: int | None) -> Fate:
    lost, word = line.values.get("lost"), line.values.get("fate")
    if word is not None:
        if not isinstance(word, str) or word not in _FATES:
            raise line.bad("fate", f"{shown(word)} is no fate", f"known: {', '.join(_FATES)}")
        fate = _FATES[word]
        if lost is not None and _LOST.get(fate) != lost:
            raise line.bad("fate", f"{word} contradicts lost {shown(lost)}", "keep one of them")
        return fate
    if lost is None:
        if rtt_ns is None:
            raise line.bad(
                "rtt_s", "null, and lost is null too", 'say lost: "unknown", or name a fate such as "busy"'
            )
        return Fate.ANSWERED
    if not isinstance(lost, str) or lost not in _FATE_OF_LOST:
        raise line.bad("lost", f"is {shown(lost)}", 'write "out", "back", "unknown" or null')
    if rtt_ns is not None:
        raise line.bad(
            "lost", f"{shown(lost)}, yet rtt_s is a number", 'use null, or fate "late" for a late answer'
        )
    return _FATE_OF_LOST[lost]


def _reading(line: JsonLine) -> Reading:
    value = line.number("value")
    if value is None:
        raise line.bad("value", "is missing", "write a number")
    return Reading(
        at_ns=line.time_ns("at"),
        agent=line.text("agent"),
        name=line.text("counter"),
        value=line.floating("value", value),
    )


def _announced(line: JsonLine) -> _Open:
    at_ns = line.time_ns("minute")
    if at_ns % NS_PER_MINUTE:
        raise line.bad("minute", f"{shown(line.values['minute'])} is no whole minute", "end it in :00Z")
    stamps = line.values.get("stamps", STAMPS_NOT_SAID)
    if not isinstance(stamps, str) or stamps != printable(stamps, _LONGEST_STAMPS):
        raise line.bad("stamps", f"is {shown(stamps)}", 'write "T1 T4", or "" when user space took all')
    error_ns = line.duration_ns("clock_error_s")
    return _Open(
        key=line.session(),
        minute=minute_of(at_ns),
        samples=[],
        wanted=line.count("samples", most=MOST_SAMPLES),
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
        self._announced: dict[SessionKey, tuple[_Open, JsonLine]] = {}
        self._loose: dict[tuple[SessionKey, int], _Open] = {}

    def announce(self, opened: _Open, line: JsonLine) -> Iterator[Record]:
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

    def sample(self, key: SessionKey, sample: Sample, line: JsonLine) -> Iterator[Record]:
        if key in self._announced:
            opened, _ = self._announced[key]
            opened.samples.append(sample)
            if len(opened.samples) == opened.wanted:
                del self._announced[key]
                yield opened.record()
            return
        if sample.fate is Fate.ANSWERED and (sample.rtt_ns or 0) > _LONGEST_WAIT_NS:
            raise line.bad(
                "rtt_s",
                f"{shown(line.values['rtt_s'])} s is longer than a packet is waited for",
                'write seconds, 0.0201 for 20.1 ms, or fate "late" if it did take so long',
            )
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


def _unheard(note: Note | Look | CallNote) -> None:
    """Nobody asked for notes."""


def read_lines(
    lines: Iterable[str], file: str, note: Callable[[Note | Look | CallNote], None] = _unheard
) -> Iterator[Record | Reading]:
    """Records and readings of some lines; DataError names file, line, key and remedy of the first bad.

    note: is told the notes and looks as they come; they are no measurements.
    A sample with a `rate_bps` (a transfer's rate) becomes the reading "rate_bps:TARGET" of its agent.
    """
    gatherer = _Gatherer()
    for number, text in enumerate(lines, 1):
        if not text.strip():
            continue
        line = JsonLine(file, number, text)
        if line.kind == "at":
            yield _reading(line)
        elif line.kind == "minute":
            yield from gatherer.announce(_announced(line), line)
        elif line.kind == "note":
            note(note_of(line))
        elif line.kind == "look":
            note(look_of(line))
        elif line.kind == "call":
            note(call_of(line))
        else:
            key, sent_ns = line.session(), line.time_ns("sent")
            rate = line.number("rate_bps")
            if rate is not None:
                bps = line.floating("rate_bps", rate, low=0.0)
                yield Reading(at_ns=sent_ns, agent=key.agent, name=f"rate_bps:{key.target}", value=bps)
                if line.values.get("rtt_s") is None and line.values.get("lost") is None:
                    continue
            rtt_ns = line.duration_ns("rtt_s")
            yield from gatherer.sample(
                key,
                Sample(
                    sent_ns=sent_ns,
                    fate=_fate(line, rtt_ns),
                    rtt_ns=rtt_ns,
                    out_ns=line.duration_ns("out_s", signed=True),
                    queue_ns=line.duration_ns("queue_s"),
                ),
                line,
            )
    yield from gatherer.end()
