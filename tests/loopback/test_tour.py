"""The guide's tour is true: each file it names exists, and a packet really passes them in that order."""

import asyncio
import re
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import ip_network
from pathlib import Path
from types import FrameType

import pytest
from msgspec import structs

from support.probing import Kept, key, until
from support.stories import STORIES, measured
from whichhop.app.live.live_comparison import LiveComparison
from whichhop.config.check import read_house
from whichhop.daemon.minutes import MinuteBook
from whichhop.daemon.store_thread import StoreThread
from whichhop.model import Fate, Limits, Method, Reading, Record, Sample
from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.probes.admission import Admission
from whichhop.probes.base import SessionFacts
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.serve.answer import Question
from whichhop.serve.page.sentence import answer
from whichhop.serve.records_api import readings_page, records_page
from whichhop.store.collect import collect
from whichhop.store.store import Store
from whichhop.wire.flight import LINGER_NS, WAIT_NS
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error

pytestmark = pytest.mark.waits
TOP = Path(__file__).parents[2]
SOURCE = TOP / "agent" / "whichhop"
TABLE = (
    (TOP / "DEVELOPERS.md")
    .read_text()
    .partition("### One sample, from the wire")[2]
    .partition("\n\nWhat ")[0]
)
CLOCK = SystemClock()


def _file(name: str, before: Path) -> Path:
    """A file as the table writes it: from the package's root, or from the file before."""
    places = (SOURCE, *before.parents)
    return next((place / name for place in places if (place / name).is_file()), SOURCE / name)


def _stops() -> list[tuple[str, str, list[Path]]]:
    """Of each row its number, "" for one beside the others, what it says, and its files."""
    out, last = [], SOURCE / "any"
    for number, said in re.findall(r"^\| (?:(\d+) )?\| (.+?) \|", TABLE, re.MULTILINE):
        files = []
        for name in re.findall(r"`([\w/]+\.py)`", said):
            last = _file(name, last)
            files.append(last)
        out.append((number, said, files))
    return out


STOPS = _stops()


def test_each_file_of_the_tour_exists() -> None:
    assert [int(number) for number, *_ in STOPS if number] == list(range(1, 16))
    for _, said, files in STOPS:
        assert files, said
        assert [f for f in files if not f.is_file()] == []


@contextmanager
def _entered() -> Iterator[list[str]]:
    """The files of the tour in the order in which their functions are called, by any thread begun here."""
    wanted = {str(f) for *_, files in STOPS for f in files}
    order: list[str] = []

    def note(frame: FrameType, event: str, _: object) -> None:
        file = frame.f_code.co_filename
        if event == "call" and file in wanted and (not order or order[-1] != file):
            order.append(file)

    threading.setprofile(note)
    sys.setprofile(note)
    try:
        yield order
    finally:
        sys.setprofile(None)
        threading.setprofile(None)


def _estimate() -> ErrorEstimate:
    return estimate_error(None, synced=False)


async def _measured() -> Sample:
    """One packet that a reflector answered."""
    there = StampReflector(CLOCK, Admission([ip_network("127.0.0.1")]), _estimate, bind="127.0.0.1", port=0)
    loop = asyncio.get_running_loop()
    there.open(loop)
    kept, session = Kept(), key("far", Method.STAMP)
    here = StampProber(kept, CLOCK, _estimate, first_ssid=7, port=there.port)
    here.open(loop)
    here.send(session, "127.0.0.1")
    await until(lambda: there.answered > 0)
    await asyncio.sleep(0.05)
    here.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + LINGER_NS + 1))
    await until(lambda: bool(kept.rows))
    here.close()
    there.close()
    (sample,) = kept.of(session)
    return sample


def _minutes(records: list[Record], sample: Sample) -> tuple[list[Record], Record]:
    """The records once more from their samples, of which the packet is now one; and the record it is in."""
    home = next(r for r in records if Fate.ANSWERED in r.samples.fate)
    own = structs.replace(sample, sent_ns=next(iter(home.samples)).sent_ns)
    book = MinuteBook(lambda _: SessionFacts())
    for record in records:
        for place, each in enumerate(record.samples):
            book.add(record.session, own if record is home and place == 0 else each)
    closed = list(book.close_all())
    return closed, next(r for r in closed if (r.session, r.minute) == (home.session, home.minute))


async def _written(path: Path, records: list[Record], readings: list[Reading]) -> None:
    """What one agent measured, by the daemon's own thread."""
    troubles: list[str] = []
    thread = StoreThread(path, Limits(), CLOCK, trouble=troubles.append, anew=troubles.append)
    thread.keep(records, readings)
    thread.close()
    assert troubles == []


def _collected(store: Store, folder: Path, agents: set[str]) -> None:
    """Each agent's records by the pages that it hands out."""

    def fetch(url: str, _token: str) -> bytes:
        at, _, query = url.partition("?")
        agent = at.split("/")[2]
        page = records_page if at.endswith("records") else readings_page
        question = Question(path="", query=dict(p.split("=") for p in query.split("&")), headers={})
        return page(folder / f"{agent}.db", agent, question).body

    found = collect(store, {a: f"https://{a}" for a in sorted(agents)}, "t", fetch)
    assert [c.trouble for c in found if c.trouble] == []


def test_a_packet_passes_the_tours_files_in_its_order(tmp_path: Path) -> None:
    story = STORIES["line"]
    records, readings = measured(story)
    file = tmp_path / "home.yaml"
    file.write_text(story.home)
    house = read_house(file)
    with _entered() as order, Store.open(tmp_path / "all.db") as store:
        closed, own = _minutes(records, asyncio.run(_measured()))
        agents = {r.session.agent for r in closed}
        for agent in agents:
            mine = [r for r in closed if r.session.agent == agent]
            told = [r for r in readings if r.agent == agent]
            asyncio.run(_written(tmp_path / f"{agent}.db", mine, told))
        _collected(store, tmp_path, agents)
        bulletin = LiveComparison(house.home, store).turn(story.now_ns)
        assert bulletin is not None
        words = answer(bulletin, story.now_ns).words
        kept = next(r for r in store.session_records(own.session, own.minute, own.minute + 1))
    # The packet is in the store that was collected, and the answer is the story's truth.
    assert next(iter(kept.samples)) == next(iter(own.samples))
    assert story.cause in [v.verdict.cause for v in bulletin.told]
    assert words
    at = 0
    for number, said, files in STOPS:
        if not number:
            continue
        # Where a stop says "or", one of its files is passed, else all, in whatever order within the stop.
        names = [str(f) for f in files]
        here = [order.index(n, at) for n in names if n in order[at:]]
        assert here if " or " in said else len(here) == len(names), (
            said,
            [n for n in names if n not in order[at:]],
        )
        at = min(here) if " or " in said else max(here)
