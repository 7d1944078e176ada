"""`whichhop survey`: a walk through the rooms with a laptop: finds dead ones, compares with earlier walks."""

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from whichhop.cli.measuring.survey_rate import rates_of
from whichhop.cli.outputs import refuse_over_inputs
from whichhop.cli.text import table
from whichhop.config.check import read_home
from whichhop.config.files import write_output
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.daemon.options import default_store
from whichhop.daemon.probers import ProberMaker, estimate_now
from whichhop.daemon.room_walk import figures_of, listen
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Home, Medium, Method, Node, Sample, Session, derive_sessions
from whichhop.model.figure_words import percent
from whichhop.model.room import RoomResult, from_readings, newest_of, to_readings, usable_name
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.net.own_interface import interface_of
from whichhop.report.rooms import Judged, Quality, draw_rooms, judged
from whichhop.report.walks import changes
from whichhop.store.store import Store

BAR = 30
LONGEST_S = 600.0
EPILOG = """\
examples:
  whichhop survey alder.yaml kitchen                 measures here, and calls it the kitchen
  whichhop survey alder.yaml kitchen attic cellar    says where to go next, and waits for Enter
  whichhop survey alder.yaml --list --svg rooms.svg  the newest walk as a table and as a drawing
  whichhop survey alder.yaml --compare 2026-03-01    what has changed since that walk

Run it on a laptop that is a node of the home with `agent: true`. In each room it sends ten packets a second
to the router (or --target) for half a minute; where the laptop's own agent runs, a transfer of three seconds
each way follows, under the home's lease and daily budget. Put the laptop where it is used, and let it lie.
Results are kept on this machine. Exit code 1 when a room is dead.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("rooms", nargs="*", metavar="ROOM", help="where you are; several make a guided walk")
    parser.add_argument("--node", metavar="NAME", help="the node this laptop is (default: by its address)")
    parser.add_argument("--target", metavar="NAME", help="the node to probe (default: the router)")
    parser.add_argument("--seconds", type=float, default=30.0, metavar="S", help="time a room (default 30)")
    parser.add_argument("--walk", metavar="NAME", help="the walk's name (default: today, as 2026-03-01)")
    parser.add_argument("--no-transfer", action="store_true", help="send test packets only")
    parser.add_argument(
        "--mb", type=float, default=50.0, metavar="MB", help="most for a transfer (default 50)"
    )
    parser.add_argument("--list", action="store_true", help="show a walk instead: the newest, or --walk")
    parser.add_argument("--compare", metavar="WALK", help="compare the newest walk, or --walk, with this one")
    parser.add_argument("--svg", type=Path, metavar="FILE", help="write the rooms as a drawing")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where walks are kept")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _laptop(home: Home, args: argparse.Namespace) -> Node:
    """The node that this machine is."""
    agents = [n for n in home.agents if n.address is not None]
    if args.node is not None:
        found = [n for n in agents if n.name == args.node]
    else:
        found = [n for n in agents if interface_of(n.address or "") is not None]
    if len(found) == 1:
        return found[0]
    names = ", ".join(n.name for n in agents)
    if args.node is not None:
        raise DataError(f"{args.home}: no agent runs on {args.node!r}; nodes with agents: {names}")
    raise DataError(
        f"{args.home}: this machine has the address of {len(found) or 'none of the'} nodes with agents; say"
        f" which it is with --node (one of {names}); in a room without any network its address is gone too"
    )


def _session(home: Home, laptop: Node, args: argparse.Namespace) -> Session:
    """The laptop's session to the target: the last addressed box before the line unless one is named."""
    mine = [s for s in derive_sessions(home) if s.key.agent == laptop.name and s.address is not None]
    if args.target is not None:
        found = [s for s in mine if s.key.target == args.target and s.key.method is not Method.LOOKUP]
    else:
        way = [name for name in home.way_out(laptop.name) if home.nodes[name].kind in _INSIDE]
        found = [s for s in mine if s.key.target in way and s.key.method is not Method.LOOKUP]
        found.sort(key=lambda s: (s.key.method is not Method.STAMP, -len(s.path.links)))
    if not found:
        named = args.target or "a router with an address on its path to the internet"
        raise DataError(f"{args.home}: {laptop.name} has no session to {named}; see whichhop check")
    return found[0]


_INSIDE = ("router", "gateway", "mesh-node", "access-point")


class _Progress:
    """A bar on a terminal, a line a room elsewhere."""

    def __init__(self, room: str, seconds: float) -> None:
        self._room, self._seconds, self._live = room, seconds, sys.stderr.isatty()
        if not self._live:
            sys.stderr.write(f"{room}: measuring for {seconds:g} s\n")

    def show(self, passed_s: float, answered: int, lost: int) -> None:
        if not self._live:
            return
        full = min(BAR, round(BAR * passed_s / self._seconds))
        bar = "=" * full + " " * (BAR - full)
        sys.stderr.write(f"\r{self._room} [{bar}] {passed_s:4.1f} s, {answered} answered, {lost} lost ")
        sys.stderr.flush()

    def end(self) -> None:
        if self._live:
            sys.stderr.write("\r" + " " * 79 + "\r")


async def _packets(
    home: Home, session: Session, key: bytes, seconds: float, progress: _Progress
) -> list[Sample]:
    samples: list[Sample] = []
    clock = SystemClock()
    maker = ProberMaker(home, lambda _, sample: samples.append(sample), clock, estimate_now, key)
    prober = maker.probers([session])[session.key.method]
    prober.open(asyncio.get_running_loop())
    try:
        await listen(
            prober,
            session.key,
            session.address or "",
            seconds=seconds,
            clock=clock,
            tell=progress.show,
            samples=samples,
        )
    finally:
        prober.close()
        progress.end()
    return samples


def _measure(home: Home, laptop: Node, session: Session, room: str, args: argparse.Namespace) -> RoomResult:
    keys = derive_keys(read_key(args.key or key_path_for(args.home)))
    at_ns = SystemClock().utc_ns()
    progress = _Progress(room, args.seconds)
    samples = asyncio.run(_packets(home, session, keys.stamp, args.seconds, progress))
    figures: dict[str, Any] = figures_of(samples)
    rates: dict[str, Any] = {}
    if not args.no_transfer and figures["lost"] != figures["sent"]:
        rates, why = rates_of(home, laptop, session.key.target, keys.transfer, octets=round(args.mb * 1e6))
        if why:
            sys.stderr.write(f"{room}: no rate was measured: {why}\n")
    return RoomResult(
        walk=args.walk,
        room=room,
        at_ns=at_ns,
        agent=laptop.name,
        target=session.key.target,
        **figures,
        **rates,
    )


def _ms(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds * 1e3:.1f}"


def _mb(bps: float | None, at_least: float | None) -> str:
    return "-" if bps is None else f"{'>=' if at_least else ''}{bps / 1e6:.1f}"


def _row(j: Judged) -> tuple[str, ...]:
    r = j.result
    span = f"{percent(j.loss.low, 1)} to {percent(j.loss.high, 1)}"
    loss = f"{r.lost}/{r.sent} ({span})" if r.sent else "nothing sent"
    loss += f", {r.unsent} not sent" if r.sent and r.unsent else ""
    between = f" ({_ms(r.p50_low_s)}-{_ms(r.p50_high_s)})" if r.p50_low_s is not None else ""
    return (
        r.room,
        j.quality.value,
        loss,
        _ms(r.p50_s) + between,
        _ms(r.p95_s),
        _mb(r.down_bps, r.down_at_least),
        _mb(r.up_bps, r.up_at_least),
        j.why,
    )


HEAD = ("room", "stands", "lost (95 %)", "median ms (95 %)", "95 % ms", "down Mbit/s", "up Mbit/s", "because")


def _judged(result: RoomResult, home: Home) -> Judged:
    plan = home.plan
    return judged(result, plan.down_bps if plan else None, plan.up_bps if plan else None)


def _path(result: RoomResult, home: Home) -> tuple[str, ...]:
    """The links that the home file has between the laptop and the target."""
    path = (
        home.path(result.agent, result.target) if {result.agent, result.target} <= set(home.nodes) else None
    )
    return tuple(link.name for link in path.links) if path is not None else ()


def _path_words(rooms: Sequence[Judged], home: Home) -> str:
    """Which way the packets went, as far as the home file knows it, and what its figures can speak of."""
    ways = dict.fromkeys((j.result.target, _path(j.result, home)) for j in rooms)
    words = "; ".join(f"{target}, over {', '.join(links) or 'no link known'}" for target, links in ways)
    radio = [k.name for k in home.links if k.medium is Medium.RADIO and any(k.name in ls for _, ls in ways)]
    if len(radio) > 1:
        words += f" ({len(radio)} radio links in a row: a bad figure may be of either)"
    return f"Packets went to {words}; a laptop that has roamed took another first link."


def _text(walk: str, rooms: Sequence[Judged], home: Home) -> str:
    dead = [j.result.room for j in rooms if j.quality is Quality.DEAD]
    poor = [j.result.room for j in rooms if j.quality is Quality.POOR]
    head = f"Dead: {', '.join(dead)}." if dead else "No room is dead."
    head += f" Poor: {', '.join(poor)}." if poor else ""
    lines = [f"Walk {walk}. {head}", "", table(HEAD, [_row(j) for j in rooms]), "", _path_words(rooms, home)]
    return "\n".join(lines) + "\n"


def _data(walk: str, rooms: Sequence[Judged], home: Home) -> dict[str, Any]:
    return {
        "walk": walk,
        "rooms": [msgspec.to_builtins(j) | {"path": _path(j.result, home)} for j in rooms],
        "dead": [j.result.room for j in rooms if j.quality is Quality.DEAD],
    }


def _known_walks(results: Sequence[RoomResult]) -> list[str]:
    newest = {r.walk: r.at_ns for r in results}  # results come in the order of time
    return sorted(newest, key=lambda w: newest[w])


def _picked(results: Sequence[RoomResult], walk: str | None) -> tuple[str, tuple[RoomResult, ...]]:
    walks = _known_walks(results)
    if not walks:
        raise DataError("no walk is kept here yet; make one: whichhop survey HOME ROOM")
    name = walk or walks[-1]
    if name not in walks:
        raise DataError(f"no walk {name!r} is kept here; there are: {', '.join(walks)}")
    return name, newest_of(results, name)


def _compared(args: argparse.Namespace, results: Sequence[RoomResult]) -> None:
    _picked(results, args.compare)
    others = [r for r in results if r.walk != args.compare]
    if args.walk is None and not others:
        raise DataError(
            f"there is no walk but {args.compare!r} to compare with; walk again: survey HOME ROOM"
        )
    name, after = _picked(others if args.walk is None else results, args.walk)
    _, before = _picked(results, args.compare)
    found = changes(before, after, results)
    gone = sorted({r.room for r in before} - {r.room for r in after})
    new = sorted({r.room for r in after} - {r.room for r in before})
    if args.json:
        data = {"before": args.compare, "after": name, "only_before": gone, "only_after": new}
        data |= {"changes": [msgspec.to_builtins(c) | {"words": c.words} for c in found]}
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return
    sure = sum(c.better is not None for c in found)
    head = f"Walk {name} against {args.compare}: {sure or 'none'} of {len(found)} figures changed for sure."
    lines = [head, "All intervals hold together with 95 %.", "", *(c.words for c in found)]
    if not found:
        lines.append("The two walks have no room with the same figures.")
    lines += [f"Only in {args.compare}: {', '.join(gone)}."] * bool(gone)
    lines += [f"Only in {name}: {', '.join(new)}."] * bool(new)
    sys.stdout.write("\n".join(lines) + "\n")


def _show(args: argparse.Namespace, walk: str, results: Sequence[RoomResult], home: Home) -> int:
    rooms = [_judged(r, home) for r in results]
    if args.svg:
        write_output(args.svg, draw_rooms(rooms, f"{home.name}, walk {walk}").encode())
        sys.stderr.write(f"written: {args.svg}\n")
    if args.json:
        sys.stdout.write(json.dumps(_data(walk, rooms, home), indent=2) + "\n")
    else:
        sys.stdout.write(_text(walk, rooms, home))
    return 1 if any(j.quality is Quality.DEAD for j in rooms) else 0


def _guide(room: str, place: int, many: int) -> None:
    """Between rooms: where to go; on a terminal, until Enter says that we are there."""
    if many == 1:
        return
    sys.stderr.write(f"{place} of {many}: go to {room}, put the laptop where it is used")
    if sys.stdin.isatty():
        sys.stderr.write(", and press Enter ")
        sys.stderr.flush()
        sys.stdin.readline()
    else:
        sys.stderr.write("\n")


def _check(args: argparse.Namespace) -> None:
    asked = sum((bool(args.rooms), args.list, args.compare is not None))
    if asked != 1:
        raise WhichhopError("name the room you are in, or give --list or --compare WALK")
    if not 1.0 <= args.seconds <= LONGEST_S:
        raise DataError(f"--seconds {args.seconds:g}: give 1 to {LONGEST_S:g}")
    for name in (*args.rooms, *([args.walk] if args.walk else [])):
        if not usable_name(name):
            raise DataError(f"{name!r} cannot be a name here; use up to 40 characters without /")


def run(args: argparse.Namespace) -> int:
    """Walk, or show what was walked. Exit code 1 when a room is dead."""
    _check(args)
    refuse_over_inputs(args, "svg")
    home = read_home(args.home)
    path = args.store or default_store(f"{args.home.stem}.survey")
    with Store.make(path) as store:
        if args.rooms:
            laptop = _laptop(home, args)
            session = _session(home, laptop, args)
            today = datetime.fromtimestamp(SystemClock().utc_ns() / NS_PER_S, UTC).astimezone()
            args.walk = args.walk or f"{today:%Y-%m-%d}"
            for place, room in enumerate(args.rooms, 1):
                _guide(room, place, len(args.rooms))
                result = _measure(home, laptop, session, room, args)
                store.append_all((), to_readings(result))
                if len(args.rooms) > 1:
                    now = _judged(result, home)
                    sys.stderr.write(f"{room}: {now.quality}, {now.why}\n")
        results = from_readings(store.readings())
    if args.compare is not None:
        _compared(args, results)
        return 0
    walk, found = _picked(results, args.walk)
    return _show(args, walk, found, home)
