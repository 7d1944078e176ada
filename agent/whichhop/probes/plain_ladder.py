"""Climbs the ladder of hop limits without a raw socket: step by step, by the system's own error queue."""

from whichhop.net.clock import SystemClock
from whichhop.net.hop_socket import HopSocket
from whichhop.wire.trace import Ladder

STEP_S = 0.7
"""How long one step is waited for; with a raw socket four at once are waited for a second."""


def climb_plainly(ladder: Ladder, sock: HopSocket) -> None:
    """Climbs to the ladder's end. An answer is known by the number in what it quotes, else by its turn."""
    clock, number = SystemClock(), 0
    asked: dict[int, tuple[int, int]] = {}
    while due := ladder.due():
        for ttl in due:
            number += 1
            now_ns = clock.mono_ns()
            # The two halves cancel in the checksum: to a router that shares load all packets look alike.
            sock.send(ttl, number.to_bytes(2) + (0xFFFF - number).to_bytes(2))
            asked[number] = (ttl, now_ns)
            end_ns = now_ns + int(STEP_S * 1e9)
            while number in asked and (left_ns := end_ns - clock.mono_ns()) > 0:
                found = sock.error(left_ns / 1e9)
                if found is None:
                    continue
                # A router need not quote more than the header (RFC 792): then it is the one asked last.
                quoted = int.from_bytes(found.payload[:2]) if len(found.payload) >= 2 else number
                if quoted in asked:
                    step, sent_ns = asked.pop(quoted)
                    final = found.unreachable and found.address == ladder.target
                    ladder.answer(step, found.address, clock.mono_ns() - sent_ns, final=final)
