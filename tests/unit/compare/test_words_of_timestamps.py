"""The line that says whose time stamps the compared delays rest on."""

from msgspec.structs import replace

from whichhop.compare.windows.table import WindowTable, empty_table
from whichhop.compare.words import timing_words
from whichhop.model import Method, SessionKey

STAMP = SessionKey(agent="desk", target="attic", method=Method.STAMP)
ECHO = SessionKey(agent="desk", target="router", method=Method.ECHO)
LOOKUPS = [
    SessionKey(agent=a, target="house", method=Method.LOOKUP) for a in ("attic", "desk", "porch", "study")
]


def timed(stamps: dict[SessionKey, frozenset[str]]) -> WindowTable:
    return replace(empty_table([STAMP, ECHO, *LOOKUPS], 0, 6), stamps=stamps)


def test_an_echo_needs_two_stamps_and_a_stamp_session_four() -> None:
    kernel = timed({STAMP: frozenset({"T1 T2 T3 T4"}), ECHO: frozenset({"T1 T4"})})
    assert timing_words(kernel) == "Timed by the kernel's stamps in all 2 sessions."
    words = timing_words(timed({STAMP: frozenset({"T1 T2 T4", "T1 T2 T3 T4"}), ECHO: frozenset({"T1 T4"})}))
    assert words.startswith("Timed by the kernel's stamps in 1 of 2 sessions;")
    assert words.endswith(": desk>attic:stamp (T3).")


def test_many_are_counted_and_few_named() -> None:
    words = timing_words(timed({key: frozenset({""}) for key in [ECHO, *LOOKUPS]}))
    assert "in none of 5 sessions; in all of them the program took some itself" in words
    assert words.count("(T1, T4)") == 3
    assert words.endswith("and 2 more.")


def test_open_minutes_alone_say_so_and_a_coarse_table_says_nothing() -> None:
    assert "not on record" in timing_words(timed({}))
    assert timing_words(replace(timed({}), coarse=True)) == ""


def test_records_that_do_not_say_who_stamped_them_are_not_said_to_be_the_programs() -> None:
    """Another program's lines have no word on it; "the program took some itself" would be made up."""
    assert "do not say who took their time stamps" in timing_words(timed({ECHO: frozenset({"?"})}))
    words = timing_words(timed({STAMP: frozenset({"T1 T2 T3 T4"}), ECHO: frozenset({"?"})}))
    assert words == (
        "Timed by the kernel's stamps in all 1 sessions. 1 of 2 sessions do not say who took theirs."
    )
