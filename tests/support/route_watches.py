"""A look past the home of our own, whose figures a test takes."""

from pathlib import Path

from support.homes import alder
from whichhop.daemon.beside.route_watch import Keep, RouteWatch
from whichhop.daemon.home_in_use import in_use
from whichhop.model.handover import Handover
from whichhop.net.clock import SystemClock
from whichhop.wire.ntp64 import estimate_error


def route_watch(keep: Keep) -> RouteWatch:
    """Of the agent "desk" in the standard home, by this machine's clock."""
    keys = {"api_token": "t", "stamp_key": "00" * 16, "transfer_key": "11" * 16}
    keys |= dict.fromkeys(("certificate", "secret", "identity", "maker", "own_key", "page_password"), "")
    used = in_use(Handover(home=alder(), **keys), "desk", Path("home.yaml"))
    return RouteWatch(
        now=lambda: used,
        clock=SystemClock(),
        estimate=lambda: estimate_error(None, synced=False),
        keep=keep,
        found=lambda _: None,
        tell=lambda _: None,
    )
