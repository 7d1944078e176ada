"""A failure that repeats for years is one line, and a count."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.troubles import LONGEST_TOLD, Troubles, words_of
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
    assert lines[0].isprintable()
    assert len(lines[0]) <= LONGEST_TOLD


def test_our_own_errors_explain_themselves_and_others_are_named() -> None:
    assert words_of(RemoteError("the modem is\nsilent")) == "the modem is silent"
    assert words_of(KeyError("hops")) == "KeyError('hops')"
    assert words_of(RemoteError("")) == "RemoteError('')"
