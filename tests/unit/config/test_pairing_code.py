"""The pairing code: what is read is what was shown, and a slip of the finger costs no try."""

import itertools
import random
import secrets

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.config.pairing_keys import LETTERS, CodeError, make_code, read_code

CODES = st.integers(0, 2**32).map(lambda seed: make_code(random.Random(seed).randrange))


@given(CODES)
def test_a_code_is_read_however_it_is_typed(code: str) -> None:
    bare = code.replace("-", "")
    assert len(bare) == 9
    assert {read_code(t) for t in (code, bare.lower(), f"  {bare[:4]} {bare[4:]}\n", "-".join(bare))} == {
        bare
    }


@given(CODES, st.integers(0, 8), st.sampled_from(LETTERS))
def test_every_single_wrong_letter_is_noticed(code: str, place: int, letter: str) -> None:
    bare = code.replace("-", "")
    wrong = bare[:place] + letter + bare[place + 1 :]
    if wrong != bare:
        with pytest.raises(CodeError, match="type it again"):
            read_code(wrong)


@given(CODES)
def test_every_two_that_changed_places_are_noticed(code: str) -> None:
    bare = code.replace("-", "")
    for i, j in itertools.combinations(range(8), 2):
        swapped = list(bare)
        swapped[i], swapped[j] = swapped[j], swapped[i]
        if swapped != list(bare):
            with pytest.raises(CodeError):
                read_code("".join(swapped))


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("", "0 letters are no code"),
        ("K7M-2QX", "6 letters are no code"),
        ("K0M-2QX-9RT", "'0' is in no code"),
        ("K7M-2QX-9R\x1b", "is in no code"),
        ("é" * 9, "is in no code"),
    ],
)
def test_what_is_no_code_is_told(typed: str, told: str) -> None:
    with pytest.raises(CodeError) as why:
        read_code(typed)
    assert told in str(why.value)
    assert len(str(why.value).splitlines()) == 1


def test_codes_are_drawn_evenly() -> None:
    # NIST SP 800-22's frequency idea, from memory: each letter about equally often; 6 sigma of a binomial.
    seen = [letter for _ in range(3000) for letter in make_code(secrets.randbelow).replace("-", "")[:8]]
    each = len(seen) / len(LETTERS)
    assert all(abs(seen.count(letter) - each) < 6 * each**0.5 for letter in LETTERS)
