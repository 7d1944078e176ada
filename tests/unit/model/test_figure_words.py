"""Shares as people read them."""

import pytest

from whichhop.model.figure_words import percent


@pytest.mark.parametrize(
    ("share", "places", "words"),
    [
        (0.021, 1, "2.1 %"),
        (0.0, 1, "0 %"),
        (0.0003, 1, "0.03 %"),
        (0.00003, 1, "under 0.01 %"),
        (0.000625, 1, "0.06 %"),  # as the report tells 3 of 4800
        (0.9997, 1, "over 99.9 %"),
        (1.0, 1, "100 %"),
        (0.5, 0, "50 %"),
        (1.0, 0, "100 %"),
    ],
)
def test_what_only_rounds_to_nothing_or_to_all_is_not_told_as_that(
    share: float, places: int, words: str
) -> None:
    assert percent(share, places) == words
