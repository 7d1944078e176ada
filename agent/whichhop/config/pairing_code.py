"""The short code that is shown on one machine and typed on another: made, read, checked."""

from collections.abc import Callable

from whichhop.errors import WhichhopError

LETTERS = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"
"""31 letters: none that is taken for another (0 O, 1 I, U V). A prime number of them, so that the last
letter tells every single wrong one and every two that changed places (a weighted sum, as in ISBN-10)."""
DRAWN = 8
"""31 to the 8th are 2 to the 39.6: with three tries nobody has more than one chance in 280,000 million."""
_GROUP = 3


class CodeError(WhichhopError):
    """What was typed is no code; the text says why. It cost no try."""


def _last(drawn: str) -> str:
    total = sum(weight * LETTERS.index(letter) for weight, letter in enumerate(drawn, 1))
    return LETTERS[total % len(LETTERS)]


def make_code(below: Callable[[int], int]) -> str:
    """A new code as it is shown: `K7M-2QX-9RT`. below: a secret whole number below the one given."""
    drawn = "".join(LETTERS[below(len(LETTERS))] for _ in range(DRAWN))
    whole = drawn + _last(drawn)
    return "-".join(whole[i : i + _GROUP] for i in range(0, len(whole), _GROUP))


def read_code(typed: str) -> str:
    """The code's letters, however they are spaced and cased; CodeError for what can be no code."""
    bare = "".join(letter for letter in typed.upper() if not letter.isspace() and letter != "-")
    strange = sorted({letter for letter in bare if letter not in LETTERS})
    if strange:
        raise CodeError(f"{strange[0]!r} is in no code; type the {DRAWN + 1} letters and digits as shown")
    if len(bare) != DRAWN + 1:
        raise CodeError(f"{len(bare)} letters are no code; type the {DRAWN + 1} letters and digits as shown")
    if bare[-1] != _last(bare[:-1]):
        raise CodeError("a letter of the code is wrong or two changed places; look at it and type it again")
    return bare
