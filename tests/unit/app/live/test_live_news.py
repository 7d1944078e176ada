"""Asking live: who is silent is told once, asked less often, and told when it is back."""

from pathlib import Path

from whichhop.app.live.live_news import Asker
from whichhop.errors import RemoteError
from whichhop.store.store import Store

ADDRESSES = {"desk": "http://192.0.2.20:8620", "attic": "http://192.0.2.2:8620"}


class Homes:
    """Answers like two agents that have measured nothing yet, as long as they are up."""

    def __init__(self) -> None:
        self.down: set[str] = set()
        self.asked: list[str] = []
        self.urls: list[str] = []

    def fetch(self, url: str, token: str) -> bytes:
        assert token == "t"
        agent = next(a for a, base in ADDRESSES.items() if url.startswith(base))
        self.asked.append(agent)
        if agent in self.down:
            raise RemoteError(f"{ADDRESSES[agent]}: no answer within 2.5 s; is the agent running?")
        self.urls.append(url)
        if "/api/open" in url:
            return b""
        return f'{{"agent": "{agent}", "origin": null, "last_seq": 0}}\n'.encode()


def test_a_silent_agent_is_told_once_and_asked_once_a_minute_in_the_end(tmp_path: Path) -> None:
    homes = Homes()
    homes.down = {"attic"}
    with Store.open(tmp_path / "c.db") as store:
        asker = Asker(store=store, addresses=ADDRESSES, token="t", fetch=homes.fetch)
        told, turns = [], 0
        while homes.asked.count("attic") < 8:
            told += asker.turn().told
            turns += 1
        assert told == ["attic: http://192.0.2.2:8620: no answer within 2.5 s; is the agent running?"]
        assert set(asker.troubles) == {"attic"}
        # Waits of 2, 3, 6, 6 ... turns of ten seconds after the first two tries.
        assert turns >= 1 + 2 + 3 + 6 + 6
        assert homes.asked.count("desk") == 2 * turns
        homes.down = set()
        news = [asker.turn() for _ in range(6)]
    assert [n.late for n in news].count(True) == 1
    assert [t for n in news for t in n.told] == ["attic: answers again"]
    assert asker.troubles == {}


def test_between_two_turns_only_who_answers_is_asked_and_for_nothing_but_the_newest(tmp_path: Path) -> None:
    homes = Homes()
    homes.down = {"attic"}
    with Store.open(tmp_path / "c.db") as store:
        asker = Asker(store=store, addresses=ADDRESSES, token="t", fetch=homes.fetch)
        asker.turn()
        homes.urls.clear()
        assert asker.open_now() == []
        # An agent of an older version knows no such question: it is left to the turns.
        homes.down = {"attic", "desk"}
        assert asker.open_now() == []
        assert asker.troubles.keys() == {"attic"}
    assert homes.urls == [f"{ADDRESSES['desk']}/api/open?unanswered=lost"]
