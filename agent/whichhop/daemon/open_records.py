"""Hands out the minutes that have not settled yet, for whoever compares live."""

import base64
import json
from collections.abc import Callable, Iterable

from whichhop.model import Record
from whichhop.serve.answer import NDJSON, Answer, Question, RefusedError, only_known
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import pack


class OpenRecords:
    """GET /api/open. now: the records of the open minutes; newest: the same with what nobody has answered so
    far as lost, for a look at the newest seconds (unanswered=lost)."""

    def __init__(self, now: Callable[[], Iterable[Record]], newest: Callable[[], Iterable[Record]]) -> None:
        self._now, self._newest = now, newest

    async def answer(self, question: Question) -> Answer:
        """The records, packed, a line each."""
        only_known(question, "unanswered")
        asked = question.query.get("unanswered")
        if asked not in (None, "lost"):
            raise RefusedError(400, f"unanswered={asked[:40]!r}; known: lost")
        records = self._now() if asked is None else self._newest()
        lines = [json.dumps({"record": base64.b64encode(pack((settle(r),))).decode()}) for r in records]
        return Answer(body="".join(f"{line}\n" for line in lines).encode(), content_type=NDJSON)
