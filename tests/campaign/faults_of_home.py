"""Faults of clocks and of the network: steps, daylight change, suspension, links, addresses, other agents."""

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

from campaign.house import CLOCK, House, names_server
from campaign.outcome import Outcome, Span, outcome
from campaign.shim import QUICK_DRAFTS, set_offset, stepped
from support.namespaces import V4
from whichhop.net.clock import sleep_s


def _begun(house: House, *, code: str = QUICK_DRAFTS) -> int:
    house.start("desk", code=code)
    return CLOCK.utc_ns()


def clock_steps(house: House, quick: bool) -> Outcome:
    """The clock set forward and back by seconds, hours, and to a year that has not come."""
    offset = house.folder / "offset"
    begun = _begun(house, code=QUICK_DRAFTS + stepped(offset))
    well = house.measures()
    steps = (2.0, -3600.0) if quick else (2.0, -2.0, 3600.0, -7200.0, 400 * 86_400.0, 0.0)
    spans, at = [], begun
    for seconds in steps:
        set_offset(offset, seconds)
        now = CLOCK.utc_ns()
        spans.append((at, now, seconds))
        at = now
        sleep_s(4 if quick else 20)
        well &= house.alive("desk")
    set_offset(offset, 0.0)
    back = CLOCK.utc_ns()
    sleep_s(4 if quick else 15)
    well &= house.measures()
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    # Times kept are the stepped clock's: only before the first and after the last are they the machine's.
    lives = [Span(begun, spans[0][1]), Span(back, ended)]
    excused = [Span(at - 2_000_000_000, at + 3_000_000_000) for at in (spans[0][1], back)]
    return outcome(
        house, "clock steps", len(steps) + 1, lives, excused=excused, well=well, log=house.log("desk")
    )


def daylight(house: House, quick: bool) -> Outcome:
    """The night in which local time goes back an hour (29 October 2028, 01:00 UTC), lived through."""
    change = datetime(2028, 10, 29, 1, 0, tzinfo=UTC).timestamp()
    offset = house.folder / "offset"
    code = QUICK_DRAFTS + stepped(offset)
    ahead = change - CLOCK.utc_ns() / 1e9 - (12 if quick else 40)
    set_offset(offset, ahead)
    house.start("desk", code=code, zone="Europe/Lisbon")
    begun = CLOCK.utc_ns()
    sleep_s(20 if quick else 90)
    well = house.measures()
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "daylight change",
        1,
        [Span(begun, ended)],
        well=well,
        log=house.log("desk"),
        shifted=lambda at_ns: at_ns - round(ahead * 1e9),
    )


def suspended(house: House, quick: bool) -> Outcome:
    """Stopped and continued, as a laptop that sleeps or a virtual machine that is moved."""
    begun = _begun(house)
    well, asleep = house.measures(), []
    for seconds in (5,) if quick else (3, 20, 75):
        house.signal("desk", signal.SIGSTOP)
        start = CLOCK.utc_ns()
        sleep_s(seconds)
        house.signal("desk", signal.SIGCONT)
        asleep.append(Span(start, CLOCK.utc_ns()))
        well &= house.measures()
        sleep_s(0 if quick else 10)
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    # A packet that was out while it slept is judged by the agent itself; only the gap is excused.
    return outcome(
        house,
        "suspended",
        len(asleep),
        [Span(begun, ended)],
        excused=asleep,
        well=well,
        log=house.log("desk"),
    )


def link_flaps(house: House, quick: bool) -> Outcome:
    """The interface goes down and up."""
    begun = _begun(house)
    well, down = house.measures(), []
    for seconds in (3,) if quick else (1, 10, 40):
        house.ip("host", "link", "set", "router", "down")
        start = CLOCK.utc_ns()
        sleep_s(seconds)
        house.ip("host", "link", "set", "router", "up")
        with suppress(Exception):
            house.ip("host", "route", "add", "default", "via", V4["router"])
        down.append(Span(start, CLOCK.utc_ns()))
        well &= house.measures(30)
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "interface down and up",
        len(down),
        [Span(begun, ended)],
        excused=down,
        well=well,
        log=house.log("desk"),
    )


@contextmanager
def _readdressed(house: House, **new: str) -> Iterator[None]:
    """Nodes under other addresses for a while; devices are called after the node at their other end."""
    devices = {"desk": ("host", "router", V4["host"]), "router": ("router", "host", V4["router"])}
    try:
        for name, address in new.items():
            space, device, old = devices[name]
            house.ip(space, "address", "del", f"{old}/24", "dev", device)
            house.ip(space, "address", "add", f"{address}/24", "dev", device)
        house.ip("host", "route", "replace", "default", "via", new.get("router", V4["router"]))
        yield
    finally:
        for name, address in new.items():
            space, device, old = devices[name]
            with suppress(Exception):
                house.ip(space, "address", "del", f"{address}/24", "dev", device)
            house.ip(space, "address", "add", f"{old}/24", "dev", device)
        house.ip("host", "route", "replace", "default", "via", V4["router"])


def _renumbered(house: House, name: str, quick: bool, **new: str) -> Outcome:
    begun = _begun(house)
    well = house.measures()
    start = CLOCK.utc_ns()
    with _readdressed(house, **new):
        # The agent hears nothing until somebody writes the new addresses into the home file.
        sleep_s(3 if quick else 20)
        well &= house.alive("desk")
        house.write(**new)
        for node in ("router", "desk"):
            well &= house.reload(node)
        changed = CLOCK.utc_ns()
        where = new.get("desk", V4["host"])
        well &= house.measures(30, address=where)
        sleep_s(2 if quick else 20)
        ended = CLOCK.utc_ns()
        well &= house.stop("desk") == 0
        house.stop("router")
    house.write()
    return outcome(
        house,
        name,
        1,
        [Span(begun, ended)],
        excused=[Span(start, changed + 3_000_000_000)],
        well=well,
        log=house.log("desk"),
    )


def other_address(house: House, quick: bool) -> Outcome:
    """The agent's own machine gets another address."""
    return _renumbered(house, "address change", quick, desk="192.0.2.77")


def renumbering(house: House, quick: bool) -> Outcome:
    """The router hands out another network: everything has a new address."""
    return _renumbered(house, "renumbering by the router", quick, desk="198.18.0.20", router="198.18.0.1")


def router_reboot(house: House, quick: bool) -> Outcome:
    """The router goes with its agent and comes back without its memory."""
    begun = _begun(house)
    well = house.measures()
    start = CLOCK.utc_ns()
    house.kill("router")
    for device in ("host", "edge"):
        house.ip("router", "link", "set", device, "down")
    house.ip("router", "neighbour", "flush", "all")
    sleep_s(4 if quick else 45)
    for device in ("host", "edge"):
        house.ip("router", "link", "set", device, "up")
    house.ip("router", "route", "replace", "default", "via", V4["edge"])
    house.start("router")
    back = CLOCK.utc_ns()
    well &= house.measures(30)
    sleep_s(1 if quick else 15)
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "router reboot",
        1,
        [Span(begun, ended)],
        excused=[Span(start, back)],
        well=well,
        log=house.log("desk"),
    )


def resolver_gone(house: House, quick: bool) -> Outcome:
    """The name server answers, is gone, and answers again; nothing but lookups may notice."""
    with names_server(house.path):
        begun = _begun(house)
        well = house.measures()
        sleep_s(2 if quick else 15)
    sleep_s(4 if quick else 30)
    with names_server(house.path):
        well &= house.measures()
        sleep_s(2 if quick else 15)
        ended = CLOCK.utc_ns()
        well &= house.stop("desk") == 0
    lookups = [k for k in house.kept() if k.session == "names:lookup"]
    failed = sum(k.fate.name.startswith("LOST") for k in lookups)
    return outcome(
        house,
        "resolver gone",
        1,
        [Span(begun, ended)],
        well=well,
        log=house.log("desk"),
        remark=f"lookups: {len(lookups)}, of which {failed} lost",
    )


@contextmanager
def _in_the_routers_place(house: House, answers: bytes, *, drip_s: float = 0.0) -> Iterator[None]:
    """Something that takes the router's API port: it says these octets, all at once or one at a time."""
    stop = threading.Event()

    def serve() -> None:
        with socket.create_server((V4["router"], 8620)) as listener:
            listener.settimeout(0.3)
            threads = []
            while not stop.is_set():
                with suppress(TimeoutError):
                    connection, _ = listener.accept()
                    threads.append(threading.Thread(target=talk, args=(connection,)))
                    threads[-1].start()
            for thread in threads:
                thread.join()

    def talk(connection: socket.socket) -> None:
        with connection, suppress(OSError):
            connection.settimeout(2)
            connection.recv(4096)
            pieces = [answers[i : i + 1] for i in range(len(answers))] if drip_s else [answers]
            for piece in pieces:
                if stop.is_set():
                    return
                connection.sendall(piece)
                stop.wait(drip_s)

    thread = threading.Thread(target=lambda: house.path.inside("router", serve))
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def _strange_agent(house: House, name: str, answers: bytes, quick: bool, drip_s: float = 0.0) -> Outcome:
    house.with_router = False
    with _in_the_routers_place(house, answers, drip_s=drip_s):
        house.start("desk", "--compare", code=QUICK_DRAFTS)
        begun = CLOCK.utc_ns()
        well = house.measures()
        heard = house.came(lambda: _of_router(house), 40 if quick else 90)
        remark = _of_router(house)
        well &= heard and house.measures()
        ended = CLOCK.utc_ns()
        well &= house.stop("desk") == 0
    return outcome(
        house,
        name,
        1,
        [Span(begun, ended)],
        well=well,
        log=house.log("desk"),
        remark=remark,
        path_whole=False,
    )


def _of_router(house: House) -> str:
    """What the comparer beside `desk` says of the router's agent, "" before it has spoken."""
    import json

    with suppress(OSError):
        for agent in json.loads(house.get("desk", "/bulletin"))["agents"]:
            if agent["name"] == "router":
                return str(agent.get("trouble") or "")
    return ""


def other_version(house: House, quick: bool) -> Outcome:
    """An agent of a version that is not ours: what it says of itself has another form."""
    body = b'{"agent": "router", "version": "9.0", "keys": [{"kind": "post-quantum", "octets": "00"}]}'
    head = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(body)
    return _strange_agent(house, "agent of another version", head + body, quick)


def drips(house: House, quick: bool) -> Outcome:
    """An agent that says its header an octet at a time, for ever."""
    return _strange_agent(house, "agent that drips", b"HTTP/1.1 200 OK\r\nX: " + b"a" * 5_000, quick, 0.5)
