"""Targets that a home file has by host name, with the addresses that the system's resolver gives now."""

from collections.abc import Callable

from whichhop.daemon.beside.name_watch import chosen
from whichhop.model import Home
from whichhop.net.surroundings import addresses_of_name


def with_names_looked_up(home: Home, look_up: Callable[[str], list[str]] = addresses_of_name) -> Home:
    """The home with an address for every peer; RemoteError names the one that the resolver does not know."""
    found = {name: chosen(name, look_up(name), home) for name in home.host_names}
    return home.with_addresses(found)
