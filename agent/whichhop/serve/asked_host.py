"""Which names a browser may ask us by, so that a stranger's page cannot ask in our visitor's name. Pure.

A page from outside that lets its own name point at our address (DNS rebinding) makes the visitor's browser
ask us under that name, and may then read the answer. No such name is an address, a name without a dot, or one
of the endings that nobody can register.
"""

import re
from ipaddress import ip_address

from whichhop.serve.answer import RefusedError

LOCAL_ENDINGS = (".local", ".lan", ".home", ".internal", ".home.arpa", ".localhost", ".test")
"""RFC 6762 3, RFC 8375 3, RFC 6761 6, ICANN for .internal (from memory); .lan, .home as routers use them."""

_HOST = re.compile(r"(?:\[(?P<v6>[0-9a-f:.]+)(?:%[0-9a-z_.%-]+)?\]|(?P<name>[0-9a-z_.-]+))(?::[0-9]{1,5})?")
"""An address in brackets, its zone behind %, or a name as RFC 1123 2.1 has them: nothing that ends a host."""


def is_local_name(host: str) -> bool:
    """True for a Host header (RFC 9110 7.2) that only a visitor of the home can have meant."""
    found = _HOST.fullmatch(host.strip().lower())
    if found is None:
        return False
    try:
        ip_address(found["v6"] or found["name"])
    except ValueError:
        name = (found["name"] or "").removesuffix(".")
        return bool(name) and ("." not in name or name.endswith(LOCAL_ENDINGS))
    return True


def check_host(host: str) -> None:
    """Refuse a request under a name that a stranger can own (421, RFC 9110 15.5.20)."""
    if host and not is_local_name(host):
        raise RefusedError(421, "this agent answers to its address and to names of the home; ask by address")
