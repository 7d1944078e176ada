"""The interchange form's lines for what people noted: changes, looks, and calls to the provider."""

import json
import sys
from datetime import date

from whichhop import outside
from whichhop.model.channel import Direction
from whichhop.model.note import CallNote, ExpectedGain, Look, Note
from whichhop.store.json_line import JsonLine, time_text

MOST_TEXT = 200
_FINITE = sys.float_info.max
MOST_GAINS = 1_000
"""A gain a channel and change; a modem has some fifty channels."""
_GAIN_KEYS = {"direction", "frequency_hz", "gain_db"}


def gains_text(gains: tuple[ExpectedGain, ...]) -> str:
    """Expected gains as a JSON list; json writes the shortest decimal that names the same float."""
    return json.dumps(
        [{"direction": g.direction, "frequency_hz": g.frequency_hz, "gain_db": g.gain_db} for g in gains]
    )


def gains_of(text: str) -> tuple[ExpectedGain, ...]:
    """The gains that `gains_text` wrote; OutsideError where the store was changed."""
    place = "the store: a note's gains"
    with outside.reading(place, "take the note back and write it again"):
        return tuple(
            ExpectedGain(
                direction=Direction(g["direction"]),
                frequency_hz=outside.number(g["frequency_hz"], place, low=-_FINITE, high=_FINITE),
                gain_db=outside.number(g["gain_db"], place, low=-_FINITE, high=_FINITE),
            )
            for g in outside.items(outside.json_of(text, place), place, most=MOST_GAINS)
        )


def note_line(note: Note) -> str:
    """A note as a line, without its end."""
    line = f'{{"note": "{time_text(note.at_ns)}", "text": {json.dumps(note.text, ensure_ascii=False)}'
    if note.change:
        line += f', "change": {json.dumps(note.change, ensure_ascii=False)}'
    if note.expected:
        line += f', "expected": {gains_text(note.expected)}'
    return line + "}"


def look_line(look: Look) -> str:
    """A look as a line, without its end."""
    times = (("look", look.at_ns), ("of", look.of_ns), ("from", look.from_ns), ("to", look.to_ns))
    return "{" + ", ".join(f'"{key}": "{time_text(at)}"' for key, at in times) + "}"


def note_of(line: JsonLine) -> Note:
    """The note of a line; DataError names what is wrong with it."""
    text = line.words("text")
    if len(text) > MOST_TEXT or not text.isprintable():
        raise line.bad("text", "is no short line of text", f"keep it on one line, {MOST_TEXT} characters")
    change = line.text("change") if "change" in line.values else ""
    return Note(at_ns=line.time_ns("note"), text=text, change=change, expected=_gains(line))


def _gains(line: JsonLine) -> tuple[ExpectedGain, ...]:
    rows = line.values.get("expected", [])
    out = []
    for row in rows if isinstance(rows, list) and len(rows) <= MOST_GAINS else [None]:
        if isinstance(row, dict) and set(row) == _GAIN_KEYS and row["direction"] in list(Direction):
            frequency, gain = line.finite(row["frequency_hz"]), line.finite(row["gain_db"])
            if frequency is not None and gain is not None:
                way = Direction(row["direction"])
                out.append(ExpectedGain(direction=way, frequency_hz=frequency, gain_db=gain))
                continue
        raise line.bad(
            "expected",
            "is no list of gains",
            'write [{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]',
        )
    return tuple(out)


def look_of(line: JsonLine) -> Look:
    """The look of a line; DataError names what is wrong with it."""
    missing = next((k for k in ("of", "from", "to") if k not in line.values), None)
    if missing:
        raise line.bad(missing, "is missing", "write the time of the change, and the span looked at")
    return Look(
        of_ns=line.time_ns("of"),
        at_ns=line.time_ns("look"),
        from_ns=line.time_ns("from"),
        to_ns=line.time_ns("to"),
    )


MOST_CALL_TEXT = 300
MOST_SHORT = 60
"""Characters of a ticket's number, and of who answered."""


def call_line(call: CallNote) -> str:
    """A call as a line, without its end."""
    said = {"text": call.text, "spoke_to": call.spoke_to, "ticket": call.ticket, "promised": call.promised}
    more = "".join(f', "{k}": {json.dumps(v, ensure_ascii=False)}' for k, v in said.items() if v)
    return f'{{"call": "{time_text(call.at_ns)}"{more}}}'


def call_of(line: JsonLine) -> CallNote:
    """The call of a line; DataError names what is wrong with it."""
    found = {}
    for key, most in (("text", MOST_CALL_TEXT), ("spoke_to", MOST_SHORT), ("ticket", MOST_SHORT)):
        found[key] = line.words(key) if key == "text" or key in line.values else ""
        if len(found[key]) > most or not found[key].isprintable():
            raise line.bad(key, "is no short line of text", f"keep it on one line, {most} characters")
    promised = line.words("promised") if "promised" in line.values else ""
    if promised and not is_day(promised):
        raise line.bad("promised", "is no day", "write it as 2026-03-05")
    return CallNote(at_ns=line.time_ns("call"), promised=promised, **found)


def is_day(text: str) -> bool:
    """True for a day as YYYY-MM-DD (RFC 3339 full-date)."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
