"""`whichhop compare --follow`: compares while the agents measure, and says what changed."""

import argparse
import os
import signal
import sys
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path

import msgspec

from whichhop.app.advice_of_home import LiveAdvice
from whichhop.app.agent_addresses import DAY_NS, SETTLED_NS, addresses_of
from whichhop.app.live_news import Asker
from whichhop.app.refusals import refusal_words, refused_lately
from whichhop.app.store_windows import exact_windows, windows_of_store
from whichhop.capacity.rooms import is_of_transfer, room_rates
from whichhop.cli.times import clock_text
from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.day_book import Change, ChangeKind, DayBook, changes
from whichhop.compare.live import Follower
from whichhop.compare.windows.table import TICK_NS
from whichhop.compare.words import explain, headline
from whichhop.config.check import House
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.daemon.options import default_store
from whichhop.model import Home, Reading, Record, Verdict, derive_sessions
from whichhop.model.bulletin import Bulletin
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of, seconds_to_next
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_get import fetch
from whichhop.store.store import Store

PATIENCE_S = 2.5
"""An agent of the same home that takes longer to answer is as good as silent this turn."""
FIRST_PATIENCE_S = 15.0
"""The first time it may have days to hand over."""
LATE_READINGS_NS = 5 * NS_PER_MINUTE
"""So far back a reading may still come in late."""
TIDY_NS = 3600 * NS_PER_S
MINUTES_A_DAY = 24 * 60
ADVICE_DAYS = 2
"""How old a rate or a modem's reading may be that live advice rests on; `advise` takes older ones too."""
NICER = 5
"""Judging may wait; an agent on the same machine must be punctual."""


class Watcher:
    """Follows one home from the store that its agents' records are collected in.

    advice: what gives the next steps; the verdicts' own words do without it.
    """

    def __init__(self, home: Home, store: Store, path: Path, advice: LiveAdvice | None = None) -> None:
        self.home = home
        self._advice = advice
        self._store, self._path = store, path
        self._book = DayBook()
        self.told: list[Verdict] = []
        """The last day's verdicts after the newest turn, in order of time."""
        self._follower: Follower | None = None
        self._seen: set[Reading] = set()
        self._rates: list[Reading] = []

    def turn(
        self,
        due_ns: int,
        open_records: Iterable[Record] = (),
        *,
        anew: bool = False,
        troubles: dict[str, str] | None = None,
    ) -> Bulletin | None:
        """Judge all ticks that end by `due_ns`, a whole tick; None while nothing was ever measured.

        The first turn judges the last day that is kept, so that the baseline is there at once. anew: do so
        again, since minutes that were judged already are known better now.
        """
        begin = self._follower.end_ns if self._follower else 0
        if anew or self._follower is None or not begin - NS_PER_MINUTE <= due_ns <= begin + DAY_NS:
            follower = self._begin(due_ns, open_records)
            if follower is None:
                return None
            self._follower = follower
        elif due_ns > begin:
            piece = exact_windows(self._path, self.home, start_ns=begin, end_ns=due_ns, extra=open_records)
            self._follower.feed(piece, self._readings(begin - LATE_READINGS_NS, due_ns))
        standing = self._follower.standing()
        self.told = self._book.take(standing.verdicts, standing.judged_ns, due_ns)
        steps = None
        if self._advice is not None:
            since = max(standing.table.start_ns, due_ns - DAY_NS)
            steps = self._advice.steps(self.told, standing.sessions, since, due_ns)
        return bulletin_of(
            standing,
            self.told,
            troubles=troubles,
            rooms=room_rates(self.home, self._rates),
            marks=[m for m in self._store.marks().values() if due_ns - DAY_NS <= m.at_ns <= due_ns],
            steps=steps,
        )

    def _begin(self, due_ns: int, open_records: Iterable[Record]) -> Follower | None:
        piece = windows_of_store(
            self._path, self.home, start_ns=due_ns - DAY_NS, end_ns=due_ns, extra=open_records, processes=1
        )
        if piece is None:
            return None
        self._seen.clear()
        self._rates.clear()
        follower = Follower(self.home, derive_sessions(self.home), start_ns=piece.start_ns)
        follower.feed(piece, self._readings(piece.start_ns - NS_PER_MINUTE, due_ns))
        return follower

    def _readings(self, from_ns: int, to_ns: int) -> list[Reading]:
        """Readings of a span that were not given before."""
        found = [r for r in self._store.readings(from_ns=from_ns, to_ns=to_ns) if r not in self._seen]
        self._rates += filter(is_of_transfer, found)
        late = to_ns - 2 * LATE_READINGS_NS
        self._seen = {r for r in self._seen if r.at_ns > late} | {r for r in found if r.at_ns > late}
        return found


class Teller:
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
        calm = not any(v.end_ns is None for v in told)
        if self._first and not news:
            self.line(f"{clock_text(bulletin.at_ns)}  {_state_words(bulletin, calm=calm)}")
        elif calm and any(c.kind in (ChangeKind.ENDED, ChangeKind.WITHDRAWN) for c in news):
            self.line(f"{clock_text(bulletin.at_ns)}  calm again")
        if self._beats:
            sys.stderr.write(f"\r{clock_text(bulletin.at_ns)}  {_state_words(bulletin, calm=calm)}\x1b[K")
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


def _state_words(bulletin: Bulletin, *, calm: bool) -> str:
    if bulletin.learning_s > 0:
        return f"learning what is ordinary, {bulletin.learning_s:.0f} s to go"
    if calm:
        return "calm: nothing exceeds its own quiet baseline"
    return "; ".join(f"{v.cause}: {' + '.join(v.elements)}" for v in bulletin.lasting)


def change_text(change: Change, at_ns: int) -> str:
    """One change in lines: when it was seen, what it is, and for a new verdict all that is known."""
    verdict = change.verdict
    seen = clock_text(at_ns)
    where = f"{verdict.cause}: {' + '.join(verdict.elements)}"
    if change.kind is ChangeKind.OPENED:
        until = "" if verdict.end_ns is None else f" until {clock_text(verdict.end_ns)}"
        head = f"{seen}  {where}, since {clock_text(verdict.start_ns)}{until}"
        return "\n          ".join([head, *explain(verdict)])
    if change.kind is ChangeKind.CHANGED:
        return f"{seen}  changed: {headline(verdict)}"
    if change.kind is ChangeKind.ENDED:
        end_ns = verdict.end_ns or at_ns
        lasted_s = (end_ns - verdict.start_ns) / NS_PER_S
        return f"{seen}  over: {where}, from {clock_text(verdict.start_ns)} for {lasted_s:.0f} s"
    return f"{seen}  withdrawn: {where}, since later packets spoke against it"


def _tidy(store: Store, home: Home, now_ns: int) -> None:
    """Keep the collected records as the agents keep theirs."""
    now_minute = minute_of(now_ns)
    store.pack_hours(now_minute)
    store.drop_before(now_minute - home.limits.keep_days * MINUTES_A_DAY)
    store.drop_to_size(home.limits.store_bytes)


def _end(*_: object) -> None:
    raise KeyboardInterrupt


def follow(args: argparse.Namespace, house: House) -> int:
    """Compare until told to stop; exit code 0 then."""
    # Ctrl-C too: a shell that starts us in the background has it ignored.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _end)
    os.nice(NICER)
    path = args.store or default_store(f"{args.home.stem}.collected")
    token = derive_keys(read_key(args.key or key_path_for(args.home))).api_token
    teller = Teller(as_json=args.json)
    try:
        with Store.make(path) as store:
            advice = LiveAdvice(
                house,
                args.home.name,
                lambda at: list(store.readings(from_ns=at - ADVICE_DAYS * DAY_NS, to_ns=at)),
            )
            _follow(Watcher(house.home, store, path, advice), store, token, teller)
    except KeyboardInterrupt:
        teller.aside("stopped")
    return 0


def _follow(watcher: Watcher, store: Store, token: str, teller: Teller) -> None:
    clock, home = SystemClock(), watcher.home
    asker = Asker(
        store=store, addresses=addresses_of(home), token=token, fetch=partial(fetch, seconds=FIRST_PATIENCE_S)
    )
    tidied_ns = clock.mono_ns()
    while True:
        news = asker.turn()
        asker.fetch = partial(fetch, seconds=PATIENCE_S)
        for text in news.told:
            teller.aside(text)
        now = clock.utc_ns()
        due = (now - SETTLED_NS) // TICK_NS * TICK_NS
        refused = refusal_words(refused_lately(store, home, news.open_records, due))
        troubles = {**refused, **asker.troubles}
        bulletin = watcher.turn(due, news.open_records, anew=news.late, troubles=troubles)
        if bulletin is not None:
            teller.bulletin(bulletin, watcher.told)
        if clock.mono_ns() - tidied_ns > TIDY_NS:
            _tidy(store, home, now)
            tidied_ns = clock.mono_ns()
        # Just past the moment when the next tick's last packet has settled.
        sleep_s(seconds_to_next(clock.utc_ns() - SETTLED_NS, TICK_NS / NS_PER_S) + 0.05)
