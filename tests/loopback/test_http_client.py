"""The HTTP client against servers that misbehave: every answer ends in time, and in one line."""

import tracemalloc

import pytest

from support import hostile_server as bad
from support.hostile_server import OK, Talk, hostile
from whichhop.errors import RemoteError
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import Failure, HttpClient, HttpError, fetch

pytestmark = [pytest.mark.slow, pytest.mark.waits]


@pytest.mark.parametrize(
    ("talk", "failures"),
    [
        (bad.DRIPS_HEADER, {Failure.SILENT}),
        (bad.CONTINUES_FOR_EVER, {Failure.SILENT, Failure.TOO_LARGE}),
        (bad.CONTINUES_SLOWLY, {Failure.SILENT}),
        (bad.NEVER_ENDS, {Failure.TOO_LARGE}),
        (bad.DRIPS_BODY, {Failure.SILENT}),
        (bad.DRIPS_CHUNKS, {Failure.SILENT}),
        (bad.ONE_CHUNK_LINE, {Failure.NOT_HTTP, Failure.TOO_LARGE, Failure.BROKEN_OFF}),
        (bad.HEADERS_WITHOUT_END, {Failure.NOT_HTTP}),
        (bad.SILENT, {Failure.SILENT}),
    ],
)
def test_no_server_holds_a_caller_up_or_fills_its_memory(talk: Talk, failures: set[Failure]) -> None:
    tracemalloc.start()
    begin = SystemClock().mono_ns()
    with hostile(talk) as base, pytest.raises(HttpError) as caught:
        HttpClient(seconds=1.0, most_octets=1_000_000).ask(base)
    took = SystemClock().mono_ns() - begin
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert caught.value.failure in failures
    assert took < 4e9
    assert peak < 10_000_000


@pytest.mark.parametrize(
    "status",
    [
        b"HTTP/1.1 99999 x\r\n\r\n",
        b"HTTP/1.1 \xb2\xb2\xb2 x\r\n\r\n",
        b"HTTP/1.1 " + b"9" * 5000 + b"\r\n\r\n",
        b"HTTP/9.9 200 OK\r\n\r\n",
        b"\0\0\0\r\n\r\n",
        b"x" * 70_000,
        OK + b"Content-Length: -5\r\n\r\n",
        OK + b"Content-Length: " + b"9" * 400 + b"\r\n\r\nx",
        OK + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        OK + b"Transfer-Encoding: chunked\r\n\r\n" + b"f" * 300 + b"\r\nx",
        OK + b"Content-Type: text/html; charset=\xff\xfe\r\n\r\n",
        b"HTTP/1.1 302 x\r\nLocation: http://[::1\r\n\r\n",
        b"HTTP/1.1 302 x\r\nLocation: //192.0.2.9/\r\n\r\n",
        b"HTTP/1.1 302 x\r\nLocation: /round\r\n\r\n",
        b"HTTP/1.1 302 x\r\nLocation: /\x01\xff\r\n\r\n",
        b"HTTP/1.1 200 \x1b[2J\r\n\r\n",
        OK + b"Set-Cookie: " + b"a=b;" * 10_000 + b"\r\n\r\n",
    ],
)
def test_an_odd_answer_is_an_answer_or_one_line(status: bytes) -> None:
    with hostile(lambda caller, over: caller.sendall(status)) as base:
        client = HttpClient(seconds=2.0, most_octets=10_000, follow=True)
        for _ in range(2):  # what the first left in the client must not harm the second
            try:
                said = client.ask(base).reason
            except HttpError as error:
                said = error.why
            assert said.isprintable()
            assert len(said) < 300


def test_an_agent_that_says_continue_for_ever_is_one_line_that_names_it() -> None:
    with hostile(bad.CONTINUES_SLOWLY) as base:
        with pytest.raises(
            RemoteError, match=r"no whole answer within 0\.5 s; is the agent running\?"
        ) as told:
            fetch(base, seconds=0.5)
        assert str(told.value).startswith(base)


def test_a_redirect_is_followed_on_the_same_machine_with_its_cookie() -> None:
    seen = []

    def talk(caller: object, over: object) -> None:
        count = len(seen)
        seen.append(count)
        sends = caller.sendall  # type: ignore[attr-defined]
        if count == 0:
            sends(
                b"HTTP/1.1 302 x\r\nLocation: /next\r\nSet-Cookie: s=1; Path=/\r\nContent-Length: 0\r\n\r\n"
            )
        else:
            sends(OK + b"Content-Length: 2\r\n\r\nhi")

    with hostile(talk) as base:
        client = HttpClient(seconds=5.0, most_octets=1000, follow=True)
        assert client.ask(base).body == b"hi"
        assert [cookie.name for cookie in client._cookies] == ["s"]
