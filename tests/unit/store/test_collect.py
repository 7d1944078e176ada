import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.records import lifelike
from whichhop import outside
from whichhop.errors import RemoteError
from whichhop.model import Method, Reading, SessionKey
from whichhop.outside import OutsideError
from whichhop.serve.answer import Question
from whichhop.serve.records_api import readings_page, records_page
from whichhop.store.collect import PAGE, _Reading, collect
from whichhop.store.store import Store

KEY = SessionKey(agent="desk", target="attic", method=Method.ECHO)
FIRST = 28_333_320


def agent_of(path: Path) -> Callable[[str, str], bytes]:
    """An agent in memory: the same pages the API serves, without a socket."""

    def fetch(url: str, token: str) -> bytes:
        assert token == "t"
        where, _, query = url.partition("?")
        assert where in ("http://192.0.2.20:8620/api/records", "http://192.0.2.20:8620/api/readings")
        page = records_page if where.endswith("records") else readings_page
        question = Question(path="", query=dict(p.split("=") for p in query.split("&")), headers={})
        return page(path, "desk", question).body

    return fetch


REMOTE = {"desk": "http://192.0.2.20:8620"}


@pytest.fixture
def remote(tmp_path: Path) -> Path:
    path = tmp_path / "other.db"
    with Store.open(path) as store:
        records = [lifelike(random.Random(m), FIRST + m, KEY, count=3) for m in range(PAGE + 40)]
        readings = [Reading(at_ns=m, agent="desk", name="wan_rx_bytes", value=m) for m in range(PAGE + 3)]
        store.append_all(records, readings)
    return path


def test_a_break_in_the_middle_is_told_and_the_next_time_goes_on_from_there(
    remote: Path, tmp_path: Path
) -> None:
    whole = agent_of(remote)
    calls = []

    def breaking(url: str, token: str) -> bytes:
        calls.append(url)
        if len(calls) == 3:
            raise RemoteError("http://192.0.2.20:8620: no answer within 15 s; is the agent running?")
        return whole(url, token)

    with Store.open(tmp_path / "c.db") as store:
        (cut,) = collect(store, REMOTE, "t", breaking)
        assert (cut.records, cut.readings) == (PAGE, 0)
        assert "no answer" in cut.trouble
        (rest,) = collect(store, REMOTE, "t", breaking)
        assert (rest.records, rest.readings, rest.trouble) == (40, PAGE + 3, "")
        assert f"after={PAGE}&" in calls[4]
        assert [r.trouble for r in store.verify()] == [""]
        (nothing,) = collect(store, REMOTE, "t", breaking)
        assert (nothing.records, nothing.readings, nothing.trouble) == (0, 0, "")


def test_an_agent_without_records_yet_is_no_trouble(tmp_path: Path) -> None:
    with Store.open(tmp_path / "other.db"):
        pass
    with Store.open(tmp_path / "c.db") as store:
        (empty,) = collect(store, REMOTE, "t", agent_of(tmp_path / "other.db"))
    assert (empty.records, empty.trouble) == (0, "")


def test_an_agent_whose_store_was_begun_anew_is_collected_from_its_beginning(
    remote: Path, tmp_path: Path
) -> None:
    with Store.open(tmp_path / "c.db") as store:
        collect(store, REMOTE, "t", agent_of(remote))
        with Store.open(tmp_path / "new.db") as anew:
            anew.append(lifelike(random.Random(1), FIRST + 5000, KEY))
        (again,) = collect(store, REMOTE, "t", agent_of(tmp_path / "new.db"))
        assert (again.records, again.trouble) == (1, "")


KEYS = ["agent", "origin", "last_seq", "seq", "before", "chain", "record", "value", "name"]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
    lambda inner: (
        st.dictionaries(
            st.sampled_from(
                ["agent", "origin", "last_seq", "seq", "before", "chain", "record", "value", "name"]
            ),
            inner,
        )
        | st.lists(inner, max_size=3)
    ),
    max_leaves=10,
)
LINES = st.lists(JSON, max_size=3).map(lambda values: "\n".join(map(json.dumps, values)).encode())
HEAD = {"agent": "desk", "origin": "00" * 16, "last_seq": 3, "head": "00" * 32}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    st.binary(max_size=60) | st.lists(JSON, max_size=3).map(lambda v: "\n".join(map(json.dumps, v)).encode()),
    st.booleans(),
)
def test_whatever_an_agent_answers_is_told_and_nothing_of_it_stored(
    tmp_path: Path, body: bytes, headed: bool
) -> None:
    answer = json.dumps(HEAD).encode() + b"\n" + body if headed else body
    with Store.open(tmp_path / "c.db") as store:
        (told,) = collect(store, REMOTE, "t", lambda url, token: answer)
        assert (told.records, told.readings) == (0, 0)
        assert "\n" not in told.trouble
        assert store.span() is None


@pytest.mark.parametrize("value", ["1e300", "-1e300", "1e999", "NaN"])
def test_a_reading_that_nothing_can_measure_is_refused(value: str) -> None:
    # 1e300 is finite; the differences and rates made of it are not
    row = b'{"seq": 1, "at_ns": 1, "name": "wan_rx_bytes", "value": %s}'
    assert outside.typed(row % b"18446744073709551615", "desk", _Reading).value == 2**64  # the widest counter
    with pytest.raises(OutsideError, match="desk"):
        outside.typed(row % value.encode(), "desk", _Reading)


def test_an_agent_that_repeats_a_place_for_ever_is_given_up(tmp_path: Path) -> None:
    row = json.dumps({"seq": 1, "before": "", "chain": "", "record": ""})
    asked = []

    def looping(url: str, token: str) -> bytes:
        asked.append(url)
        rows = "" if "limit=0" in url else f"{row}\n{row}\n"
        return f"{json.dumps(HEAD)}\n{rows}".encode()

    with Store.open(tmp_path / "c.db") as store:
        (told,) = collect(store, REMOTE, "t", looping)
    assert "place 1 after 1" in told.trouble
    assert len(asked) == 2
