"""Faults of a running emulated home, switched on and off, and the truth of what was done to which element."""

import json
import signal
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

from msgspec import Struct, field, to_builtins

from whichhop.errors import DataError
from whichhop.lab.build.plan import (
    BuildPlan,
    Wire,
    beyond_plain,
    drop_rules,
    nature_of,
    rate_lines,
    reply_rules,
)
from whichhop.lab.build.programs import JsonChannel, Place, Running
from whichhop.lab.links.elements import Spot, Where, check_effect, effects_on, find_spot, own_replies
from whichhop.lab.links.fault_words import effect_words
from whichhop.lab.links.impairment import NS, combine, either, rate_of
from whichhop.lab.scenario import Effect, FaultWay, LinkNature, Scenario

Counts = Mapping[str, Mapping[str, Mapping[str, int]]]
"""link -> way -> count by name: taken, passed, lost ..."""

REPLY_TABLE = "whichhop_reply"
WAYS = (FaultWay.UP, FaultWay.DOWN)


class Entry(Struct, frozen=True, kw_only=True):
    """One event. what: "up", "fault" or "clear"; words: the effect; counts: since it came up."""

    at_ns: int
    what: str
    element: str = ""
    words: str = ""
    counts: Counts = field(default_factory=dict)


def append_entry(path: Path, entry: Entry) -> None:
    """Add one JSON line to the truth file."""
    with path.open("a") as out:
        out.write(json.dumps(to_builtins(entry)) + "\n")


def between(before: Counts, after: Counts) -> dict[str, dict[str, dict[str, int]]]:
    """What was counted between two moments; a link that is new counts from zero."""
    return {
        link: {
            way: {name: n - before.get(link, {}).get(way, {}).get(name, 0) for name, n in counts.items()}
            for way, counts in ways.items()
        }
        for link, ways in after.items()
    }


class Faults:
    """The faults at work, and the hands that make links and nodes behave so."""

    def __init__(
        self,
        *,
        scenario: Scenario,
        plan: BuildPlan,
        holder: JsonChannel,
        relay: JsonChannel,
        beside: Place,
        programs: Mapping[str, list[Running]],
    ) -> None:
        self.active: dict[int, tuple[Spot, Effect]] = {}
        self._scenario, self.plan = scenario, plan
        self._holder, self._relay, self._beside = holder, relay, beside
        self._programs = programs
        """Programs started in each node: a fault of its host stops them."""
        self._next = 1
        self._stalls: dict[str, Running] = {}
        self._slowed: set[tuple[str, FaultWay]] = set()
        self._fallen: set[str] = set()
        """Links whose ports fell back to 100 Mbit/s."""
        self._chances: dict[tuple[str, FaultWay], float] = {}
        self._dropped: dict[tuple[str, FaultWay], dict[str, int]] = {}
        """Counts of random-drop rules that are gone: a rule's counter ends with it."""

    def add(self, element: str, effect: Effect) -> int:
        """Switch a fault on; answers its number. DataError, and nothing changed, when it cannot be."""
        spot = find_spot(self._scenario.home, element)
        check_effect(spot, effect)
        trial = {**self.active, self._next: (spot, effect)}
        for wire in self.plan.wires.values():
            self._refuse_on_plain(wire, trial)
        self.active = trial
        self._next += 1
        self._act(spot)
        return self._next - 1

    def remove(self, number: int) -> tuple[str, Effect]:
        """Switch a fault off; answers what it was."""
        if number not in self.active:
            at_work = ", ".join(map(str, self.active)) or "none"
            raise DataError(f"no fault has the number {number}; at work are: {at_work}")
        spot, effect = self.active.pop(number)
        self._act(spot)
        return spot.element, effect

    def apply(self) -> None:
        """Bring every link in line with its nature and the faults that stand now."""
        for wire in self.plan.wires.values():
            for way in WAYS:
                self._apply(wire, way)

    def counts(self) -> Counts:
        """Packets per link and direction since the home came up; plain wires count only while they drop."""
        out: dict[str, dict[str, dict[str, int]]] = {}
        if any(wire.relay for wire in self.plan.wires.values()):
            out.update(self._relay.ask(do="counts")["counts"])
        for name, wire in self.plan.wires.items():
            if not wire.relay:
                out[name] = {str(way): self._dropped_so_far(wire, way) for way in WAYS}
        return out

    # --- links ----------------------------------------------------------------------------------------

    def _act(self, spot: Spot) -> None:
        if spot.kind is Where.HOST:
            self._stop_programs(spot.name)
            return
        if spot.kind is Where.REPLY:
            chance = 0.0
            for effect in own_replies(self.active.values(), spot.name):
                chance = either(chance, 1.0 if effect.outage else effect.loss_ratio)
            self._tool(spot.name, ["nft", "-f", "-"], reply_rules(REPLY_TABLE, chance))
        self.apply()

    def _refuse_on_plain(self, wire: Wire, faults: dict[int, tuple[Spot, Effect]]) -> None:
        """A bare wire cannot delay: say so before anything is changed."""
        for way in WAYS if not wire.relay else ():
            own = own_replies(faults.values(), wire.sender(way).node)
            for effect in (*effects_on(faults.values(), wire.link, way), *own):
                if beyond_plain(effect):
                    raise DataError(
                        f"{wire.link.name} is a plain wire here: it can lose packets, be slow or be out, but "
                        f"not {effect_words(effect)}; start the home with --relay {wire.link.name}"
                    )

    def _apply(self, wire: Wire, way: FaultWay) -> None:
        name = wire.link.name
        nature = nature_of(self._scenario, name)
        effects = effects_on(self.active.values(), wire.link, way)
        settings = combine(nature, effects, way)
        data = settings.as_json()
        self._limit(wire, way, nature, effects)
        if not wire.relay:
            self._drop(wire, way, 1.0 if settings.outage else settings.loss_ratio)
            return
        if not wire.sender(way).forwards:
            # A host hides its own queue from its own programs' packets: there the limit is the relay's.
            data["rate_bps"] = rate_of(nature, effects, way)
        data |= self._own_replies(wire.sender(way).node)
        if (fallen := any(e.broken_pair for e in effects)) != (name in self._fallen):
            (self._fallen.add if fallen else self._fallen.discard)(name)
            for end in (wire.near, wire.far):
                self._holder.ask(
                    do="set_port", node=end.node, device=end.device, mbit=100 if fallen else 1000
                )
        self._relay.ask(do="set", link=name, way=str(way), settings=data)

    def _own_replies(self, node: str) -> dict[str, object]:
        """Settings that hold a node's own echo replies back, empty when nothing does."""
        effects = own_replies(self.active.values(), node)
        delay_s, jitter_s = sum(e.delay_s for e in effects), sum(e.jitter_s for e in effects)
        if not delay_s and not jitter_s:
            return {}
        networks = self.plan.addressing.of(node)
        return {
            "own_delay_ns": round(delay_s * NS),
            "own_jitter_ns": round(jitter_s * NS),
            "own_sources": [a.packed.hex() for net in networks for a in net.addresses[node]],
        }

    def _limit(self, wire: Wire, way: FaultWay, nature: LinkNature, effects: Iterable[Effect]) -> None:
        """Set the queue of the sending device, when a fault lowers the rate or has just ceased to."""
        end, key = wire.sender(way), (wire.link.name, way)
        lowered = any(e.rate_bps is not None or e.broken_pair for e in effects)
        if (wire.relay and not end.forwards) or (not lowered and key not in self._slowed):
            return
        self._slowed.add(key) if lowered else self._slowed.discard(key)
        lines = rate_lines(
            end.device,
            rate_of(nature, effects, way),
            nature.queue_s,
            relay=wire.relay,
            bucket_s=self.plan.bucket_s,
        )
        self._tool(end.node, ["tc", "-batch", "-"], "\n".join(lines) + "\n")

    # --- random drop on plain wires -------------------------------------------------------------------

    def _drop(self, wire: Wire, way: FaultWay, chance: float) -> None:
        key = (wire.link.name, way)
        if self._chances.get(key, 0.0) == chance:
            return
        self._dropped[key] = self._dropped_so_far(wire, way)
        self._chances[key] = chance
        end = wire.receiver(way)
        self._tool(end.node, ["nft", "-f", "-"], drop_rules(self._table(wire, way), end.device, chance))

    def _dropped_so_far(self, wire: Wire, way: FaultWay) -> dict[str, int]:
        key = (wire.link.name, way)
        past = self._dropped.get(key, {"taken": 0, "passed": 0, "lost": 0})
        if not self._chances.get(key):
            return past
        table = ["nft", "-j", "list", "table", "netdev", self._table(wire, way)]
        seen = counters(self._tool(wire.receiver(way).node, table))
        taken, lost = past["taken"] + seen.get("taken", 0), past["lost"] + seen.get("lost", 0)
        return {"taken": taken, "passed": taken - lost, "lost": lost}

    def _table(self, wire: Wire, way: FaultWay) -> str:
        return f"whichhop_{list(self.plan.wires).index(wire.link.name)}_{way}"

    def _tool(self, node: str, argv: list[str], text: str = "") -> str:
        return str(self._holder.ask(do="run_tool", node=node, argv=argv, text=text))

    # --- programs -------------------------------------------------------------------------------------

    def _stop_programs(self, node: str) -> None:
        """Let a node's programs run, sleep, or starve part of every second, as the faults stand."""
        effects = [e for s, e in self.active.values() if s.kind is Where.HOST and s.name == node]
        old = self._stalls.pop(node, None)
        if old is not None:
            old.stop()
        programs = [r for r in self._programs.get(node, []) if r.poll() is None]
        asleep = any(e.outage for e in effects)
        for running in programs:
            running.signal(signal.SIGSTOP if asleep else signal.SIGCONT)
        stopped_s = max((e.delay_s for e in effects), default=0.0)
        if stopped_s and not asleep and programs:
            pids = [str(r.pid) for r in programs]
            argv = [sys.executable, "-m", "whichhop.lab.build.starve", str(stopped_s), *pids]
            self._stalls[node] = self._beside.run(argv)


def counters(listing: str) -> dict[str, int]:
    """Packet counts by their rule's comment, from nft's JSON listing of a table."""
    out: dict[str, int] = {}
    for item in json.loads(listing)["nftables"]:
        rule = item.get("rule", {})
        for part in rule.get("expr", ()):
            if "counter" in part:
                out[rule.get("comment", "")] = int(part["counter"]["packets"])
    return out
