"""Hands out the minutes that have not settled yet, for whoever compares live."""

import base64
import json
from collections.abc import Callable, Iterable

from whichhop.model import Record
from whichhop.serve.answer import NDJSON, Answer, Question, only_known
from whichhop.wire.packed import pack
from whichhop.wire.precision import settle


class OpenRecords:
    """GET /api/open. now: the records of the open minutes."""

    def __init__(self, now: Callable[[], Iterable[Record]]) -> None:
        self._now = now

    async def answer(self, question: Question) -> Answer:
        """The records, packed, a line each."""
        only_known(question)
        lines = [json.dumps({"record": base64.b64encode(pack((settle(r),))).decode()}) for r in self._now()]
        return Answer(body="".join(f"{line}\n" for line in lines).encode(), content_type=NDJSON)
