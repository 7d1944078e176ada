"""The process that writes what waits to a fleet's server, and waits with it where it cannot.

`python -m whichhop.app.fleet.write_child`: a WriteTask in a line on stdin, a Written a line on stdout.
What it loads, and what a server does to it, stays out of the daemon.
"""

import random
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import msgspec

from whichhop.app.fleet.delivery import Delivery
from whichhop.daemon.fleet.talk import WriteTask, Written
from whichhop.daemon.notice.sending import secret_of
from whichhop.errors import DataError, SystemRefusedError, WhichhopError
from whichhop.model.fleet import Fleet, Series
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import HttpAnswer, HttpClient, HttpError, trusting
from whichhop.store.outbox import Outbox, opened

IDLE_S = 5.0
"""Between looks at an outbox in which nothing waits; it is filled every half minute."""
TELL_S = 30.0
PATIENCE_S = 30.0
_MOST_ANSWER = 64 << 10
_NEEDS = "writing to a fleet's server needs the extra 'fleet': install whichhop[fleet] from your checkout"

Post = Callable[[list[Series]], HttpAnswer | HttpError]


def poster(settings: Fleet) -> Post:
    """Sends one request; DataError where the extra is missing, or a file cannot be used."""
    try:
        from whichhop.wire.remote_write import headers, request  # noqa: PLC0415 - a mesh node may lack it
    except ImportError:
        raise DataError(_NEEDS) from None
    tls = None
    if settings.ca_file is not None:
        tls = trusting()
        try:
            tls.load_verify_locations(settings.ca_file)
        except OSError as why:  # ssl's own errors are OSErrors too
            raise SystemRefusedError(
                f"{settings.ca_file}: no certificate can be read from it ({why})"
            ) from why
    client = HttpClient(seconds=PATIENCE_S, most_octets=_MOST_ANSWER, follow=False, tls=tls)

    def post(series: list[Series]) -> HttpAnswer | HttpError:
        told = {**headers(settings.version), "User-Agent": "whichhop"}
        if settings.token_file is not None:
            told["Authorization"] = f"Bearer {secret_of(Path(settings.token_file))}"
        try:
            return client.ask(settings.url, headers=told, body=request(series, settings.version))
        except HttpError as failed:
            return failed

    return post


def turn(delivery: Delivery, post: Post, totals: list[int]) -> tuple[float, str]:
    """One request, where anything waits; seconds until the next, and what to tell, "" where it went well.

    totals: values sent and given up, added to in place.
    """
    frames = delivery.next()
    if not frames:
        return IDLE_S, ""
    series = [one for frame in frames for one in frame.series]
    if not series:  # frames that a disk's fault made unreadable
        delivery.outbox.done(frames[-1].number)
        return 0.0, ""
    outcome = delivery.answered(frames, post(series))
    totals[0] += outcome.sent
    totals[1] += outcome.given_up
    return outcome.wait_s, outcome.trouble


def _write_on(task: WriteTask, outbox: Outbox, gone: threading.Event) -> None:
    post, clock, totals = poster(task.settings), SystemClock(), [0, 0]
    delivery = Delivery(outbox, random.SystemRandom().random(), task.settings.version)
    told, told_ns = "", clock.mono_ns() - round(TELL_S * 1e9)
    while not gone.is_set():
        try:
            wait_s, trouble = turn(delivery, post, totals)
        except WhichhopError as why:  # the token's file, the disk
            wait_s, trouble = 60.0, str(why)
        now_ns = clock.mono_ns()
        if trouble != told or now_ns - told_ns >= TELL_S * 1e9:
            said = Written(sent=totals[0], given_up=totals[1], waiting=outbox.waiting, trouble=trouble)
            sys.stdout.write(msgspec.json.encode(said).decode() + "\n")
            sys.stdout.flush()
            told, told_ns = trouble, now_ns
        gone.wait(min(wait_s, TELL_S) if wait_s else 0.0)
        if wait_s > TELL_S:
            gone.wait(wait_s - TELL_S)


def main() -> int:
    """Write until stdin ends, as it does with the daemon."""
    task = msgspec.json.decode(sys.stdin.buffer.readline(), type=WriteTask)
    outbox, gone = opened(Path(task.outbox), task.settings.queue_octets), threading.Event()

    def watch() -> None:
        sys.stdin.buffer.read()
        gone.set()

    threading.Thread(target=watch, daemon=True).start()
    try:
        _write_on(task, outbox, gone)
    except WhichhopError as why:
        sys.stderr.write(f"{why}\n")
        return 2
    finally:
        outbox.close()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
