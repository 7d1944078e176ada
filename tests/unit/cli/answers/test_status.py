"""Who is asked, and whose word counts."""

import msgspec
from msgspec.structs import replace

from support.homes import alder
from whichhop.app.agents.agents_fetch import addresses_of
from whichhop.cli.answers.status import FRESH_NS, Heard, hear, newest
from whichhop.errors import RemoteError
from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin, ToldVerdict

SAID = Bulletin(
    home="Alder House",
    at_ns=10**18,
    since_ns=10**18 - 1,
    learning_s=0.0,
    agents=(),
    links=(),
    told=(
        ToldVerdict(
            verdict=Verdict(
                cause=Cause.BACKHAUL, elements=("attic/router",), probability=0.99, start_ns=1, end_ns=None
            ),
            words=("The backhaul.",),
        ),
    ),
)


def test_a_bulletin_is_read_as_it_was_told() -> None:
    pages = {
        "http://192.0.2.2:8620/metrics": b"x",
        "http://192.0.2.2:8620/bulletin": msgspec.json.encode(SAID),
        "http://192.0.2.2:8620/health": b'{"status": "ok", "agent": "attic", "in_trouble": ["fleet-server"]}',
    }
    heard = hear("attic", "http://192.0.2.2:8620", pages.__getitem__)
    assert heard == Heard(agent="attic", metrics="x", bulletin=SAID, failing=("fleet-server",))


def test_an_agent_that_does_not_compare_still_answers() -> None:
    def get(url: str) -> bytes:
        if url.endswith("/metrics"):
            return b"x"
        raise RemoteError("404: this agent does not compare")

    assert hear("attic", "http://192.0.2.2:8620", get) == Heard(agent="attic", metrics="x")


def test_a_bulletin_of_another_version_is_passed_over() -> None:
    assert hear("attic", "", lambda url: b'{"home": 3}' if "bulletin" in url else b"").bulletin is None


def test_an_agent_that_is_down_is_told() -> None:
    def get(url: str) -> bytes:
        raise RemoteError(f"{url}: no answer")

    assert hear("attic", "http://x", get).trouble == "http://x/metrics: no answer"


def test_the_newest_word_counts_unless_it_is_stale() -> None:
    old = replace(SAID, at_ns=SAID.at_ns - 60 * 10**9)
    heard = [Heard(agent="desk", bulletin=old), Heard(agent="attic", bulletin=SAID), Heard(agent="study")]
    assert newest(heard, SAID.at_ns + 1) == ("attic", SAID)
    assert newest(heard, SAID.at_ns + FRESH_NS + 1) is None
    assert newest([], 1) is None


def test_a_word_from_a_time_to_come_hides_nobody_elses() -> None:
    ahead = Heard(agent="desk", bulletin=replace(SAID, at_ns=SAID.at_ns + 10 * FRESH_NS))
    assert newest([ahead, Heard(agent="attic", bulletin=SAID)], SAID.at_ns + 1) == ("attic", SAID)
    assert newest([ahead], SAID.at_ns + 1) is None


def test_every_agent_is_asked_at_its_address() -> None:
    assert addresses_of(alder("192.0.2.2,", '"2001:db8::2",'))["attic"] == "http://[2001:db8::2]:8620"
