"""A room as a walk found it, for tests to vary."""

from whichhop.model.room import RoomResult

KITCHEN = RoomResult(
    walk="spring",
    room="kitchen",
    at_ns=1_767_268_800 * 10**9,
    agent="desk",
    target="router",
    sent=300,
    lost=0,
    p50_s=0.003,
    p50_low_s=0.0028,
    p50_high_s=0.0032,
    p95_s=0.008,
    down_bps=92e6,
    up_bps=19e6,
)
