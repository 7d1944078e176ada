"""The process that moves a transfer's data, so that the daemon's packets stay on time.

`python -m whichhop.probes.transfer_child`: one line of JSON on stdin says what to do (see AskSpec and
AnswerSpec); JSON lines come out: {"progress": ...} now and then, then one {"done": ...} or {"failed": TEXT}.
"""

import json
import os
import secrets
import socket
import sys
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import msgspec

from whichhop.errors import PeerError, WhichhopError
from whichhop.net.clock import Clock, SystemClock
from whichhop.net.tcp import connect, make_bulk, read_line
from whichhop.probes.kinds.bulk_receiver import Received, receive_bulk
from whichhop.probes.kinds.bulk_sender import Sent, send_bulk
from whichhop.probes.transfer_talk import AnswerSpec, AskSpec, TransferRequest
from whichhop.wire.bulk import NONCE_OCTETS, Talk, TalkError, stream_token

PATIENCE_S = 10.0
GRACE_S = 4.0
"""How much longer than the sender's limit the receiver waits for its end."""
TELL_NS = 200_000_000


class Line:
    """A talk on a blocking socket."""

    def __init__(self, sock: socket.socket, talk: Talk, waiting: bytes = b"") -> None:
        self.sock, self.talk = sock, talk
        self._messages: list[dict[str, Any]] = list(talk.feed(waiting))

    def open(self) -> None:
        """Go through the handshake."""
        while not self.talk.session:
            self._more()
            self.sock.sendall(self.talk.take())

    def say(self, **message: Any) -> None:
        """Send one message."""
        self.sock.sendall(self.talk.say(message))

    def hear(self) -> dict[str, Any]:
        """Wait for one message."""
        while not self._messages:
            self._more()
        return self._messages.pop(0)

    def _more(self) -> None:
        data = self.sock.recv(4096)
        if not data:
            raise PeerError("the other agent closed the talk")
        try:
            self._messages += self.talk.feed(data)
        finally:
            if waiting := self.talk.take():
                self.sock.sendall(waiting)


class Reporter:
    """Progress lines for whoever started this process; a few a second."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._next_ns = clock, 0

    def __call__(self, seconds: float, octets: int) -> None:
        now = self._clock.mono_ns()
        if now >= self._next_ns:
            self._next_ns = now + TELL_NS
            tell(progress={"seconds": round(seconds, 2), "octets": octets})


def tell(**message: Any) -> None:
    """One JSON line to stdout."""
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


def _move(
    socks: list[socket.socket], request: TransferRequest, *, sends: bool, clock: Clock
) -> Sent | Received:
    for sock in socks:
        make_bulk(sock)
    report = Reporter(clock)
    if sends:
        return send_bulk(
            socks, clock, limit_s=request.limit_s, limit_octets=request.limit_octets, progress=report
        )
    return receive_bulk(socks, clock, limit_s=request.limit_s + GRACE_S, progress=report)


def _streams(spec: AskSpec, session: str) -> Iterator[socket.socket]:
    for number in range(spec.request.streams):
        sock = connect(spec.address, spec.port, seconds=PATIENCE_S)
        read_line(sock)  # the greeting, which every connection gets
        shown = {"stream": number, "token": stream_token(session, number)}
        sock.sendall(json.dumps(shown).encode() + b"\n")
        yield sock


def ask(spec: AskSpec, clock: Clock) -> dict[str, Any]:
    """The connecting side of one transfer; what both halves saw."""
    where = f"{spec.address}:{spec.port}"
    sock = connect(spec.address, spec.port, seconds=PATIENCE_S)
    talk = Talk(
        key=bytes.fromhex(spec.key), asks=True, nonce=secrets.token_bytes(NONCE_OCTETS), name=spec.name
    )
    line = Line(sock, talk)
    try:
        line.open()
        line.say(ask="transfer", request=msgspec.to_builtins(spec.request))
        answer = line.hear()
        if "refused" in answer:
            raise PeerError(f"{where}: {answer['refused']}")
        socks = list(_streams(spec, talk.session))
        line.hear()  # all streams have arrived
        sends = spec.request.way == "out"
        mine = _move(socks, spec.request, sends=sends, clock=clock)
        sock.settimeout(spec.request.limit_s + PATIENCE_S)
        theirs = line.hear()["done"]
    except TalkError as trouble:
        raise PeerError(f"{where}: {trouble}") from None
    except TimeoutError:
        raise PeerError(f"{where}: the other agent fell silent in mid-transfer; is it still there?") from None
    except (OSError, PeerError) as trouble:
        if isinstance(trouble, PeerError) and str(trouble).startswith(where):
            raise
        text = trouble if isinstance(trouble, PeerError) else trouble.strerror or trouble
        raise PeerError(f"{where}: the transfer broke off: {text}; ask again") from None
    finally:
        sock.close()
    mine_data = asdict(mine)
    return {"sent": mine_data, "received": theirs} if sends else {"sent": theirs, "received": mine_data}


def answer(spec: AnswerSpec, clock: Clock) -> dict[str, Any]:
    """The answering side; its talk was opened by the daemon, which hands the data connections in."""
    sock = socket.socket(fileno=spec.control_fd)
    sock.settimeout(PATIENCE_S)
    talk = Talk.resumed(asks=False, session=spec.session, said=spec.said, heard=spec.heard)
    line = Line(sock, talk, bytes.fromhex(spec.waiting))
    feed = socket.socket(fileno=spec.feed_fd)
    feed.settimeout(PATIENCE_S)
    try:
        line.say(ready=True)
        socks: list[socket.socket] = []
        while len(socks) < spec.request.streams:
            _, fds, _, _ = socket.recv_fds(feed, 16, 1)
            if not fds:
                raise PeerError("the daemon ended")
            socks.append(socket.socket(fileno=fds[0]))
        line.say(go=True)
        done = asdict(_move(socks, spec.request, sends=spec.request.way == "back", clock=clock))
        line.say(done=done)
    except (TalkError, OSError) as trouble:
        raise PeerError(f"{spec.peer}: the transfer broke off: {trouble}") from None
    return done


def main() -> int:
    """Do one side of one transfer. Exit code 0 done, 2 failed with a line said."""
    clock = SystemClock()
    spec = msgspec.json.decode(sys.stdin.buffer.readline(), type=AskSpec | AnswerSpec)
    # The data must never keep the packets' timing waiting: the daemon beside us comes first.
    os.nice(5)
    try:
        tell(done=ask(spec, clock) if isinstance(spec, AskSpec) else answer(spec, clock))
    except WhichhopError as trouble:
        tell(failed=str(trouble))
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
