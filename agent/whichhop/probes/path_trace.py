"""Route discovery for the daemon: runs the child that climbs the ladder, and reads the route it prints."""

from whichhop.errors import SystemRefusedError
from whichhop.net.child import RunChild, our_module, run_child
from whichhop.outside import typed
from whichhop.printable import shown
from whichhop.wire.trace import REFUSED, UNROUTED, Route

CHILD = "whichhop.probes.trace_child"
LIMIT_S = 60.0
"""20 hop limits, 3 tries, 4 at once, a second a round: 15 s when all are silent; a busy machine, longer."""
SOURCE_PORT = 33434
"""Always the same, so that every finding, today's and next week's, sees the same one of equal paths."""


def read_route(line: str) -> Route:
    """The route that the child printed; DataError when it is none."""
    return typed(line, f"route discovery printed {shown(line)}", Route, remedy="report this")


async def find_route(
    target: str, *, source_port: int = SOURCE_PORT, limit_s: float = LIMIT_S, run: RunChild = run_child
) -> Route:
    """The route to a numeric address, by UDP probes with constant flow fields.

    SystemRefusedError, with the remedy, when raw sockets are refused, when there is no way to the target, or
    when the child does not end in time. Cancelling ends the child.
    """
    try:
        ended = await run(our_module(CHILD, target, str(source_port)), most_s=limit_s)
    except TimeoutError:
        raise SystemRefusedError(
            f"route discovery to {target} did not end within {limit_s:g} s; try again on an idle machine"
        ) from None
    if ended.code == REFUSED:
        raise SystemRefusedError(
            f"route discovery to {target} needs a raw socket on this system: run the agent as its "
            "administrator, or write the provider edge's address in the home file under targets"
        )
    if ended.code == UNROUTED:
        raise SystemRefusedError(
            f"no way to {target} from this machine: {ended.last_error()}; check its network"
        )
    if ended.code != 0:
        raise SystemRefusedError(
            f"route discovery to {target} failed: {ended.last_error()}; is scapy installed?"
        )
    return read_route(ended.out.decode(errors="replace"))
