"""`whichhop status`: the home now, in one screen."""

import argparse
import json
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
from msgspec import Struct

from whichhop.app.agents.agents_fetch import SETTLED_NS, AgentsFetch, addresses_of, tls_addresses_of
from whichhop.app.live.live_comparison import live_comparison
from whichhop.app.looks.hop_view import hop_lines, hops_told
from whichhop.app.looks.metric_text import LastRate, modem_line, modems_of, rates_of, samples
from whichhop.app.looks.transfer_order import transfers_today
from whichhop.cli.answers.screen import View, screen
from whichhop.cli.collecting import opened_for
from whichhop.cli.text import times_in
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import House, read_house
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.errors import DataError, RemoteError, WhichhopError
from whichhop.model import Home
from whichhop.model.bulletin import Bulletin
from whichhop.model.chain_signature import fingerprint
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import fetch
from whichhop.outside import OutsideError, typed_plain
from whichhop.printable import printable

EPILOG = """\
example:
  whichhop status alder.yaml
  whichhop status alder.yaml --hops

Asks the agents how the home is: an agent that compares by itself (whichhop run --compare) says so at once;
where none does, what they measured is collected and the last day judged here.
"""
PATIENCE_S = 3.0
FRESH_NS = 5 * NS_PER_MINUTE
"""An older bulletin is no news; the home is judged here instead."""
HOUR_NS = 3600 * NS_PER_S

Fetch = Callable[[str], bytes]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument(
        "--hops",
        action="store_true",
        help="what the agents' counters tell of each hop (Wi-Fi, ports, uptime), and what is not known",
    )
    parser.add_argument("--json", action="store_true", help="print data instead of text")


class Heard(Struct, frozen=True, kw_only=True):
    """What one agent said; trouble is empty when it answered. bulletin: None where it does not compare.
    failing: which of its parts fail now, by their short names."""

    agent: str
    trouble: str = ""
    failing: tuple[str, ...] = ()
    metrics: str = ""
    bulletin: Bulletin | None = None


class _Health(msgspec.Struct):
    in_trouble: tuple[str, ...] = ()


def _get(url: str) -> bytes:
    return fetch(url, seconds=PATIENCE_S)


def hear(agent: str, base: str, get: Fetch = _get) -> Heard:
    """Ask one agent (base address "http://192.0.2.2:8620") for its metrics and its bulletin."""
    try:
        text = get(f"{base}/metrics").decode("utf-8", "replace")
        metrics = "\n".join(printable(line) for line in text.split("\n"))
    except RemoteError as trouble:
        return Heard(agent=agent, trouble=str(trouble))
    try:
        told: Bulletin | None = typed_plain(get(f"{base}/bulletin"), f"agent {agent}: its bulletin", Bulletin)
    except (RemoteError, OutsideError):
        told = None  # it does not compare, or not yet; the others are asked too
    try:
        failing = typed_plain(get(f"{base}/health"), f"agent {agent}: its health", _Health).in_trouble
    except (RemoteError, OutsideError):
        failing = ()  # an earlier version
    return Heard(
        agent=agent, metrics=metrics, bulletin=told, failing=tuple(printable(part) for part in failing)
    )


def waiting_for_fleet(text: str) -> int:
    """How many values an agent's metrics say are kept for the fleet's server."""
    return sum(round(value) for name, _, value in samples(text) if name == "fleet_samples_waiting")


def _failing(heard: Heard) -> str:
    # A part that was begun again counts as failing until it has gone well for a while.
    fails = "fails, or did until lately" if len(heard.failing) == 1 else "fail, or did until lately"
    words = f"{', '.join(heard.failing)} {fails}"
    waiting = waiting_for_fleet(heard.metrics) if any(p.startswith("fleet") for p in heard.failing) else 0
    kept = f", {waiting} values are kept for the fleet's server" if waiting else ""
    return f"{words}{kept}; the agent's log says why"


def newest(heard: list[Heard], now_ns: int) -> tuple[str, Bulletin] | None:
    """The agent with the newest bulletin, unless all are stale; one of a time to come is a wrong clock's."""
    said = [(h.agent, h.bulletin) for h in heard if h.bulletin is not None]
    told = [(b.at_ns, agent, b) for agent, b in said if b.at_ns <= now_ns + FRESH_NS]
    best = max(told, key=lambda t: t[:2], default=None)
    return (best[1], best[2]) if best is not None and now_ns - best[0] <= FRESH_NS else None


def _budget(args: argparse.Namespace, home: Home) -> tuple[float, float] | None:
    """What today's transfers may still use and the whole, MB; None when the keeper cannot be asked."""
    if not home.agents:
        return None
    try:
        key = derive_keys(read_key(args.key or key_path_for(args.home))).transfer
        address = home.agents[0].address or ""
        said = transfers_today(address, home.ports.transfer, key, seconds=PATIENCE_S)
    except WhichhopError:
        return None
    return max(0, said.budget - said.spent) / 1e6, said.budget / 1e6


def _judged_here(args: argparse.Namespace, house: House, heard: list[Heard]) -> Bulletin:
    """The last day, collected and judged on this machine, as `compare --follow` does in its first turn."""
    with opened_for(args, house) as source:
        due = (SystemClock().utc_ns() - SETTLED_NS) // TICK_NS * TICK_NS
        _, last = source.span(due, start_ns=None, end_ns=None)
        troubles = {h.agent: h.trouble for h in heard if h.trouble}
        found = None
        if due - last <= HOUR_NS:
            live = live_comparison(house, str(args.home), source.store)
            found = live.turn(due, source.open_records, troubles=troubles)
    if found is None:  # each agent's trouble has been told above
        raise DataError(
            f"nothing was measured in the last hour; start the agents: whichhop run {args.home} --node NAME"
        )
    return found


def _rates(bulletin: Bulletin, heard: list[Heard], home: Home) -> list[LastRate]:
    told = [
        LastRate(
            agent=r.node, other_end=r.other_end, down_bps=r.down_bps, up_bps=r.up_bps, at_least=r.at_least
        )
        for r in bulletin.rooms
    ]
    return told or [rate for h in heard for rate in rates_of(h.metrics, home)]


def _maker(args: argparse.Namespace) -> str:
    """The fingerprint of the key that signs this home's reports; "" where the key is not here."""
    try:
        return fingerprint(derive_keys(read_key(args.key or key_path_for(args.home))).maker)
    except WhichhopError:
        return ""


def _heard(args: argparse.Namespace, home: Home) -> list[Heard]:
    """What every agent says; in TLS and by the home's token where its page is closed."""
    addresses, get = addresses_of(home), _get
    if not home.page_open:
        keys = derive_keys(read_key(args.key or key_path_for(args.home)))
        agents = AgentsFetch.of(home, keys, seconds=PATIENCE_S)
        addresses = tls_addresses_of(home)

        def get(url: str) -> bytes:
            return agents(url, keys.api_token)

    with ThreadPoolExecutor(max_workers=min(16, len(home.agents))) as pool:
        return list(pool.map(lambda a: hear(a[0], a[1], get), addresses.items()))


def _hops(args: argparse.Namespace, home: Home, heard: list[Heard]) -> int:
    told = hops_told([h.metrics for h in heard], home)
    silent = {h.agent: h.trouble for h in heard if h.trouble}
    if len(silent) == len(heard):
        first = next(iter(silent))
        raise DataError(
            f"no agent answers ({first}: {silent[first]}); start the agents:"
            f" whichhop run {args.home} --node NAME"
        )
    if args.json:
        data = {"hops": msgspec.to_builtins(told), "silent": silent}
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
        return 0
    blocks = ["\n".join(hop_lines(hop)) for hop in told]
    blocks += [f"{agent} does not answer: {trouble}" for agent, trouble in silent.items()]
    sys.stdout.write("\n\n".join(blocks) + "\n")
    return 0


def run(args: argparse.Namespace) -> int:
    """Ask, judge where nobody does, print."""
    house = read_house(args.home)
    times_in(house.home)
    home = house.home
    if not home.agents:
        raise DataError(f"{home.name}: no node runs an agent; add agent: true to one")
    heard = _heard(args, home)
    if args.hops:
        return _hops(args, home, heard)
    now = SystemClock().utc_ns()
    told = newest(heard, now)
    if told is not None:
        bulletin, source = told[1], f"as {told[0]}'s agent says, which compares by itself"
    else:
        bulletin = _judged_here(args, house, heard)
        source = "judged here; no agent compares by itself"
    modems = [(m.node, m.headline) for m in bulletin.modems] or [
        (m.node, modem_line(m, home)) for h in heard for m in modems_of(h.metrics, now)
    ]
    view = View(
        bulletin=bulletin,
        source=source,
        answers={h.agent: h.trouble for h in heard},
        rates=_rates(bulletin, heard, home),
        modems=modems,
        budget_mb=_budget(args, home),
        maker=_maker(args),
        failing={h.agent: _failing(h) for h in heard if h.failing},
    )
    if args.json:
        sys.stdout.write(json.dumps(msgspec.to_builtins(view), indent=2) + "\n")
    else:
        sys.stdout.write(screen(view) + "\n")
    return 0
