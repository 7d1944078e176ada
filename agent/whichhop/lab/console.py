"""What a person types to a running emulated home, and what it answers: as data, and as text of that data."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from whichhop.errors import WhichhopError
from whichhop.lab.build.plan import BUCKETS_S
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.links.fault_words import FaultWordsError, fault_of_words

Said = tuple[dict[str, Any], str]
"""An answer as data, and as text."""

HELP = """\
fault ELEMENT WORDS   switch a fault on, e.g. fault desk/attic delay 50ms jitter 20ms
                      fault attic/router loss 5% up      fault modem/provider-edge rate 5mbps down
                      fault host:desk delay 300ms        fault reply:provider-edge loss 50%
clear [NUMBER]        switch one fault off, or all
status                faults at work and packets counted
map                   nodes, addresses and links
run NODE COMMAND      run a command in a node and print what it says
quit                  end the home"""
RUN_SECONDS = 30.0


def home_map(home: EmulatedHome) -> dict[str, Any]:
    """Nodes with their addresses, links with how they are built, and what was measured on them."""
    addressing = home.plan.addressing
    nodes = {
        name: [str(a) for net in addressing.of(name) for a in net.addresses[name]]
        for name in home.plan.home.nodes
    }
    links = {}
    for name, wire in home.plan.wires.items():
        links[name] = {"near": wire.near.node, "far": wire.far.node, "carrier": home.carriers[name]}
        for way in ("up", "down"):
            seen: Mapping[str, Any] = home.measured.get(f"{name} {way}", {})
            if seen:
                delays = sorted(seen["delays_ns"])
                links[name][f"{way}_delay_ms"] = round(delays[len(delays) // 2] / 1e6, 3)
            if seen.get("rate_bps"):
                links[name][f"{way}_rate_mbps"] = round(seen["rate_bps"] / 1e6, 2)
    return {
        "token": home.folder.name,
        "real_time_relay": home.real_time,
        "bucket_s": home.plan.bucket_s,
        "nodes": nodes,
        "links": links,
    }


def map_text(data: Mapping[str, Any]) -> str:
    """The map for people."""
    lines = ["nodes"]
    lines += [f"  {name:<14} {'  '.join(addresses)}" for name, addresses in data["nodes"].items()]
    lines.append("links (one-way delay and rate as just measured)")
    for name, link in data["links"].items():
        seen = [
            f"{way} "
            + " ".join(
                f"{link[key]:g} {unit}"
                for key, unit in ((f"{way}_delay_ms", "ms"), (f"{way}_rate_mbps", "Mbit/s"))
                if key in link
            )
            for way in ("up", "down")
            if f"{way}_delay_ms" in link
        ]
        lines.append(f"  {name:<22} {link['carrier']:<7} {', '.join(seen)}")
    if not data["real_time_relay"]:
        lines.append(
            "the relay has no real-time priority here: on a busy machine it may be milliseconds late"
        )
    if data["bucket_s"] > BUCKETS_S[0]:
        lines.append(
            f"this machine wakes late: rates hold over {data['bucket_s'] * 1e3:g} ms and more, not over "
            f"{BUCKETS_S[0] * 1e3:g} ms"
        )
    some = min(data["nodes"])
    lines.append(f"a shell in a node: whichhop lab --token {data['token']} --exec {some} -- sh")
    return "\n".join(lines)


def status(home: EmulatedHome) -> dict[str, Any]:
    """Faults at work and every link's counts."""
    return {"faults": home.faults, "counts": home.counts()}


def status_text(data: Mapping[str, Any]) -> str:
    """The status for people; counts at nought are left out."""
    lines = [f"fault {number}: {words}" for number, words in data["faults"].items()] or ["no fault at work"]
    for name, ways in data["counts"].items():
        for way, counts in ways.items():
            said = ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in counts.items() if v)
            lines.append(f"  {name + ' ' + way:<27} {said or 'not counted while it drops nothing'}")
    return "\n".join(lines)


def _fault(home: EmulatedHome, rest: Sequence[str]) -> Said:
    number = home.fault(*fault_of_words(rest))
    return {"fault": number}, f"fault {number}: {home.faults[number]}"


def _clear(home: EmulatedHome, rest: Sequence[str]) -> Said:
    if rest and not rest[0].isdigit():
        raise FaultWordsError(f"clear: {rest[0]!r} is not a fault's number; `status` shows them")
    before = set(home.faults)
    home.clear(int(rest[0]) if rest else None)
    gone = sorted(before - set(home.faults))
    return {"cleared": gone}, f"cleared: {', '.join(map(str, gone)) or 'nothing was at work'}"


def _run(home: EmulatedHome, rest: Sequence[str]) -> Said:
    done = home.place(rest[0]).call(rest[1:], RUN_SECONDS)
    return {"code": done.code, "output": done.output}, done.output.rstrip("\n")


def _status(home: EmulatedHome, _rest: Sequence[str]) -> Said:
    data = status(home)
    return data, status_text(data)


def _map(home: EmulatedHome, _rest: Sequence[str]) -> Said:
    data = home_map(home)
    return data, map_text(data)


# verb -> (least words after it, most, what does it)
_VERBS: dict[str, tuple[int, int, Callable[[EmulatedHome, Sequence[str]], Said]]] = {
    "fault": (2, 99, _fault),
    "clear": (0, 1, _clear),
    "status": (0, 0, _status),
    "map": (0, 0, _map),
    "run": (2, 99, _run),
    "help": (0, 0, lambda _home, _rest: ({"help": HELP}, HELP)),
}


def obey(home: EmulatedHome, line: str) -> Said | None:
    """Do what a line says; the answer as data and as text. None when the home is to end."""
    words = line.split()
    if not words:
        return {}, ""
    if words[0] in ("quit", "exit"):
        return None
    least, most, does = _VERBS.get(words[0], (1, 0, _map))
    if words[0] in _VERBS and len(words) - 1 < least:
        raise FaultWordsError(f"{words[0]}: more words are needed; type help, which shows them")
    if not least <= len(words) - 1 <= most:
        raise FaultWordsError(f"{line.strip()!r} is not understood; type help")
    return does(home, words[1:])


def answer(home: EmulatedHome, line: str) -> Said | None:
    """Like `obey`, but trouble that a person can mend is an answer, and the home goes on."""
    try:
        return obey(home, line)
    except WhichhopError as trouble:
        return {"error": str(trouble)}, str(trouble)
