"""`whichhop transfer`: has an agent measure how much a path carries, and what that does to delay."""

import argparse
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from whichhop.app.looks.transfer_order import Meanwhile, Today, order_transfer, transfers_today
from whichhop.cli.text import instant_text, table, times_in
from whichhop.config.check import read_home
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.daemon.transfer.schedule import coming, octets_each
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Home
from whichhop.model.figure_words import zone_of
from whichhop.model.transfer import UPSTREAM
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

BAR = 30
LEAST_FINAL_S = 8.0
"""Slow start, and the seven seconds that the responsiveness draft's criterion needs."""

EPILOG = """\
examples:
  whichhop transfer alder.yaml desk attic       from the desk's agent to the attic's and back
  whichhop transfer alder.yaml study upstream   the line itself, by targets.downloads and targets.uploads
  whichhop transfer alder.yaml --schedule           what runs by itself, when, and what it may use

One transfer at a time runs in the whole home, within limits.daily_transfer_mb and outside the quiet hours.
Exit code 0 done, 2 when it was skipped or failed, with the reason.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("agent", nargs="?", metavar="A", help="the node whose agent asks")
    parser.add_argument("other_end", nargs="?", metavar="B", help=f"the other node, or {UPSTREAM}")
    parser.add_argument(
        "--way", choices=["both", "out", "back"], default="both", help="A to B, back, or both"
    )
    parser.add_argument("--streams", type=int, default=1, metavar="N", help="connections at once (default 1)")
    parser.add_argument("--seconds", type=float, metavar="S", help="the longest for each way (default 10)")
    parser.add_argument("--mb", type=float, metavar="MB", help="the most for each way, in megabytes")
    parser.add_argument(
        "--anyway", action="store_true", help="in quiet hours too, and while the home is busy"
    )
    parser.add_argument(
        "--whole",
        action="store_true",
        help="go on for all of --seconds though the rate is steady: for round trips a minute, which need 8 s",
    )
    parser.add_argument("--schedule", action="store_true", help="show what runs by itself instead")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


class _Bar:
    """A progress bar on a terminal; elsewhere a line a direction."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._limit_s, self._what = 10.0, ""
        self._last = (0.0, 0)

    def show(self, said: Meanwhile) -> None:
        """One message of the agent's."""
        if said.waiting:
            self._line(f"waiting: {said.waiting}")
        elif said.begins is not None:
            begins = said.begins
            self._limit_s, self._last = begins.limit_s, (0.0, 0)
            arrow = "to" if begins.way == "out" else "from"
            self._what = f"{begins.agent} {arrow} {begins.other_end}"
            if not self._live:
                self._line(f"{self._what}: begins")
        elif said.progress is not None and self._live:
            seconds, octets = said.progress.seconds, said.progress.octets
            passed = max(seconds - self._last[0], 1e-3)
            rate = (octets - self._last[1]) * 8 / passed
            self._last = (seconds, octets)
            full = min(BAR, round(BAR * seconds / self._limit_s))
            bar = "=" * full + " " * (BAR - full)
            sys.stderr.write(f"\r{self._what} [{bar}] {seconds:4.1f} s {rate / 1e6:8.1f} Mbit/s ")
            sys.stderr.flush()

        elif said.judging and self._live:
            words = "the last packets beside it are waited for"
            sys.stderr.write(f"\r{words:79s}")
            sys.stderr.flush()

    def end(self) -> None:
        """Clear the bar away."""
        if self._live:
            sys.stderr.write("\r" + " " * 79 + "\r")

    @staticmethod
    def _line(text: str) -> None:
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()


def _ask(home: Home, args: argparse.Namespace) -> list[dict[str, Any]]:
    node = home.nodes.get(args.agent)
    if node is None or not node.agent or node.address is None:
        agents = ", ".join(n.name for n in home.agents)
        raise DataError(f"{args.home}: no agent runs on {args.agent!r}; agents run on: {agents}")
    key = derive_keys(read_key(args.key or key_path_for(args.home))).transfer
    bar = _Bar()
    try:
        return order_transfer(
            node.address,
            home.ports.transfer,
            key,
            bar.show,
            other_end=args.other_end,
            ways=["out", "back"] if args.way == "both" else [args.way],
            streams=args.streams,
            seconds=args.seconds,
            octets=round(args.mb * 1e6) if args.mb else None,
            anyway=args.anyway,
            whole=args.whole,
        )
    finally:
        bar.end()


def _rate(bps: float) -> str:
    return f"{bps / 1e6:.1f} Mbit/s" if bps < 1e9 else f"{bps / 1e9:.2f} Gbit/s"


def _ms(seconds: float | None) -> str:
    if seconds is None:
        return "unknown"
    return f"{seconds * 1e3:.1f} ms" if abs(seconds) >= 1e-3 else f"{seconds * 1e3:.3f} ms"


def _text(r: dict[str, Any]) -> str:
    arrow = "to" if r["way"] == "out" else "from"
    least = "at least " if r["at_least"] else ""
    lines = [f"{r['agent']} {arrow} {r['other_end']}: {least}{_rate(r['rate_bps'])}"]
    if r["at_least"]:
        lines[0] += f", held back by {r['limited']}: the path may carry more"
    state = "steady within 2 %" if r["steady"] else f"not steady (slots differ by {100 * r['spread']:.0f} %)"
    ends = {"time": ", its time was over", "bytes": ", its bytes were used up", "broken": ", it broke off"}
    state += ends.get(r["ended"], "")
    lines.append(
        f"  {state}; {r['octets'] / 1e6:.1f} MB in {r['seconds']:.1f} s over {r['streams']} connection"
        + ("s" if r["streams"] > 1 else "")
        + f"; {r['wire_octets'] / 1e6:.1f} MB charged"
    )
    told = []
    if r["efficiency"] is not None:
        told.append(f"TCP efficiency {100 * r['efficiency']:.2f} %")
    if r["time_ratio"] is not None:
        told.append(f"transfer time ratio {r['time_ratio']:.2f}")
    if r["buffer_delay"] is not None:
        told.append(f"buffer delay {100 * r['buffer_delay']:.0f} %")
    if told:
        lines.append(f"  RFC 6349: {', '.join(told)}")
    trips = r["round_trips"]
    if trips is not None:
        kinds = [f"{trips[k + '_ms']:.0f} ms {k.upper()}" for k in ("tcp", "tls", "http") if trips[k + "_ms"]]
        short = (
            "not long enough to be final (--whole)" if r["seconds"] < LEAST_FINAL_S else "they still moved"
        )
        held = "they held still" if trips["stable"] else short
        lines.append(
            f"  {trips['overall_per_minute']:.0f} round trips a minute under load: new connections "
            f"{', '.join(kinds)}; the full one {trips['loaded_ms']:.0f} ms; {held}"
        )
    load = r["load"]
    if load is not None:
        lost = f"{load['lost']} of {load['sent']} lost"
        lines.append(
            f"  latency to {load['target']}: {_ms(load['before_s'])} before, {_ms(load['during_s'])} during, "
            f"{_ms(load['after_s'])} after; {lost}"
        )
    return "\n".join(lines) + "\n"


def _schedule(home: Home, args: argparse.Namespace) -> int:
    times_in(home)
    clock = SystemClock()
    now = datetime.fromtimestamp(clock.utc_ns() / NS_PER_S, UTC)
    due = coming(home, now, zone_of(home), most=20)
    today = _today(home, args)
    each = {str(p): n for p, n in octets_each(home).items()}
    if args.json:
        rows = [
            {"at_ns": d.at_ns, "agent": d.pair.agent, "other_end": d.pair.other_end, "octets": d.octets}
            for d in due
        ]
        data = {"a_day": home.limits.transfers_a_day, "pairs": each, "coming": rows}
        data["today"] = None if today is None else msgspec.to_builtins(today)
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return 0
    if not home.limits.transfers_a_day:
        sys.stdout.write(
            "Nothing runs by itself: set limits.transfers_a_day. These would, and may use at most:\n"
        )
        rows_each = [(name, f"{octets / 1e6:.0f} MB") for name, octets in each.items()]
        sys.stdout.write(table(("transfer", "at most"), rows_each) + "\n")
    else:
        rows_due = [(instant_text(d.at_ns), str(d.pair), f"{d.octets / 1e6:.0f} MB") for d in due]
        sys.stdout.write(table(("when", "transfer", "at most"), rows_due) + "\n")
    if today is not None:
        spent, budget = today.spent / 1e6, today.budget / 1e6
        held = f"; {today.held} runs now" if today.held else ""
        sys.stdout.write(f"Today {spent:.1f} of {budget:.0f} MB are used{held}.\n")
    return 0


def _today(home: Home, args: argparse.Namespace) -> Today | None:
    """What the keeper says of today, None when it cannot be asked from here."""
    try:
        key = derive_keys(read_key(args.key or key_path_for(args.home))).transfer
        first = home.agents[0]
        address = first.address or ""
        return transfers_today(address, home.ports.transfer, key, seconds=3.0)
    except WhichhopError as trouble:
        sys.stderr.write(f"today's use is not known: {trouble}\n")
        return None


def run(args: argparse.Namespace) -> int:
    """Have it measured and print it, or print the schedule."""
    home = read_home(args.home)
    if args.schedule:
        return _schedule(home, args)
    if args.agent is None or args.other_end is None:
        raise DataError("name two nodes: whichhop transfer HOME A B (or --schedule)")
    results = _ask(home, args)
    if args.json:
        sys.stdout.write(json.dumps(results, indent=2) + "\n")
    else:
        sys.stdout.write("".join(map(_text, results)))
    return 0
