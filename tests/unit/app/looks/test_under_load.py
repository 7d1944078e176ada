"""Latency under load by hop: medians before and during, and the words for them."""

import numpy as np

from whichhop.app.looks.under_load import HopLoad, load_words, loads_of
from whichhop.compare.windows.seconds import Seconds, empty_seconds
from whichhop.model import Method, SessionKey

KEYS = tuple(
    SessionKey(agent="desk", target=target, method=Method.ECHO)
    for target in ("router", "provider-edge", "harbour")
)
RESULT = {"way": "back", "rate_bps": 93.96e6, "limited": ""}


def seconds(*rtt_ms: list[float]) -> Seconds:
    out = empty_seconds(KEYS, 0, len(rtt_ms[0]))
    out.rtt_s[:] = np.array(rtt_ms, dtype=np.float32).T / 1e3
    return out


def test_each_hop_has_its_medians_and_silence_is_told() -> None:
    nan = float("nan")
    hops = loads_of(
        seconds([1, 1.2, 90, 1.2, 1.2], [10, 10, 10, 11, nan], [12, 12, 12, 12, 12]),
        seconds([1.5, 1.4, 1.5], [210, 190, 200], [nan, nan, 900]),
    )
    assert [h.target for h in hops] == ["router", "provider-edge", "harbour"]
    assert load_words(RESULT, hops) == (
        "latency under load (bufferbloat), with a download of 94.0 Mbit/s: "
        "router 1.2 ms before, 1.5 ms during, provider-edge 10.0 ms before, 200.0 ms during,"
        " harbour 12.0 ms before, hardly an answer within 1 s during"
    )


def test_a_rate_that_something_else_held_back_is_a_least_one_and_nothing_measured_is_said() -> None:
    hops = [HopLoad(target="router", before_s=None, during_s=0.1)]
    words = load_words(RESULT | {"limited": "the sender"}, hops)
    assert words == "under a download of at least 94.0 Mbit/s no hop's latency could be told"
