"""What held a transfer back: only a full path makes its rate more than a lower bound."""

from typing import Any

import pytest

from whichhop.stats.throughput import what_limited

FULL: dict[str, Any] = {
    "busy": 1.0,
    "window": 0.0,
    "buffer": 0.0,
    "sender_cpu": 0.1,
    "receiver_cpu": 0.1,
    "queue_s": 0.05,
    "threads": 1,
    "cores": 2,
    "rate_bps": 50e6,
}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, ""),
        ({"sender_cpu": 0.9}, "the sending machine's processor"),
        ({"receiver_cpu": 0.9}, "the receiving machine's processor"),
        ({"receiver_cpu": 0.9, "threads": 4}, ""),
        ({"busy": 0.5}, "the sending program"),
        ({"window": 0.5, "queue_s": 0.0}, "the receiving machine's window"),
        ({"buffer": 0.5, "queue_s": 0.0}, "the sending machine's buffer"),
        # A queue stood on the path: it was full, whatever held the sender beside.
        ({"buffer": 0.5, "window": 0.5}, ""),
        ({"port_bps": 51e6}, "the machine's own port"),
        ({"port_bps": 94e6}, ""),
    ],
)
def test_each_limit_is_named_and_a_full_path_is_none(change: dict[str, Any], words: str) -> None:
    assert what_limited(**{**FULL, **change}) == words
