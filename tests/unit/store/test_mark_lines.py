"""Marks and looks through the interchange form and back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.model import Direction
from whichhop.model.mark import ExpectedGain, Look, Mark
from whichhop.store.interchange import read_lines
from whichhop.store.mark_lines import gains_of, gains_text, look_line, mark_line

TIMES = st.integers(-(10**18), 4 * 10**18)
FLOATS = st.floats(-1e6, 1e9)
GAINS = st.builds(ExpectedGain, direction=st.sampled_from(Direction), frequency_hz=FLOATS, gain_db=FLOATS)
WORDS = st.text(
    st.characters(categories=("L", "N", "P", "S"), include_characters=" "), min_size=1, max_size=60
)
MARKS = st.builds(
    Mark,
    at_ns=TIMES,
    text=WORDS,
    change=st.just("") | WORDS,
    expected=st.lists(GAINS, max_size=4).map(tuple),
)
LOOKS = st.builds(Look, of_ns=TIMES, at_ns=TIMES, from_ns=TIMES, to_ns=TIMES)


def noted(lines: list[str]) -> list[Mark | Look]:
    notes: list[Mark | Look] = []
    assert list(read_lines(lines, "a.jsonl", notes.append)) == []
    return notes


@given(st.lists(MARKS | LOOKS, max_size=6))
def test_what_people_noted_comes_back_exactly(notes: list[Mark | Look]) -> None:
    lines = [mark_line(n) if isinstance(n, Mark) else look_line(n) for n in notes]
    assert noted(lines) == notes


@given(st.lists(GAINS, max_size=5).map(tuple))
def test_gains_are_kept_exactly(gains: tuple[ExpectedGain, ...]) -> None:
    assert gains_of(gains_text(gains)) == gains


# The documented form, by hand.
def test_the_documented_lines_are_read() -> None:
    (mark, look) = noted(
        [
            '{"mark": "2026-03-01T18:00:00Z", "text": "took out the splitter", "change": "remove 5",'
            ' "expected": [{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]}',
            '{"look": "2026-03-02T18:00:00Z", "of": "2026-03-01T18:00:00Z",'
            ' "from": "2026-02-28T00:00:00Z", "to": "2026-03-02T18:00:00Z"}',
        ]
    )
    assert isinstance(mark, Mark)
    assert mark.at_ns == 1_772_388_000 * 10**9  # date -d 2026-03-01T18:00:00Z +%s
    assert mark.expected == (ExpectedGain(direction=Direction.DOWN, frequency_hz=4e8, gain_db=3.5),)
    assert isinstance(look, Look)
    assert look.of_ns == mark.at_ns


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"mark": "yesterday", "text": "x"}', "a.jsonl:1: mark: "),
        ('{"mark": "2026-03-01T18:00:00Z"}', "a.jsonl:1: text: "),
        ('{"mark": "2026-03-01T18:00:00Z", "text": "two\\nlines"}', "text: is no short line"),
        ('{"mark": "2026-03-01T18:00:00Z", "text": "x", "expected": 3}', "expected: is no list of gains"),
        (
            '{"mark": "2026-03-01T18:00:00Z", "text": "x", "expected":'
            ' [{"direction": "down", "frequency_hz": 1e999, "gain_db": 1}]}',
            "expected: is no list of gains",
        ),
        ('{"mark": "2026-03-01T18:00:00Z", "text": "x", "who": "me"}', "who: unknown key"),
        ('{"look": "2026-03-01T18:00:00Z", "of": "2026-03-01T18:00:00Z"}', "from: is missing"),
    ],
)
def test_a_bad_line_is_named_with_its_key(line: str, says: str) -> None:
    with pytest.raises(DataError, match=says):
        noted([line])
