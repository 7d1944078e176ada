"""The fleet's server in a home file: the rules between its fields, and the noun."""

from collections.abc import Iterator
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from whichhop.config.schema import HomeFile
from whichhop.config.tree import Trouble
from whichhop.model.fleet import Fleet


def fleet_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong between the fields of `fleet`."""
    part = file.fleet
    if part is None:
        return
    parts = urlsplit(part.write)
    if parts.username is not None or parts.password is not None:
        yield (
            ("fleet", "write"),
            "holds a user name or password",
            "put a token in a file of mode 0600, and name it as token_file",
        )
    if parts.scheme != "https" and not _on_this_machine(parts.hostname):
        yield (
            ("fleet", "write"),
            "what the home measures would travel unencrypted",
            "use an https:// address; http:// is for a server on the agent's own machine",
        )
    if part.ca_file is not None and parts.scheme != "https":
        yield ("fleet", "ca_file"), "there is no certificate without TLS", "use an https:// address"


def _on_this_machine(host: str | None) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host or "").is_loopback
    except ValueError:
        return False


def build_fleet(file: HomeFile, home_file: Path) -> Fleet | None:
    """What a home file says of a fleet; None where it says nothing."""
    part = file.fleet
    if part is None:
        return None

    def near(name: str | None) -> str | None:
        return None if name is None else str(home_file.parent / name)

    return Fleet(
        url=part.write,
        token_file=near(part.token_file),
        ca_file=near(part.ca_file),
        queue_octets=round(part.queue_mb * 1_000_000),
        region=part.region or "",
        version=part.version,
    )
