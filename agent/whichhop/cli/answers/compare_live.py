"""`whichhop compare --follow`: compares while the agents measure, and says what changed."""

import argparse
import os
import signal
import sys
from collections.abc import Sequence

import msgspec

from whichhop.app.agents.agents_fetch import SETTLED_NS, AgentsFetch, tls_addresses_of
from whichhop.app.live.live_comparison import LiveComparison, live_comparison
from whichhop.app.live.live_news import Asker
from whichhop.app.live.past_faults import PastFaults
from whichhop.app.stored.collect import bounds_of, keep_within
from whichhop.cli.text import clock_text
from whichhop.compare.day_book import ChangeKind, VerdictChange, changes
from whichhop.compare.windows.table import TICK_NS
from whichhop.compare.words import explain, headline, since_words
from whichhop.config.check import House
from whichhop.config.keys import PurposeKeys, derive_keys, key_path_for, read_key
from whichhop.daemon.options import default_store
from whichhop.model import Verdict
from whichhop.model.bulletin import Bulletin, LinkState, Topic
from whichhop.model.figure_words import TOO_LITTLE_YET, zone_of
from whichhop.model.units import NS_PER_S, minute_of, seconds_to_next
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.store import Store

PATIENCE_S = 2.5
"""An agent of the same home that takes longer to answer is as good as silent this turn."""
FIRST_PATIENCE_S = 15.0
"""The first time it may have days to hand over."""
TURN_S = 5.0
"""For all that one agent has at one turn: half of the ten seconds to the next."""
LOOK_PATIENCE_S = 1.0
"""Between two turns: who does not answer at once is left to the turn."""
LOOK_S = 2.5
"""Between two turns the newest seconds are looked at so often; asking costs an agent a page of its open
minutes, three more in ten seconds."""
TIDY_NS = 3600 * NS_PER_S
NICER = 5
"""Judging may wait; an agent on the same machine must be punctual."""


class NewsPrinter:
    """Prints news as text, or each bulletin as a line of JSON."""

    def __init__(self, *, as_json: bool) -> None:
        self._json = as_json
        self._beats = not as_json and sys.stderr.isatty()
        self._before: Sequence[Verdict] = ()
        self._first = True

    def bulletin(self, bulletin: Bulletin, told: Sequence[Verdict]) -> None:
        """What this tick brought."""
        if self._json:
            sys.stdout.write(msgspec.json.encode(bulletin).decode() + "\n")
            sys.stdout.flush()
            return
        # What was over before the reader came is history: `whichhop compare` shows it.
        news = [c for c in changes(self._before, told) if not (self._first and c.verdict.end_ns is not None)]
        for change in news:
            self.line(change_text(change, bulletin.at_ns))
        over = any(c.kind in (ChangeKind.ENDED, ChangeKind.WITHDRAWN) for c in news)
        if (self._first and not news) or (over and not bulletin.ongoing):
            self.line(f"{clock_text(bulletin.at_ns)}  {state_words(bulletin)}")
        if self._beats:
            sys.stderr.write(f"\r{clock_text(bulletin.at_ns)}  {state_words(bulletin)}\x1b[K")
            sys.stderr.flush()
        self._before, self._first = tuple(told), False

    def line(self, text: str) -> None:
        """News for the reader."""
        self._clear()
        sys.stdout.write(text + "\n")
        sys.stdout.flush()

    def aside(self, text: str) -> None:
        """A line on how the comparing itself goes."""
        self._clear()
        sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def _clear(self) -> None:
        if self._beats:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _named(label: str, names: Sequence[str]) -> str:
    """Names behind the answer; empty for none."""
    return f"; {label}: {', '.join(names)}" if names else ""


def state_words(bulletin: Bulletin) -> str:
    """The home now in a line; a link that nothing measures is named, and never part of "no fault found"."""
    topic = bulletin.topic
    silent = _named("not heard", bulletin.silent)
    unseen = _named("not measured now", bulletin.named(LinkState.UNKNOWN))
    mute = "".join(f"; {target} did not answer a single packet" for target in bulletin.unanswered)
    suspicion = bulletin.suspicion
    said = {
        Topic.UNHEARD: "no agent is heard, so nothing is determined",
        Topic.VERDICT: "; ".join(f"{v.cause}: {' + '.join(v.elements)}" for v in bulletin.ongoing),
        Topic.LEARNING: f"learning what is usual, {bulletin.learning_s:.0f} s to go{mute}",
        Topic.BLIND: "not determined now: no link is being measured",
        Topic.STARTING: f"{suspicion[0].lower()}{suspicion[1:]}, which is not yet sure:"
        f" {', '.join(bulletin.starting)}",
        Topic.WAITING: f"{TOO_LITTLE_YET[0].lower()}{TOO_LITTLE_YET[1:-1]}; whether something was wrong"
        f" before measuring began is known in {bulletin.levels_s:.0f} s{silent}{unseen}{mute}",
        Topic.FELT: f"no hop is slow, but {', '.join(f.line for f in bulletin.felt)}",
    }
    if topic in said:
        return said[topic]
    slow = ", ".join(level.elements[0] for level in bulletin.unusual)
    amiss = ", ".join(m.node for m in bulletin.modems if m.amiss)
    beside = {
        Topic.SILENT: silent,
        Topic.UNMEASURED: f"{unseen}{mute}",
        Topic.UNUSUAL: f"; slower than usual for its kind: {slow}",
        Topic.MODEM: f"; the levels of {amiss} are not as they should be",
    }.get(topic, "")
    return f"no fault found: nothing that is measured exceeds its own quiet baseline{beside}"


def change_text(change: VerdictChange, at_ns: int) -> str:
    """One change in lines: when it was seen, what it is, and for a new verdict all that is known."""
    verdict = change.verdict
    seen = clock_text(at_ns)
    where = f"{verdict.cause}: {' + '.join(verdict.elements)}"
    if change.kind is ChangeKind.OPENED:
        until = "" if verdict.end_ns is None else f" until {clock_text(verdict.end_ns)}"
        head = f"{seen}  {where}, since {since_words(verdict, clock_text(verdict.start_ns))}{until}"
        return "\n          ".join([head, *explain(verdict)])
    if change.kind is ChangeKind.CHANGED:
        return f"{seen}  changed: {headline(verdict)}"
    if change.kind is ChangeKind.RETURNED:
        since = since_words(verdict, clock_text(verdict.start_ns))
        return f"{seen}  back again: {where}, since {since} with a break: {headline(verdict)}"
    if change.kind is ChangeKind.ENDED:
        end_ns = verdict.end_ns or at_ns
        if verdict.standing:
            return f"{seen}  over: {where}, there before measuring began, until {clock_text(end_ns)}"
        lasted_s = (end_ns - verdict.start_ns) / NS_PER_S
        return f"{seen}  over: {where}, from {clock_text(verdict.start_ns)} for {lasted_s:.0f} s"
    return f"{seen}  withdrawn: {where}, since later packets spoke against it"


def _end(*_: object) -> None:
    raise KeyboardInterrupt


def follow(args: argparse.Namespace, house: House) -> int:
    """Compare until told to stop; exit code 0 then."""
    # Ctrl-C too: a shell that starts us in the background has it ignored.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _end)
    os.nice(NICER)
    path = args.store or default_store(f"{args.home.stem}.collected")
    keys = derive_keys(read_key(args.key or key_path_for(args.home)))
    teller = NewsPrinter(as_json=args.json)
    try:
        with Store.make(path) as store:
            past = PastFaults(store, zone_of(house.home))
            _follow(live_comparison(house, args.home.name, store, past), store, keys, teller)
    except KeyboardInterrupt:
        teller.aside("stopped")
    return 0


def _follow(live: LiveComparison, store: Store, keys: PurposeKeys, teller: NewsPrinter) -> None:
    clock, home = SystemClock(), live.home
    agents, there = AgentsFetch.of(home, keys, seconds=FIRST_PATIENCE_S), tls_addresses_of(home)
    asker = Asker(
        store=store,
        addresses=there,
        token=keys.api_token,
        fetch=agents,
        bounds=bounds_of(home, len(there)),
    )
    tidied_ns = clock.mono_ns()
    while True:
        news = asker.turn()
        agents.seconds = PATIENCE_S
        asker.bounds = bounds_of(home, len(there), TURN_S)
        for text in news.told:
            teller.aside(text)
        now = clock.utc_ns()
        due = (now - SETTLED_NS) // TICK_NS * TICK_NS
        bulletin = live.turn(due, news.open_records, anew=news.late, troubles=asker.troubles)
        if bulletin is not None:
            teller.bulletin(bulletin, live.told)
        if clock.mono_ns() - tidied_ns > TIDY_NS:
            keep_within(store, home, minute_of(now), teller.aside)
            tidied_ns = clock.mono_ns()
        agents.seconds = LOOK_PATIENCE_S
        _between(live, asker, teller, clock)
        agents.seconds = PATIENCE_S
        # Just past the moment when the next tick's last packet has settled.
        sleep_s(_to_next_turn(clock))


def _to_next_turn(clock: SystemClock) -> float:
    return seconds_to_next(clock.utc_ns() - SETTLED_NS, TICK_NS / NS_PER_S) + 0.05


def _between(live: LiveComparison, asker: Asker, teller: NewsPrinter, clock: SystemClock) -> None:
    """Look at the newest seconds while there is time before the next turn."""
    while _to_next_turn(clock) > LOOK_S + 0.5:
        sleep_s(LOOK_S)
        bulletin = live.soon(clock.utc_ns(), asker.open_now())
        if bulletin is not None:
            teller.bulletin(bulletin, live.told)
