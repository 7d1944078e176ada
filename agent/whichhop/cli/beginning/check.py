"""`whichhop check`: what a home file says, which sessions follow, and what they can tell apart."""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from whichhop.cli.text import table
from whichhop.compare.suspects.vantage import Separation, separation
from whichhop.config.check import read_home
from whichhop.model import Home, Node, Session, across_families, derive_sessions

EPILOG = """\
example:
  whichhop check configs/mesh-radio.yaml

Exit code 0 when the file is sound, 2 with a line a mistake when it is not.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--json", action="store_true", help="print data instead of tables")


def as_data(home: Home, sessions: tuple[Session, ...], sep: Separation) -> dict[str, object]:
    """The whole answer as JSON-ready data."""
    return {
        "home": home.name,
        "nodes": [
            {"name": n.name, "kind": n.kind, "address": n.address, "host_name": n.host_name, "agent": n.agent}
            for n in home.nodes.values()
        ],
        "links": [
            {"name": k.name, "near": k.near, "far": k.far, "kind": k.kind, "medium": k.medium}
            for k in home.links
        ],
        "sessions": [
            {
                "agent": s.key.agent,
                "target": s.key.target,
                "method": s.key.method,
                "address": s.address,
                "links": [k.name for k in s.path.links],
            }
            for s in sessions
        ],
        "rank": sep.rank,
        "links_total": sep.links,
        "not_separable": [list(g) for g in sep.groups],
        "across_families": [str(s.key) for found in across_families(home, sessions).values() for s in found],
        "unseen": list(sep.unseen),
        "advice": [
            {"do": a.words, "splits": [list(g) for g in a.splits], "sees": list(a.sees)} for a in sep.advice
        ],
    }


def separation_lines(sep: Separation) -> list[str]:
    """What the vantage points can and cannot tell, as sentences."""
    lines = [
        f"{sep.sessions} sessions over {sep.links} links; the routing matrix has rank {sep.rank}"
        + (": every link can be told from every other." if sep.rank == sep.links else ".")
    ]
    lines += [f"Not separable from here: {' + '.join(group)}" for group in sep.groups]
    lines += [f"No session crosses: {name}" for name in sep.unseen]
    for advice in sep.advice:
        gains = [f"tells apart {' + '.join(g)}" for g in advice.splits]
        gains += [f"shows {', '.join(advice.sees)}"] if advice.sees else []
        lines.append(f"To see more: {advice.words} ({'; '.join(gains)}).")
    return lines


def family_lines(home: Home, sessions: Sequence[Session]) -> list[str]:
    """Which sessions cannot exist where a machine has one family of addresses alone, and what to write."""
    out = []
    for agent, across in across_families(home, sessions).items():
        own = home.nodes[agent].address or ""
        mine, other = ("IPv6", "IPv4") if ":" in own else ("IPv4", "IPv6")
        names = ", ".join(dict.fromkeys(s.key.target for s in across))
        agents = any(home.nodes[s.key.target].agent for s in across if s.key.target in home.nodes)
        found = "; or leave addresses of agents out, they find each other by either" if agents else ""
        out.append(
            f"Cannot exist unless {agent} ({own}) has {other} too: its sessions to {names}."
            f" Where it has {mine} alone, write their {mine} addresses{found}."
        )
    return out


def _runs(node: Node) -> str:
    return "agent" if node.agent else "stamp" if node.stamp else "-"


def run(args: argparse.Namespace) -> int:
    """Print the answer."""
    home = read_home(args.home)
    sessions = derive_sessions(home)
    sep = separation(home, sessions)
    out = sys.stdout
    if args.json:
        out.write(json.dumps(as_data(home, sessions, sep), indent=2) + "\n")
        return 0
    nodes = [
        (
            n.name,
            n.kind,
            n.address or n.host_name or "-",
            _runs(n),
            n.room or "-",
        )
        for n in home.nodes.values()
    ]
    links = [(k.name, k.kind, k.medium or "-") for k in home.links]
    probes = [
        (
            s.key.agent,
            s.key.target,
            s.key.method,
            s.address or home.nodes[s.key.target].host_name or "to be discovered",
            " ".join(k.name for k in s.path.links),
        )
        for s in sessions
    ]
    parts = [
        f"{home.name}: the home file is sound.",
        table(("node", "kind", "address", "runs", "room"), nodes),
        table(("link", "kind", "medium"), links),
        table(("agent", "target", "method", "address", "crosses"), probes),
        "\n".join([*separation_lines(sep), *family_lines(home, sessions)]),
    ]
    out.write("\n\n".join(parts) + "\n")
    return 0
