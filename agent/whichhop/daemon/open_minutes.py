"""What an agent hands out of the minutes that have not settled yet."""

import base64
import json

from whichhop.daemon.agent import Agent
from whichhop.serve.answer import NDJSON, Answer, Question, RefusedError, only_known
from whichhop.wire.packed import pack
from whichhop.wire.precision import settle


def open_answer(agent: Agent, question: Question) -> Answer:
    """GET /api/open: the open minutes, packed, for whoever compares live.

    unanswered=lost: what nobody has answered so far stands as lost, for a look at the newest seconds.
    """
    only_known(question, "unanswered")
    asked = question.query.get("unanswered")
    if asked not in (None, "lost"):
        raise RefusedError(400, f"unanswered={asked[:40]!r}; known: lost")
    records = agent.book.open_records() if asked is None else agent.newest_records()
    lines = [json.dumps({"record": base64.b64encode(pack((settle(r),))).decode()}) for r in records]
    return Answer(body="".join(f"{line}\n" for line in lines).encode(), content_type=NDJSON)
