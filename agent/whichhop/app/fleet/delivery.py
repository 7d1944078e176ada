"""What becomes of a request to a fleet's server, by the rules of the remote-write specification. Pure.

Remote-Write 1.0 and 2.0, "Retries & Backoff": what was taken, or can never be, is not sent again; after a
5xx or 429 the sender waits, longer each time, and at least as long as the server asks for.
"""

from collections.abc import Sequence

from msgspec import Struct

from whichhop.model.fleet import WriteVersion
from whichhop.net.http_client import HttpAnswer, HttpError
from whichhop.printable import printable
from whichhop.store.outbox import Frame, Outbox

MOST_SAMPLES = 5_000
"""In a request: half a minute of an agent is about a hundred, so that a day is sixty requests."""
WAITS_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0)
"""Between tries that failed; the last goes on. A server that comes back is not stormed by its homes."""
LONGEST_WAIT_S = 3600.0
"""Of what a server may ask for."""
REFUSED_WAIT_S = 300.0
"""After an answer that speaks of the sender and not of what was sent: a token or address that somebody must
put right. What waits is not sent again in the meantime, and not thrown away for it either."""
_OF_THE_SENDER = frozenset({401, 402, 403, 404, 405, 407, 421})
_TOO_LARGE = 413
_POISON, _SURELY = 3, 10
"""Failures of a server's own, one after the other, after which requests are halved, and after which the frame
behind the oldest is tried: some answer 500 to a value that is too old for them, which would hold up for ever
all that come behind it."""
WRITTEN = "x-prometheus-remote-write-samples-written"
"""What a receiver of 2.0 must answer with. One of 1.0 takes the request for an empty one, and says 204."""
_MOST_WORDS = 200


class Outcome(Struct, frozen=True, kw_only=True):
    """wait_s: until the next try. sent, given_up: values that the server took, and that it never will.

    trouble: what to tell whoever runs the agent, "" where all is well.
    """

    wait_s: float
    sent: int = 0
    given_up: int = 0
    trouble: str = ""


class Delivery(Struct):
    """Takes frames out of an outbox as a server takes them. spread: in [0, 1), drawn once, so that homes that
    lost the same server do not come back in step."""

    outbox: Outbox
    spread: float
    version: WriteVersion = WriteVersion.ONE
    _failed: int = 0
    _most: int = MOST_SAMPLES
    _alone: int = 0
    """Frames up to this one go one at a time: one of them was not taken."""

    _probing: bool = False
    """What goes now is the frame behind the oldest, which has failed by itself again and again."""
    _others_taken: bool = False
    """The server has taken that: it works, and the oldest has one more try."""

    def next(self) -> list[Frame]:
        """The frames of the next request, oldest first; empty when nothing waits."""
        frames = self.outbox.oldest(self._most)
        if frames and frames[0].number <= self._alone:
            frames = frames[:1]
        self._probing = False
        if len(frames) == 1 and self._failed >= _SURELY and self._failed % 2 and not self._others_taken:
            behind = self.outbox.oldest(frames[0].samples + 1)[1:2]
            self._probing = bool(behind)
            return behind or frames
        return frames

    def answered(self, frames: Sequence[Frame], answer: HttpAnswer | HttpError) -> Outcome:
        """What the server said of them; takes them out where nothing more is to be done."""
        if isinstance(answer, HttpError):
            return self._wait(f"{answer.failure}: {answer.why}")
        status, samples = answer.status, sum(frame.samples for frame in frames)
        said = f"answered {status} {answer.reason}".strip()
        if 200 <= status < 300:
            return self._taken(frames, answer, said)
        if status >= 500 and self._others_taken:
            return self._give_up(frames, f"{said} to these alone")
        if status >= 500 or status == 429:
            if status >= 500 and self._failed >= _POISON:
                self._most = max(1, samples // 2)
            return self._wait(said, _seconds(answer.headers.get("retry-after", "")))
        if status < 400 or status in _OF_THE_SENDER:
            return Outcome(wait_s=REFUSED_WAIT_S, trouble=f"{said}; check fleet: write and token_file")
        return self._never(frames, answer, said)

    def _taken(self, frames: Sequence[Frame], answer: HttpAnswer, said: str) -> Outcome:
        samples = sum(frame.samples for frame in frames)
        if self.version is WriteVersion.TWO and WRITTEN not in answer.headers:
            why = "takes no remote write 2.0, without saying so; write fleet: {version: '1.0'}"
            return Outcome(wait_s=REFUSED_WAIT_S, trouble=f"{said}, but {why}")
        if self._probing:
            self.outbox.take_out(frames[0].number)
            self._others_taken = True
        else:
            self.outbox.done(frames[-1].number)
            self._failed, self._others_taken = 0, False
            self._most = min(MOST_SAMPLES, max(self._most, samples) * 2)
        return Outcome(wait_s=0.0, sent=samples)

    def _give_up(self, frames: Sequence[Frame], why: str) -> Outcome:
        self.outbox.done(frames[0].number)
        self._failed, self._others_taken = 0, False
        samples = frames[0].samples
        return Outcome(wait_s=0.0, given_up=samples, trouble=f"{why}; {samples} values are given up")

    def _never(self, frames: Sequence[Frame], answer: HttpAnswer, said: str) -> Outcome:
        """A request that the server will not take however often it comes."""
        status, samples = answer.status, sum(frame.samples for frame in frames)
        if len(frames) > 1:
            # One of them is too old, too large or otherwise bad, and the others must not go with it.
            if status == _TOO_LARGE:
                self._most = max(1, samples // 2)
            else:
                self._alone = frames[-1].number
            return Outcome(wait_s=0.0)
        words = printable(answer.body.decode("utf-8", "replace").strip(), _MOST_WORDS)
        return self._give_up(frames, f"{said} ({words})")

    def _wait(self, why: str, asked_s: float = 0.0) -> Outcome:
        wait_s = WAITS_S[min(self._failed, len(WAITS_S) - 1)] * (1.0 + self.spread)
        self._failed += 1
        return Outcome(wait_s=max(wait_s, asked_s), trouble=f"{why}; it is tried again")


def _seconds(text: str) -> float:
    """Retry-After in seconds (RFC 9110 10.2.3); a date, or anything else, asks for nothing of its own."""
    return min(float(text), LONGEST_WAIT_S) if text.isascii() and text.isdigit() else 0.0
