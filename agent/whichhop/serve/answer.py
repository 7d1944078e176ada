"""Small nouns of the HTTP side: a question, an answer, and a refusal that becomes a JSON error."""

import json
from collections.abc import Mapping

from msgspec import Struct, field

from whichhop.printable import printable

JSON = "application/json"
NDJSON = "application/x-ndjson"


class Question(Struct, frozen=True, kw_only=True):
    """What a handler needs of a request: header names in lower case, each query key once."""

    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]


class Answer(Struct, frozen=True, kw_only=True):
    """What goes back."""

    body: bytes
    content_type: str = JSON
    status: int = 200
    headers: tuple[tuple[str, str], ...] = field(default=())


class RefusedError(Exception):
    """The request is at fault; status and one line for whoever sent it. Never our own trouble."""

    def __init__(self, status: int, text: str, headers: tuple[tuple[str, str], ...] = ()) -> None:
        super().__init__(text)
        self.status = status
        self.headers = headers

    def answer(self) -> Answer:
        """The refusal as JSON; it may quote what was asked, so what acts on a terminal is escaped."""
        body = json.dumps({"error": printable(str(self))}).encode() + b"\n"
        return Answer(body=body, status=self.status, headers=self.headers)


def whole_number(question: Question, key: str, default: int, most: int) -> int:
    """A query value as a whole number from 0 to `most`."""
    text = question.query.get(key)
    if text is None:
        return default
    if not (text.isascii() and text.isdigit() and len(text) <= 19 and int(text) <= most):
        raise RefusedError(400, f"{key} is {text[:40]!r}; give a whole number from 0 to {most}")
    return int(text)


def only_known(question: Question, *known: str) -> None:
    """Refuse query keys that are not known, so that a slip of the pen is noticed."""
    for key in question.query:
        if key not in known:
            names = ", ".join(known) or "none"
            raise RefusedError(400, f"unknown query key {key[:40]!r}; known: {names}")
