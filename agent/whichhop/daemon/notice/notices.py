"""Tells whoever looks after the home: from the comparer's bulletins to notices that a child process sends."""

from collections.abc import Callable
from functools import partial
from pathlib import Path

import msgspec

from whichhop.config.files import WriteError, replace_file
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.daemon.notice.book import (
    MOST_KEPT_OCTETS,
    READY,
    READY_EVERY_NS,
    Kept,
    Place,
    decide,
    due,
    failed,
    kept_of,
    put,
    sent,
)
from whichhop.daemon.notice.sending import MOST_S, SendRequest, Sent, missing
from whichhop.daemon.notice.words import document, reader_of
from whichhop.errors import SystemRefusedError
from whichhop.model import Home
from whichhop.model.bulletin import Bulletin
from whichhop.model.figure_words import zone_of
from whichhop.model.notices import Notices as Settings
from whichhop.model.notices import Way
from whichhop.net.child import RunChild, our_module
from whichhop.net.clock import Clock
from whichhop.outside import OutsideError, typed

TURN_S = 5.0
Told = Callable[[str, float], None]


async def send_once(run: RunChild, settings: Settings, way: Way, made: bytes) -> Sent:
    """One try in a child process; it never raises but for what is our own fault."""
    request = SendRequest(way=way, settings=settings, document=msgspec.Raw(made))
    argv = our_module("whichhop.daemon.notice.send_child")
    try:
        ended = await run(argv, given=msgspec.json.encode(request), most_s=MOST_S)
    except TimeoutError:
        return Sent(ok=False, words=f"not done after {MOST_S:g} s")
    except SystemRefusedError as why:
        return Sent(ok=False, words=str(why))
    if ended.code:
        return Sent(ok=False, words=f"its process failed: {ended.last_error()}")
    try:
        return typed(ended.out, "the sending process", Sent)
    except OutsideError as why:
        return Sent(ok=False, words=str(why))


class Notices:
    """One agent's notices. told: takes a reading's name and value, by which the other agents know.

    file: where what outlives a restart is kept. A failing way is told once in the agent's own troubles; it
    holds up neither the others nor any packet.
    """

    def __init__(
        self,
        agent: str,
        file: Path,
        clock: Clock,
        jobs: JobRunner,
        run: RunChild,
        *,
        troubles: Troubles,
        told: Told,
    ) -> None:
        self._agent, self._file, self._clock = agent, file, clock
        self._jobs, self._run, self._troubles, self._told = jobs, run, troubles, told
        self._home: Home | None = None
        self._kept: Kept | None = None
        self._on_disk = b""
        self._ready: list[Way] = []
        self._ready_ns = -READY_EVERY_NS
        self._begun_ns = clock.utc_ns()

    def start(self) -> None:
        """Begin to send what is queued; nothing runs where the home file names nobody to tell."""
        for way in Way:
            self._jobs.after_pauses(f"notices-{way}", TURN_S, partial(self._turn, way))

    def follow(self, home: Home) -> None:
        """Tell by the ways of this home file from now on."""
        self._home, self._ready_ns = home, -READY_EVERY_NS

    @property
    def _settings(self) -> Settings | None:
        return None if self._home is None else self._home.notices

    def take(self, bulletin: Bulletin) -> None:
        """Queue what is new in the comparer's bulletin."""
        settings, home = self._settings, self._home
        if settings is None or home is None:
            return
        now_ns = self._clock.utc_ns()
        self._look_at_files(settings, now_ns)
        kept, zone = self._read(), zone_of(home)
        place = Place(
            me=self._agent,
            order=[n.name for n in home.agents],
            zone=zone,
            begun_ns=self._begun_ns,
            ready=self._ready,
        )
        reader = reader_of(bulletin, zone)
        for news in decide(kept, bulletin, settings, place, now_ns):
            fault = news.fault
            now = [
                t.verdict
                for t in bulletin.told
                if fault is not None
                and str(t.verdict.cause) == fault.cause
                and t.verdict.elements == fault.elements
            ]
            kept.number += 1
            number = f"{self._agent}-{now_ns // 1_000_000}-{kept.number}"
            made = document(news, now[0] if now else None, reader, number, now_ns)
            put(kept, news, msgspec.json.encode(made), now_ns)
        self._write()

    def _look_at_files(self, settings: Settings, now_ns: int) -> None:
        """Once a minute: by which ways can this machine send? The other agents hear of it."""
        if now_ns - self._ready_ns < READY_EVERY_NS and now_ns >= self._ready_ns:
            return
        self._ready_ns, self._ready = now_ns, []
        for way in settings.ways:
            why = missing(settings, way)
            if why:
                self._troubles.wrong(f"notices-{way}-file", f"{why}; this agent tells nobody by {way}")
            else:
                self._troubles.well(f"notices-{way}-file")
                self._ready.append(way)
                self._told(f"{READY}:{way}", 1.0)

    async def _turn(self, way: Way) -> None:
        settings, home = self._settings, self._home
        if settings is None or home is None or way not in settings.ways:
            return
        kept, clock = self._read(), self._clock
        one = due(kept, way, settings, clock.utc_ns(), zone_of(home))
        if one is None:
            self._write()
            return
        said = await send_once(self._run, settings, way, bytes(one.document))
        part = f"notices-{way}-sent"
        if said.ok:
            self._troubles.well(part, "notices are sent again")
            for name, value in sent(kept, one):
                self._told(name, value)
        else:
            wait_s = failed(one, clock.utc_ns())
            waiting = sum(w.way is way for w in kept.waiting)
            self._troubles.wrong(part, f"{said.words}; tried again in {wait_s:g} s, {waiting} waiting")
        self._write()

    # -- what outlives a restart

    def _read(self) -> Kept:
        if self._kept is None:
            self._kept = Kept()
            try:
                with self._file.open("rb") as file:
                    octets = file.read(MOST_KEPT_OCTETS + 1)
                self._kept = kept_of(octets, str(self._file))
                self._on_disk = octets
            except FileNotFoundError:
                pass
            except OutsideError as why:
                self._troubles.wrong("notices", f"{why}; what was queued there is lost", passing=True)
            except OSError as why:
                self._troubles.wrong(
                    "notices",
                    f"{self._file} is not readable ({why}); what was queued there is lost",
                    passing=True,
                )
        return self._kept

    def _write(self) -> None:
        octets = msgspec.json.encode(self._read())
        if octets == self._on_disk:
            return
        try:
            replace_file(self._file, octets.decode())
        except WriteError as why:
            self._troubles.wrong("notices", f"{why}; notices are sent, and forgotten by a restart")
            return
        self._on_disk = octets
        self._troubles.well("notices")
