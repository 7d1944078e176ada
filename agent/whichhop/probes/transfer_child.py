"""The process that moves a transfer's data, so that the daemon's packets stay on time.

`python -m whichhop.probes.transfer_child`: one line of JSON on stdin says what to do (see transfer_talk);
JSON lines come out: {"progress": ...} now and then, then {"done": ...}, or {"failed": TEXT, "began": BOOL}.
"""

import json
import os
import socket
import sys
from collections.abc import Iterator
from typing import Any

import msgspec
from msgspec import to_builtins

from whichhop.errors import RemoteError, WhichhopError
from whichhop.net.clock import Clock, SystemClock
from whichhop.net.tcp import connect, make_bulk, read_line
from whichhop.probes.foreign_probes import Aim, ForeignProbes
from whichhop.probes.kinds.bulk_receiver import Received, receive_bulk
from whichhop.probes.kinds.bulk_sender import Sent, send_bulk
from whichhop.probes.transfer_line import Line
from whichhop.probes.transfer_talk import AnswerSpec, AskSpec, Reporter, TransferRequest
from whichhop.wire.bulk import Talk, stream_token

PATIENCE_S = 10.0
GRACE_S = 4.0
"""How much longer than the sender's limit the receiver waits for its end."""


def _move(
    socks: list[socket.socket], request: TransferRequest, *, sends: bool, clock: Clock, report: Reporter
) -> dict[str, Any]:
    for sock in socks:
        make_bulk(sock)
    report.began = True
    done: Sent | Received
    if sends:
        done = send_bulk(
            socks,
            clock,
            limit_s=request.limit_s,
            limit_octets=request.limit_octets,
            progress=report.progress,
            whole=request.whole,
        )
    else:
        done = receive_bulk(socks, clock, limit_s=request.limit_s + GRACE_S, progress=report.progress)
    found: dict[str, Any] = to_builtins(done)
    return found


def _streams(spec: AskSpec, session: str) -> Iterator[socket.socket]:
    for number in range(spec.request.streams):
        sock = connect(spec.address, spec.port, seconds=PATIENCE_S)
        read_line(sock)  # the greeting, which every connection gets
        shown = {"stream": number, "token": stream_token(session, number)}
        sock.sendall(json.dumps(shown).encode() + b"\n")
        yield sock


def ask(spec: AskSpec, clock: Clock, report: Reporter) -> dict[str, Any]:
    """The connecting side of one transfer; what both halves saw."""
    key = bytes.fromhex(spec.key)
    with Line.dial(spec.address, spec.port, key=key, name=spec.name, seconds=PATIENCE_S) as line:
        line.say(ask="transfer", request=msgspec.to_builtins(spec.request))
        answer = line.hear()
        if "refused" in answer:
            raise RemoteError(f"{line.where}: {answer['refused']}")
        try:
            socks = list(_streams(spec, line.talk.session))
        except OSError as error:
            raise RemoteError(f"{line.where}: a stream broke off: {error.strerror or error}") from None
        line.hear()  # all streams have arrived
        sends = spec.request.way == "out"
        beside = ForeignProbes(Aim(url=spec.health_url, method="GET"), clock, octets=spec.probe_octets)
        beside.start()
        try:
            mine = _move(socks, spec.request, sends=sends, clock=clock, report=report)
        finally:
            steps = beside.stop()
        line.sock.settimeout(spec.request.limit_s + PATIENCE_S)
        theirs = line.hear()["done"]
    halves = {"sent": mine, "received": theirs} if sends else {"sent": theirs, "received": mine}
    return halves | {"beside": to_builtins(steps), "beside_octets": beside.cost_octets}


def answer(spec: AnswerSpec, clock: Clock, report: Reporter) -> dict[str, Any]:
    """The answering side; its talk was opened by the daemon, which hands the data connections in."""
    sock = socket.socket(fileno=spec.control_fd)
    sock.settimeout(PATIENCE_S)
    talk = Talk.resumed(asks=False, session=spec.session, said=spec.said, heard=spec.heard)
    feed = socket.socket(fileno=spec.feed_fd)
    feed.settimeout(PATIENCE_S)
    with feed, Line(sock, talk, where=spec.other_end) as line:
        line.say(ready=True)
        socks: list[socket.socket] = []
        while len(socks) < spec.request.streams:
            try:
                _, fds, _, _ = socket.recv_fds(feed, 16, 1)
            except TimeoutError:
                fds = []
            if not fds:
                raise RemoteError(
                    f"{spec.other_end}: its streams did not come within {PATIENCE_S:g} s; ask again"
                )
            socks.append(socket.socket(fileno=fds[0]))
        line.say(go=True)
        sends = spec.request.way == "back"
        done = _move(socks, spec.request, sends=sends, clock=clock, report=report)
        line.say(done=done)
    return done


def main() -> int:
    """Do one side of one transfer. Exit code 0 done, 2 failed with a line said."""
    clock = SystemClock()
    report = Reporter(clock)
    spec = msgspec.json.decode(sys.stdin.buffer.readline(), type=AskSpec | AnswerSpec)
    # The data must never keep the packets' timing waiting: the daemon beside us comes first.
    os.nice(5)
    try:
        does = ask(spec, clock, report) if isinstance(spec, AskSpec) else answer(spec, clock, report)
    except WhichhopError as trouble:
        report.tell(failed=str(trouble), began=report.began)
        return 2
    report.tell(done=does)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
