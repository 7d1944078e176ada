"""The interchange form's lines for calls to the provider."""

import json
from datetime import date

from whichhop.model.call_note import CallNote
from whichhop.store.json_line import JsonLine, time_text

MOST_TEXT = 300
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
    for key, most in (("text", MOST_TEXT), ("spoke_to", MOST_SHORT), ("ticket", MOST_SHORT)):
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
