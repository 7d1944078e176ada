"""The first look at a home from one machine: the home file that follows from what the machine knows. Pure."""

import json
import re
from collections.abc import Sequence

from msgspec import Struct, field

from whichhop.config.home_edit import NO_TEXT
from whichhop.config.trade_words import ACCESS, LINES_OVER, near_word
from whichhop.errors import WhichhopError
from whichhop.model import LINK_TABLE, LinkKind
from whichhop.model.levels_source import CounterSource, LevelsSource
from whichhop.net.surroundings import Surroundings
from whichhop.printable import shown

LINES = (*(medium.value for medium in LINK_TABLE[LinkKind.ACCESS].media), "unknown")
ROUTER = "router"
MOST_NAME = 32
HIGH_PORT = 8622
"""STAMP's own port (862) may be opened by the administrator only; any above 1023 will do within a home."""


class Target(Struct, frozen=True, kw_only=True):
    """A machine upstream that the user allows to be probed. said: as it was named."""

    name: str
    said: str
    address: str


class Found(Struct, frozen=True, kw_only=True):
    """What router and modem answered. interfaces: the router's by SNMP, where which one counts is not told.

    download: a URL that the user allows to be fetched.
    """

    counters: CounterSource | None = None
    interfaces: Sequence[str] = field(default=())
    levels: LevelsSource | None = None
    download: str | None = None


NOTHING = Found()
TAKEN = frozenset({ROUTER, "provider-edge", "beyond"})


def node_name(text: str) -> str:
    """A name that a home file takes, as near as possible to what a machine calls itself."""
    plain = re.sub(r"[^a-z0-9]+", "-", text.partition(".")[0].lower()).strip("-")
    name = plain if re.match(r"[a-z]", plain) else f"pc-{plain}".rstrip("-")
    name = name[:MOST_NAME].rstrip("-")
    return f"this-{name}"[:MOST_NAME].rstrip("-") if name in TAKEN | NO_TEXT else name


def target_of(said: str, address: str, node: str) -> Target:
    """A target under a name that nothing else in the file has; said: a host name, or the address."""
    name = "target" if said == address else node_name(said)
    return Target(name=f"{name[: MOST_NAME - 2]}-2" if name == node else name, said=said, address=address)


_RATE = r"(\d{1,6}(?:\.\d{1,3})?)"
_PLAN = re.compile(rf"\s*{_RATE}\s*/\s*{_RATE}\s*(?:[Mm](?:bit/?s|bps|b/s))?\s*")


def plan_of(said: str) -> tuple[str, str]:
    """Rates down and up in Mbit/s, as they stand on a bill; WhichhopError with how to write them."""
    found = _PLAN.fullmatch(said)
    if found is None or not float(found[1]) or not float(found[2]):
        raise WhichhopError(f"--plan {shown(said)}: write the rates down and up in Mbit/s, such as 250/25")
    return found[1], found[2]


def line_of(word: str | None) -> str:
    """The medium that is stored for what somebody calls their line; WhichhopError with the nearest word."""
    if word is None:
        return "unknown"
    found = ACCESS.own(word) or LINES_OVER.own(word)
    if found is None:
        words = [*ACCESS.spelled, *LINES_OVER.spelled]
        raise WhichhopError(f"--line {shown(word)}: unknown word; {near_word(word, words, LINES)}")
    return found


def _counters(found: Found) -> list[str]:
    counts = "    # Counts the home's own traffic, so that it is not taken for a fault of the line:"
    if (source := found.counters) is not None:
        if source.address is None:
            return [counts, f"    wan_counters: {{upnp: {json.dumps(source.description)}}}"]
        port = f", port: {source.port}" if source.port != 161 else ""
        name = json.dumps(source.interface, ensure_ascii=False)
        return [counts, f"    wan_counters: {{snmp: {source.community}, interface: {name}{port}}}"]
    if found.interfaces:
        names = ", ".join(found.interfaces)
        return [
            f"    # The router answers SNMP; write the interface toward the modem, one of: {names}",
            "    # wan_counters: {snmp: public, interface: NAME}",
        ]
    return []


def _levels(found: Found) -> list[str]:
    if (source := found.levels) is None:
        return []
    where = f"snmp: {json.dumps(source.snmp)}" if source.snmp else f"page: {json.dumps(source.page)}"
    return [
        "    # The modem's levels, read every five minutes; move them to the node `modem` once there is one.",
        f"    levels: {{{where}}}",
    ]


def _targets(target: Target | None, found: Found) -> list[str]:
    downloads = [f"  downloads: [{json.dumps(found.download)}]"] if found.download else []
    if target is None:
        return [
            "# Nothing past the router is probed until you name a machine that you may probe, such as one of",
            "# your own. Until then nothing is determined about the access line. For example:",
            *(["targets:", *downloads] if downloads else ["# targets:"]),
            "#   provider-edge: discover",
            "#   peers: {harbour: {address: 198.51.100.7}}",
        ]
    return [
        "targets:",
        "  provider-edge: discover   # the provider's first hop, found on the way to the target",
        f'  peers: {{{target.name}: {{address: "{target.said}"}}}}   # {target.address} today',
        *downloads,
    ]


def _plan(plan: tuple[str, str] | None) -> list[str]:
    if plan is not None:
        return [f"plan: {{down_mbps: {plan[0]}, up_mbps: {plan[1]}}}"]
    return [
        "# The rates that are paid for, in Mbit/s; with them, rates and own traffic can be judged:",
        "# plan: {down_mbps: 250, up_mbps: 25}",
    ]


def home_file(
    here: Surroundings,
    *,
    node: str,
    radio: bool,
    line: str,
    target: Target | None,
    low_ports: bool,
    found: Found = NOTHING,
    plan: tuple[str, str] | None = None,
) -> str:
    """The home file of a first look, with a remark wherever somebody will want to write more.

    radio: whether the machine is joined by radio. line: one of LINES. low_ports: whether port 862 may be
    used. plan: Mbit/s down and up.
    """
    link = "wireless" if radio else "wired"
    ports = [] if low_ports else [f"ports: {{stamp: {HIGH_PORT}}}   # so that no agent needs to be root"]
    return "\n".join(
        [
            "# Written by `whichhop start`; every line may be changed. `whichhop check FILE` reads it again.",
            "home: My home",
            *_plan(plan),
            "nodes:",
            "  # gateway: router, access point and modem in one box. If the modem is a box of its own, write",
            "  # kind: router here, and add a node `modem: {kind: modem}` with a wired link to it.",
            f"  {ROUTER}:",
            "    kind: gateway",
            f'    address: "{here.gateway}"',
            *_counters(found),
            *_levels(found),
            f'  {node}: {{kind: host, address: "{here.address}", agent: true}}',
            "links:",
            f"  - {{join: [{node}, {ROUTER}], kind: {link}}}",
            f"  - {{join: [{ROUTER}, provider-edge], kind: access, medium: {line}}}",
            *_targets(target, found),
            *ports,
            "",
        ]
    )
