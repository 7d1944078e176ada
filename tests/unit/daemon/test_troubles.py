"""A failure that repeats for years is one line, and a count."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.job_runner import LONGEST_TOLD, MOST_LINES, Strangers, Troubles, words_of
from whichhop.errors import RemoteError


def test_it_is_told_once_counted_each_time_and_its_end_is_told() -> None:
    lines: list[str] = []
    counted: Counter[str] = Counter()
    troubles = Troubles(lines.append, lambda part: counted.update([part]))
    troubles.well("routes")
    for _ in range(1000):
        troubles.wrong("routes", "no raw socket")
    troubles.wrong("calls", "odd")
    assert troubles.now() == ["calls", "routes"]
    troubles.well("routes")
    troubles.well("routes")
    troubles.wrong("routes", "no raw socket")
    assert lines == ["routes: no raw socket", "calls: odd", "routes: works again", "routes: no raw socket"]
    assert counted == {"routes": 1001, "calls": 1}


@given(st.text())
def test_what_is_told_is_one_bounded_line_without_control_characters(text: str) -> None:
    lines: list[str] = []
    Troubles(lines.append, lambda _: None).wrong("modem-levels", text * 100)
    assert len(lines) == 1
    assert not any(c < " " or c in "\x7f\x9b\u2028" for c in lines[0])
    assert len(lines[0]) <= 6 * LONGEST_TOLD  # an escape has six characters at most


def test_what_comes_and_goes_fills_no_disk() -> None:
    lines: list[str] = []
    troubles = Troubles(lines.append, lambda _: None)
    for _ in range(1000):
        troubles.wrong("links", "down")
        troubles.well("links")
    assert len(lines) == MOST_LINES
    assert "no more of it is told for 10 minutes" in lines[-1]
    troubles.settle()
    troubles.wrong("links", "down")
    assert lines[MOST_LINES:] == ["links: down"]


def test_a_passing_trouble_is_over_once_it_did_not_come_again() -> None:
    lines: list[str] = []
    troubles = Troubles(lines.append, lambda _: None)
    troubles.wrong("event-loop", "odd", passing=True)
    troubles.wrong("routes", "no raw socket")
    troubles.settle()
    assert troubles.now() == ["event-loop", "routes"]
    troubles.settle()
    assert troubles.now() == ["routes"]
    troubles.wrong("event-loop", "odd again", passing=True)
    assert lines == ["event-loop: odd", "routes: no raw socket", "event-loop: odd again"]


def test_a_crowd_of_strangers_is_a_few_lines_and_a_number() -> None:
    lines: list[str] = []
    strangers = Strangers(lines.append)
    for n in range(100):
        strangers.came(f"192.0.2.{n}: turned away")
    strangers.settle()
    strangers.settle()
    assert lines[5:] == ["95 more connections were turned away in the last 10 minutes"]
    strangers.came("192.0.2.1: turned away")
    assert len(lines) == 7


def test_our_own_errors_explain_themselves_and_others_are_named() -> None:
    assert words_of(RemoteError("the modem is\nsilent")) == "the modem is silent"
    assert words_of(KeyError("hops")) == "KeyError('hops')"
    assert words_of(RemoteError("")) == "RemoteError('')"
