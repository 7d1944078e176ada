"""What held a transfer back: the path, or something at an end, so that its rate is a lower bound. Pure."""

MOST_IDLE = 0.1
"""Share of the time that a sender may have nothing to send before the path is no longer what was measured."""
MOST_HELD = 0.15
"""Share of the time that a window or buffer may hold a sender back, likewise. Both our own choice."""
FULL_CPU = 0.85
"""Share of a core from which a program is taken to be held back by its processor."""
NEAR_CEILING = 0.97
STANDING_QUEUE_S = 0.002
"""A round trip that grew by this much says that a queue stood on the path, whatever held the sender."""


def what_limited(
    *,
    busy: float,
    window: float,
    buffer: float,
    sender_cpu: float,
    receiver_cpu: float,
    queue_s: float,
    threads: int,
    cores: int,
    rate_bps: float,
    port_bps: float | None = None,
) -> str:
    """ "" when the path itself was full; else what was, so that the path carries at least the rate.

    busy, window, buffer: shares of the time from the sender's tcp_info. *_cpu: cores' worth of time used.
    queue_s: growth of the round trip while it ran.
    port_bps: TCP goodput of the slower end's own port, where known: a full port is the end's, not the path's.
    """
    held = queue_s < STANDING_QUEUE_S
    most = min(threads, max(cores, 1)) * FULL_CPU
    rules = (
        (sender_cpu >= most, "the sending machine's processor"),
        (receiver_cpu >= most, "the receiving machine's processor"),
        (busy < 1 - MOST_IDLE, "the sending program"),
        (held and window > MOST_HELD, "the receiving machine's window"),
        (held and buffer > MOST_HELD, "the sending machine's buffer"),
        (port_bps is not None and rate_bps >= NEAR_CEILING * port_bps, "the machine's own port"),
    )
    return next((words for holds, words in rules if holds), "")
