"""Finds what users feel though no hop is slow, from packet sizes, DSCPs, names, rhythm, who asks whom; pure.

These are no faults of a hop: round trips and losses of small packets show nothing of them, so no verdict
names them, and none is changed by them.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import takewhile

import numpy as np
from msgspec import Struct

from whichhop.compare.windows.table import WindowTable
from whichhop.inside.packets import RecordsOf
from whichhop.inside.scans import scanning
from whichhop.model import Home, Link, LinkKind, Method, Reading, SessionKey, Verdict
from whichhop.model.figure_words import percent
from whichhop.model.inner_cause import Felt, FeltCause

SWALLOWED, PASSES, DSCP_KEPT = "path_swallowed_bytes", "path_mtu_bytes", "dscp_kept"
LOOKS = (SWALLOWED, PASSES, DSCP_KEPT)
"""Readings of the hourly look at each way, by what it led to; swallowed: 0 where nothing vanished."""
TRIES = 3
"""RFC 8899 section 5.1.2, MAX_PROBES: a size is lost after so many probes in a row."""
SLOW_S, OVER_WAY_S = 0.1, 0.05
"""A page asks for several names, one after the other, and a tenth of a second each is felt (common practice).
A resolver near by answers a name that it knows in a round trip and some ms; 50 ms more are its own."""
LOST = 0.02
"""One question in fifty. A stub waits 5 s before it asks again (resolv.conf(5), RES_TIMEOUT; RFC 1035 section
4.2.1 has 2 to 5 s)."""
LEAST_LOOKUPS = 60
"""Three of them lost in a hundred are still chance at 30; at 60 and 2 % the way's own loss is told apart."""
LOOKED_TICKS, LEAST_TICKS = 60, 18
"""The last ten minutes, of which three must be known."""
DOZE_S, DOZE_MOST_S = 0.02, 0.5
"""Half of the waits: a beacon comes every 102.4 ms, and a radio that sleeps wakes for each first to third one
(IEEE 802.11, DTIM), so half wait 50 to 150 ms; a busy machine answers within 20 ms (common practice)."""
MOST_SURE = 0.97
ONE_PEER = 0.7
"""With a single peer it may be that peer itself that drops large echo requests (common practice)."""
SECOND_PEER = (
    "Name a second peer in the home file, to tell the way from a peer that drops large packets itself."
)
TCP_IP4, TCP_IP6 = 40, 60
"""Octets of IP and TCP headers (RFC 9293, RFC 8200): what the MSS is under the MTU."""


def felt_of(
    home: Home,
    readings: Sequence[Reading],
    table: WindowTable,
    records: RecordsOf | None = None,
    verdicts: Iterable[Verdict] = (),
) -> tuple[Felt, ...]:
    """All that is felt, the surest first. readings: of the last day or more; table: the judged windows.

    records: the packets behind the table; without them no rhythm is looked for. verdicts: what is told
    beside it; where one names the cause inside its hop, nothing is said of that hop again.
    """
    found = [
        *(scanning(home, table, records) if records is not None else ()),
        *_black_holes(home, readings, table),
        *_cleared(home, readings),
        *_names(home, table),
        *_dozing(home, table),
    ]
    named = {v.inside.where for v in verdicts if v.inside and v.inside.named}
    return tuple(sorted((f for f in found if f.where not in named), key=lambda f: -f.probability))


class _Looks(Struct, frozen=True):
    """One agent's looks at one way, oldest first."""

    agent: str
    other: str
    values: tuple[float, ...]


def _looks(readings: Iterable[Reading], wanted: str) -> list[_Looks]:
    told: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for r in readings:
        name, _, other = r.name.partition(":")
        if name == wanted and other:
            told.setdefault((r.agent, other), []).append((r.at_ns, r.value))
    return [_Looks(a, o, tuple(v for _, v in sorted(values))) for (a, o), values in sorted(told.items())]


def _loss(table: WindowTable, agent: str, target: str | None) -> float:
    """The share of packets that an agent lost toward a target, or toward all; names are no packets."""
    columns = [
        i
        for i, key in enumerate(table.sessions)
        if key.agent == agent and key.method is not Method.LOOKUP and target in (None, key.target)
    ]
    sent = int(table.sent[:, columns].sum())
    return float(table.lost[:, columns].sum()) / sent if sent else 0.0


def _black_holes(home: Home, readings: Sequence[Reading], table: WindowTable) -> Iterator[Felt]:
    """Sizes that vanish without a word while smaller ones pass, as often as it was looked."""
    looks = [k for k in _looks(readings, SWALLOWED) if k.other in home.nodes]
    passes = {(k.agent, k.other): k.values[-1] for k in _looks(readings, PASSES)}
    bad = [k for k in looks if k.values[-1] > 0]
    if not bad:
        return
    size = min(k.values[-1] for k in bad)
    fits = min((passes[k.agent, k.other] for k in bad if (k.agent, k.other) in passes), default=0.0)
    again = max(len(list(takewhile(lambda v: v > 0, reversed(k.values)))) for k in bad)
    # Loss of the way itself imitates it when three in a row are lost by chance, at each look anew.
    chance = min(max(_loss(table, k.agent, k.other), 0.001) ** (TRIES * again) for k in bad)
    sure = min(MOST_SURE, 0.5 + 0.25 * again + 0.1 * (len(bad) > 1)) * (1 - min(1.0, 50 * chance))
    alone = len({k.other for k in looks}) == 1
    sure = min(sure, ONE_PEER) if alone else sure
    if sure < 0.6 or not fits:
        return
    well = {k.other for k in looks} - {k.other for k in bad}
    others = sorted({k.other for k in bad})
    beyond = bool(well)
    where = f"The way to {', '.join(others)} alone" if beyond else "The way to the internet"
    many = sum(len(k.values) for k in bad)
    steps = (
        (f"Tell whoever runs {others[0]}, or the provider: other peers take packets of {size:.0f} octets.",)
        if beyond
        else (
            f"Set the MTU of the router's internet side to {fits:.0f}, or turn on its clamping of TCP's MSS"
            f" ({fits - TCP_IP4:.0f} for IPv4, {fits - TCP_IP6:.0f} for IPv6).",
            'Let ICMP "fragmentation needed" and "packet too big" through the router\'s firewall (RFC 4890'
            " section 4.3.1).",
            "If neither helps, ask the provider which MTU the line has, and why nothing says so.",
        )
    )
    yield Felt(
        cause=FeltCause.BLACK_HOLE,
        where=where,
        feels="some pages begin to load and stop, uploads and tunnels hang, while small packets and the rate"
        " look fine; where the router clamps TCP's MSS only tunnels and UDP suffer",
        probability=round(sure, 2),
        evidence=(
            f"packets of {size:.0f} octets were lost {TRIES} times in a row without a word while"
            f" {fits:.0f} octets passed whole, in the last {again} of {many} looks by"
            f" {', '.join(sorted({k.agent for k in bad}))}",
        ),
        steps=(*((SECOND_PEER,) if alone else ()), *steps),
        check=f"whichhop route HOME {others[0]} --sizes",
        source="RFC 2923 section 2.1, RFC 8899",
    )


def _cleared(home: Home, readings: Sequence[Reading]) -> Iterator[Felt]:
    """EF that arrives as something else: inside the home where two agents see it, else behind the router."""
    looks = [k for k in _looks(readings, DSCP_KEPT) if k.other in home.nodes]
    bad = [k for k in looks if k.values[-1] == 0.0]
    inside = [k for k in bad if home.nodes[k.other].agent]
    if not bad:
        return
    keep = [path.links for k in looks if k not in bad and (path := home.path(k.agent, k.other))]
    clean = {link.name for links in keep for link in links}
    chosen = inside or bad
    ways = [path.links for k in chosen if (path := home.path(k.agent, k.other))]
    common = set.intersection(*({k.name for k in links} for links in ways)) if ways else set()
    left = [k.name for k in home.links if k.name in common - clean]
    where = f"Between {chosen[0].agent} and {chosen[0].other}"
    if left and len(left) < len(ways[0]):
        where = " or ".join(left)
    again = max(len(k.values) for k in chosen)
    yield Felt(
        cause=FeltCause.DSCP_CLEARED,
        where=where,
        feels="calls and games get no precedence in the home while something else fills the air or the line"
        if inside
        else "calls get no precedence behind the router; most providers do so: leave it, unless the contract"
        " promises otherwise",
        probability=round(min(MOST_SURE, 0.8 + 0.05 * (again + len(chosen))), 2),
        evidence=(
            f"DSCP 46 (EF, RFC 3246) arrived changed at {', '.join(sorted({k.other for k in chosen}))}"
            f" from {', '.join(sorted({k.agent for k in chosen}))}"
            + (f"; kept on {len(keep)} other ways" if keep else ""),
        ),
        steps=(
            'Turn on WMM, and "trust DSCP" where the switch or access point has it (RFC 8325 section 4);'
            " turn off rules of the router that rewrite it.",
        )
        if inside
        else (),
        check=f"whichhop route HOME {bad[0].other} --dscp"
        if not inside
        else "whichhop status, within the hour",
        source="RFC 3246, RFC 4594 section 4.1, RFC 8325",
    )


class _Resolver(Struct, frozen=True, kw_only=True):
    """What one agent's questions to one resolver met over the span. way_s: a round trip to its place."""

    agent: str
    name: str
    asked: int
    lost: float
    median_s: float
    slow_s: float
    way_s: float | None


def _resolvers(home: Home, table: WindowTable) -> Iterator[_Resolver]:
    places = {r.name: r.place for r in home.resolvers}
    for i, key in enumerate(table.sessions):
        if key.method is not Method.LOOKUP or key.target not in places:
            continue
        asked = int(table.sent[:, i].sum())
        known = table.q50_s[:, i]
        known = known[np.isfinite(known)]
        if asked < LEAST_LOOKUPS or not known.size:
            continue
        yield _Resolver(
            agent=key.agent,
            name=key.target,
            asked=asked,
            lost=float(table.lost[:, i].sum()) / asked,
            median_s=float(np.median(known)),
            slow_s=float(np.quantile(known, 0.9)),
            way_s=_way(table, key, places[key.target]),
        )


def _way(table: WindowTable, key: SessionKey, place: str) -> float | None:
    for i, other in enumerate(table.sessions):
        if other.agent == key.agent and other.target == place and other.method is not Method.LOOKUP:
            known = table.q50_s[:, i]
            known = known[np.isfinite(known)]
            return float(np.median(known)) if known.size else None
    return None


def _names(home: Home, table: WindowTable) -> Iterator[Felt]:
    """A resolver that is slow or silent all the time, held against the way to it and against the others."""
    found = list(_resolvers(home, table))
    for name in dict.fromkeys(r.name for r in found):
        mine = [r for r in found if r.name == name]
        slow = [r for r in mine if r.median_s >= SLOW_S and r.median_s - (r.way_s or 0.0) >= OVER_WAY_S]
        silent = [
            r
            for r in mine
            if r.lost >= LOST and r.lost * r.asked >= TRIES and r.lost >= 4 * _loss(table, r.agent, None)
        ]
        better = min(
            (r for r in found if r.name != name and r.lost < LOST), key=lambda r: r.median_s, default=None
        )
        for cause, bad in ((FeltCause.SLOW_NAMES, slow), (FeltCause.LOST_NAMES, silent)):
            if not bad or len(bad) < len(mine) / 2:
                continue
            worst = max(bad, key=lambda r: (r.median_s, r.lost))
            yield _of_names(cause, worst, better, many=len(bad), of=len(mine))


def _of_names(cause: FeltCause, worst: _Resolver, better: _Resolver | None, *, many: int, of: int) -> Felt:
    slow = cause is FeltCause.SLOW_NAMES
    way = "" if worst.way_s is None else f"; a round trip there takes {worst.way_s * 1e3:.0f} ms"
    evidence = [
        f"half of {worst.asked} answers took {worst.median_s * 1e3:.0f} ms and more{way}"
        if slow
        else f"{percent(worst.lost, 1)} of {worst.asked} questions went unanswered, while the packets of"
        f" {worst.agent} arrive",
        f"{many} of {of} agents that ask it see it",
    ]
    use = "Have the router hand out another resolver (DHCP), or set one on the device"
    if better is not None and (not slow or better.median_s < 0.5 * worst.median_s):
        evidence.append(f"{better.name} answers in {better.median_s * 1e3:.0f} ms")
        use = f"Have the router hand out {better.name} instead of {worst.name} (DHCP)"
    sure = 0.85 + 0.1 * (better is not None) + 0.02 * min(many, 2)
    return Felt(
        cause=cause,
        where=f"Resolver {worst.name}",
        feels="pages take a moment before anything appears, then load at once"
        if slow
        else f"now and then a page waits seconds before it begins: about {percent(worst.lost)} of the names",
        probability=round(min(MOST_SURE, sure), 2),
        evidence=tuple(evidence),
        steps=(
            f"{use}.",
            f"Restart the box that answers as {worst.name}, where it is the home's own; turn its filters off"
            " one by one.",
        ),
        check="whichhop compare HOME",
        source="RFC 1035 section 4.2.1; bounds: common practice",
    )


def _dozing(home: Home, table: WindowTable) -> Iterator[Felt]:
    """A device on Wi-Fi that is reached late by all that ask it, while what it asks itself comes at once.

    Who asks is awake for the answer; who is asked sleeps until the next beacon that tells of its frames.
    """
    late = table.span(max(0, table.ticks - LOOKED_TICKS), table.ticks)
    for link in home.links:
        if link.kind is not LinkKind.WIRELESS or not home.nodes[link.near].agent:
            continue
        to, fro = (_middles(home, late, link, reached=reached) for reached in (True, False))
        waits = {other: to[other] - fro[other] for other in to.keys() & fro.keys()}
        # Who always asks just behind somebody else finds it awake.
        late_by = [wait for wait in waits.values() if wait >= DOZE_S]
        if not late_by or max(late_by) > DOZE_MOST_S:
            continue
        worst = max(waits, key=lambda other: waits[other])
        yield Felt(
            cause=FeltCause.DOZES,
            where=f"Wi-Fi of {link.near}",
            feels="calls to it, casting, printing and remote control begin a moment late; what it asks for"
            " itself comes at once",
            probability=min(MOST_SURE, 0.7 + 0.1 * len(late_by)),
            evidence=(
                f"half of the packets from {worst} to {link.near} took {to[worst] * 1e3:.0f} ms and more, the"
                f" other way round {fro[worst] * 1e3:.0f} ms, over the same hops",
                f"{len(late_by)} of {len(waits)} agents that ask it see it",
            ),
            steps=(
                f"Turn off Wi-Fi power save on {link.near} (Linux: iw dev NAME set power_save off; a battery"
                " then empties sooner).",
            ),
            check="whichhop status, a quarter of an hour later",
            source="IEEE 802.11 power save: waits for a beacon's map, 102.4 ms apart, every DTIM",
        )


def _middles(home: Home, table: WindowTable, link: Link, *, reached: bool) -> dict[str, float]:
    """By the agent at the other end, the median round trip over a link to its near end, or from there."""
    out = {}
    for i, key in enumerate(table.sessions):
        here, there = (key.target, key.agent) if reached else (key.agent, key.target)
        far = home.nodes.get(there)
        if here != link.near or key.method is not Method.STAMP or far is None or not far.agent:
            continue
        path = home.path(key.agent, key.target)
        known = table.q50_s[:, i]
        known = known[np.isfinite(known)]
        lost = int(table.lost[:, i].sum()) / max(1, int(table.sent[:, i].sum()))
        if path and link in path.links and known.size >= LEAST_TICKS and lost < LOST:
            out[there] = float(np.median(known))
    return out
