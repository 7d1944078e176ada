"""Words are found however they are spelled, and the nearest is offered."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.config import trade_words
from whichhop.config.trade_words import CABLES, RADIOS, Words, near_word, nearest
from whichhop.model.cable_run import CableKind

TABLES = [value for value in vars(trade_words).values() if isinstance(value, Words)]


@pytest.mark.parametrize("word", ["RG6", "rg-6", "RG 6", "rg_6", "RG-6 quad", "RG-6 Quad Shield", "rg6/u"])
def test_a_coax_series_is_known_however_it_is_printed(word: str) -> None:
    assert CABLES.own(word) == CableKind.RG_6


@pytest.mark.parametrize(("name", "amendment"), [("4", "n"), ("5", "ac"), ("6", "ax"), ("7", "be")])
def test_wi_fi_generations_are_their_amendments(name: str, amendment: str) -> None:
    # Wi-Fi Alliance, "Generational Wi-Fi User Guide" (2018): 802.11n is 4, ac is 5, ax is 6; be is 7
    assert RADIOS.own(f"Wi-Fi {name}") == f"802.11{amendment}" == RADIOS.own(f"wifi{name}")


def test_no_word_means_two_things_in_one_place() -> None:
    for table in TABLES:
        found: dict[str, str] = {}
        for stored in table.stored:
            found[trade_words.folded(stored)] = stored
        for own, words in table.other.items():
            for word in words:
                assert found.setdefault(trade_words.folded(word), own) == own, word


def test_a_near_word_is_offered_and_else_the_stored_ones() -> None:
    assert near_word("wirless", ["wireless", "wired"]) == "did you mean 'wireless'?"
    assert near_word("zzz", ["wireless", "wifi"], ["wireless"]) == "use one of: wireless"
    assert nearest("Pover Line", ["power-line"]) == "power-line"


@given(st.text(max_size=300))
def test_any_word_is_survived(word: str) -> None:
    for table in TABLES:
        table.own(word)
    assert near_word(word, ["wireless"])
