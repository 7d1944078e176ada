"""Which names a browser may ask us by, so that a stranger's page cannot ask in our visitor's name. Pure.

A page from outside that lets its own name point at our address (DNS rebinding) makes the visitor's browser
ask us under that name, and may then read the answer. No such name is an address, a name without a dot, or one
of the endings that nobody can register.
"""

from ipaddress import ip_address

from whichhop.serve.answer import RefusedError

LOCAL_ENDINGS = (".local", ".lan", ".home", ".internal", ".home.arpa", ".localhost", ".test")
"""RFC 6762 3, RFC 8375 3, RFC 6761 6, ICANN for .internal (from memory); .lan, .home as routers use them."""


def is_local_name(host: str) -> bool:
    """True for a Host header (RFC 9110 7.2) that only a visitor of the home can have meant."""
    name = host.strip().lower()
    if name.startswith("["):
        name, _, port = name[1:].partition("]")
        rest = port
    else:
        name, colon, port = name.partition(":")
        rest = colon + port
    if rest and not (rest[0] == ":" and rest[1:].isdigit()):
        return False
    try:
        ip_address(name.partition("%")[0])
    except ValueError:
        name = name.removesuffix(".")
        return bool(name) and ("." not in name or name.endswith(LOCAL_ENDINGS))
    return True


def check_host(host: str) -> None:
    """Refuse a request under a name that a stranger can own (421, RFC 9110 15.5.20)."""
    if host and not is_local_name(host):
        raise RefusedError(421, "this agent answers to its address and to names of the home; ask by address")
