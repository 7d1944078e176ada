"""Asks for one short page in the event loop, for the daemon; the whole HTTP client takes 1.5 MB there."""

import asyncio

import h11

from whichhop.errors import RemoteError
from whichhop.net.listen import authority

_STEP = 4096


async def short_page(address: str, port: int, path: str, *, seconds: float, most_octets: int) -> bytes:
    """The body of a 200 from a plain-HTTP port at a numeric address; RemoteError in one line otherwise.

    seconds: for the whole of it. Redirects are not followed.
    """
    where = f"http://{authority(address, port)}{path}"
    try:
        async with asyncio.timeout(seconds):
            return await _asked(address, port, path, most_octets)
    except TimeoutError:
        raise RemoteError(f"{where}: no whole answer within {seconds:g} s; is the agent running?") from None
    except OSError as why:
        raise RemoteError(f"{where}: {why}; is the agent running there?") from why
    except h11.ProtocolError as why:
        raise RemoteError(f"{where}: {why}; is this an agent's port?") from why
    except _UnfitError as why:
        raise RemoteError(f"{where}: {why}") from None


class _UnfitError(Exception):
    """An answer that is none of use."""


async def _asked(address: str, port: int, path: str, most_octets: int) -> bytes:
    http = h11.Connection(h11.CLIENT, max_incomplete_event_size=most_octets)
    reader, writer = await asyncio.open_connection(address, port)
    try:
        host = ("host", authority(address, port))
        ask = h11.Request(method="GET", target=path, headers=[host, ("connection", "close")])
        writer.write((http.send(ask) or b"") + (http.send(h11.EndOfMessage()) or b""))
        body, octets = bytearray(), 0
        while True:
            event = http.next_event()
            if event is h11.NEED_DATA:
                data = await reader.read(_STEP)
                octets += len(data)
                if octets > 2 * most_octets:  # framing and interim answers count too
                    raise _UnfitError(f"over {most_octets} octets")
                http.receive_data(data)
            elif isinstance(event, h11.Response):
                if event.status_code != 200:
                    raise _UnfitError(f"answered {event.status_code}")
            elif isinstance(event, h11.Data):
                body += event.data
                if len(body) > most_octets:
                    raise _UnfitError(f"over {most_octets} octets")
            elif isinstance(event, h11.EndOfMessage):
                return bytes(body)
            elif isinstance(event, h11.ConnectionClosed):
                raise _UnfitError("closed without an answer")
    finally:
        writer.close()
