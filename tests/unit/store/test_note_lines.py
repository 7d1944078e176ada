"""Marks and looks through the interchange form and back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.model import Direction
from whichhop.model.note import ExpectedGain, Look, Note
from whichhop.store.interchange import read_lines
from whichhop.store.note_lines import gains_of, gains_text, look_line, note_line

TIMES = st.integers(-(10**18), 4 * 10**18)
FLOATS = st.floats(-1e6, 1e9)
GAINS = st.builds(ExpectedGain, direction=st.sampled_from(Direction), frequency_hz=FLOATS, gain_db=FLOATS)
WORDS = st.text(
    st.characters(categories=("L", "N", "P", "S"), include_characters=" "), min_size=1, max_size=60
)
MARKS = st.builds(
    Note,
    at_ns=TIMES,
    text=WORDS,
    change=st.just("") | WORDS,
    expected=st.lists(GAINS, max_size=4).map(tuple),
)
LOOKS = st.builds(Look, of_ns=TIMES, at_ns=TIMES, from_ns=TIMES, to_ns=TIMES)


def noted(lines: list[str]) -> list[Note | Look]:
    notes: list[Note | Look] = []
    assert list(read_lines(lines, "a.jsonl", notes.append)) == []
    return notes


@given(st.lists(MARKS | LOOKS, max_size=6))
def test_what_people_noted_comes_back_exactly(notes: list[Note | Look]) -> None:
    lines = [note_line(n) if isinstance(n, Note) else look_line(n) for n in notes]
    assert noted(lines) == notes


@given(st.lists(GAINS, max_size=5).map(tuple))
def test_gains_are_kept_exactly(gains: tuple[ExpectedGain, ...]) -> None:
    assert gains_of(gains_text(gains)) == gains


# The documented form, by hand.
def test_the_documented_lines_are_read() -> None:
    (note, look) = noted(
        [
            '{"note": "2026-03-01T18:00:00Z", "text": "took out the splitter", "change": "remove 5",'
            ' "expected": [{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]}',
            '{"look": "2026-03-02T18:00:00Z", "of": "2026-03-01T18:00:00Z",'
            ' "from": "2026-02-28T00:00:00Z", "to": "2026-03-02T18:00:00Z"}',
        ]
    )
    assert isinstance(note, Note)
    assert note.at_ns == 1_772_388_000 * 10**9  # date -d 2026-03-01T18:00:00Z +%s
    assert note.expected == (ExpectedGain(direction=Direction.DOWN, frequency_hz=4e8, gain_db=3.5),)
    assert isinstance(look, Look)
    assert look.of_ns == note.at_ns


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"note": "yesterday", "text": "x"}', "a.jsonl:1: note: "),
        ('{"note": "2026-03-01T18:00:00Z"}', "a.jsonl:1: text: "),
        ('{"note": "2026-03-01T18:00:00Z", "text": "two\\nlines"}', "text: is no short line"),
        ('{"note": "2026-03-01T18:00:00Z", "text": "x", "expected": 3}', "expected: is no list of gains"),
        (
            '{"note": "2026-03-01T18:00:00Z", "text": "x", "expected":'
            ' [{"direction": "down", "frequency_hz": 1e999, "gain_db": 1}]}',
            "expected: is no list of gains",
        ),
        ('{"note": "2026-03-01T18:00:00Z", "text": "x", "who": "me"}', "who: unknown key"),
        ('{"look": "2026-03-01T18:00:00Z", "of": "2026-03-01T18:00:00Z"}', "from: is missing"),
    ],
)
def test_a_bad_line_is_named_with_its_key(line: str, says: str) -> None:
    with pytest.raises(DataError, match=says):
        noted([line])
