"""The process that reads the router's byte counters over the network, as long as its daemon lives.

`python -m whichhop.probes.counters_child`: a CountersRequest on stdin, which then stays open; a JSON line a
reading comes out: {"count": ...} or {"failed": TEXT}. The SNMP library's 30 MB stay out of the daemon.
"""

import asyncio
import itertools
import json
import sys
from typing import Any
from urllib.parse import urlsplit

import msgspec

from whichhop.errors import RemoteError, WhichhopError
from whichhop.model.levels_source import CounterSource
from whichhop.model.units import seconds_to_next
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import Failure, HttpClient, HttpError
from whichhop.outside import OutsideError
from whichhop.probes.device_talk import Count, CountersRequest, Health
from whichhop.wire import mibs, upnp_wan
from whichhop.wire.mibs import BOX_WALKS, BoxCounts, box_counts_of

MOST_PAGE = 256 * 1024
HEALTH_EVERY = 6
"""Counts from one look at the box itself to the next, a minute: its dozen tables are as many questions."""


async def _by_snmp(source: CounterSource, timeout_s: float, *, health: bool) -> Count:
    from whichhop.probes.snmp_walk import SnmpTarget  # noqa: PLC0415 # not needed for UPnP

    target = SnmpTarget(
        source.address or "", source.port, source.community, timeout_s, user_file=source.user_file
    )
    try:
        names = await target.walk_texts(mibs.NAMES)
        index = mibs.index_of(names, source.interface)
        if index is None:
            there = ", ".join(sorted(set(names.values()))[:12]) or "none"
            raise RemoteError(f"{source.words}: no interface {source.interface!r}; there are: {there}")
        found = mibs.counters_of(await target.walk(mibs.COUNTERS), index)
        box = box_counts_of(await target.walk(BOX_WALKS), index) if health and found is not None else None
    finally:
        target.close()
    if found is None:
        raise RemoteError(f"{source.words}: no octet counters of {source.interface!r} (RFC 2863); try upnp")
    return Count(
        received=found.received,
        sent=found.sent,
        bits=found.bits,
        discontinuity=found.discontinuity,
        speed_bps=found.speed_bps,
        health=None if box is None else _health(box, found),
    )


def _health(box: BoxCounts, found: mibs.IfCounters) -> Health:
    return Health(
        uptime_s=box.uptime_s,
        uptime_wraps=box.uptime_wraps,
        counts=box.counts,  # type: ignore[arg-type] # as many as COUNTS
        discontinuity=found.discontinuity,
        last_change=box.last_change,
        full_duplex=box.full_duplex,
        up=box.up,
        speed_bps=found.speed_bps,
    )


class _Upnp:
    """The device's control address is looked up once."""

    def __init__(self, source: CounterSource, timeout_s: float) -> None:
        self._source, self._timeout_s, self._control = source, timeout_s, ""

    def count(self) -> Count:
        if not self._control:
            page = self._page(self._source.description, {}, None)
            control = self._read(upnp_wan.control_address, page, self._source.description)
            if urlsplit(control).hostname != urlsplit(self._source.description).hostname:
                raise RemoteError(
                    f"{self._source.words}: its control address is on another machine; not asked"
                )
            self._control = control
        received, sent = (self._total(v) for v in (upnp_wan.RECEIVED, upnp_wan.SENT))
        return Count(received=received, sent=sent, bits=upnp_wan.BITS)

    def _total(self, variable: str) -> int:
        headers, body = upnp_wan.question(variable)
        page = self._page(self._control, headers, body)
        return int(self._read(upnp_wan.answer, page, variable))

    def _read(self, reads: Any, *words: Any) -> Any:
        try:
            return reads(*words)
        except OutsideError as wrong:
            raise RemoteError(
                f"{self._source.words}: {wrong}; correct wan_counters in the home file"
            ) from None

    def _page(self, url: str, headers: dict[str, str], body: bytes | None) -> bytes:
        words = self._source.words
        client = HttpClient(seconds=self._timeout_s, most_octets=MOST_PAGE)
        try:
            answer = client.ask(url, headers=headers, body=body)
        except HttpError as trouble:
            if trouble.failure is Failure.SILENT:
                why = f"no answer within {self._timeout_s:g} s"
            else:
                why = f"{trouble.failure}: {trouble.why}"
            raise RemoteError(f"{words}: {why}; is UPnP on in the router?") from None
        # A refused action comes as 500 with its reason in the body (UPnP Device Architecture).
        if answer.status not in (200, 500):
            raise RemoteError(f"{words}: answered {answer.status}; correct the address")
        return answer.body


def _tell(**message: Any) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


async def _run(request: CountersRequest) -> None:
    clock = SystemClock()
    source, timeout_s = request.source, request.timeout_s
    upnp = _Upnp(source, timeout_s) if source.address is None else None
    for turn in itertools.count():
        try:
            if upnp is not None:
                count = await asyncio.to_thread(upnp.count)
            else:
                count = await _by_snmp(source, timeout_s, health=turn % HEALTH_EVERY == 0)
            _tell(count=msgspec.to_builtins(count), at_ns=clock.utc_ns(), mono_ns=clock.mono_ns())
        except WhichhopError as trouble:
            _tell(failed=str(trouble))
        # As a window of the comparer ends, so that its own traffic is known when it is judged.
        await asyncio.sleep(max(0.05, seconds_to_next(clock.utc_ns(), request.every_s)))


async def _until_orphaned(request: CountersRequest) -> None:
    """Read on until the daemon goes: then stdin ends."""
    work = asyncio.create_task(_run(request))
    gone = asyncio.get_running_loop().run_in_executor(None, sys.stdin.buffer.read)
    await asyncio.wait((work, gone), return_when=asyncio.FIRST_COMPLETED)
    work.cancel()


def main() -> int:
    """Read until stdin ends."""
    request = msgspec.json.decode(sys.stdin.buffer.readline(), type=CountersRequest)
    asyncio.run(_until_orphaned(request))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
