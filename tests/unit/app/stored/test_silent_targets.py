"""Targets that never answer are named, and nothing is called free of faults where none did."""

import numpy as np

from whichhop.app.stored.store_seconds import silent_in
from whichhop.compare.windows.seconds import empty_seconds
from whichhop.model import Method, SessionKey

KEYS = tuple(SessionKey(agent="desk", target=t, method=Method.ECHO) for t in ("router", "harbour"))


def test_who_never_answers_is_named_and_one_answer_is_enough() -> None:
    seconds = empty_seconds(KEYS, 0, 30)
    seconds.rtt_s[:] = np.nan
    assert silent_in(seconds) == (["router", "harbour"], True)
    seconds.rtt_s[17, 0] = 0.002
    assert silent_in(seconds) == (["harbour"], False)
