"""What was found past the home, kept beside the store: a restart goes on though the resolver is gone."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated

from msgspec import Meta, Struct

from whichhop.errors import WhichhopError
from whichhop.outside import typed

MOST_OCTETS = 100_000
_Text = Annotated[str, Meta(max_length=255)]


class _Kept(Struct):
    names: dict[_Text, _Text] = {}
    edges: dict[_Text, _Text] = {}


@dataclass(slots=True)
class FoundAddresses:
    """names: address by host name. edges: the provider's first hop by the target on whose way it is."""

    names: dict[str, str] = field(default_factory=dict)
    edges: dict[str, str] = field(default_factory=dict)


def _addresses(found: Mapping[str, str]) -> dict[str, str]:
    for address in found.values():
        ip_address(address)
    return dict(found)


def found_of(octets: bytes, place: str) -> FoundAddresses:
    """What such a file holds; DataError where it is none."""
    kept = typed(octets, place, _Kept, most=MOST_OCTETS, remedy="remove it; it is made again")
    try:
        return FoundAddresses(_addresses(kept.names), _addresses(kept.edges))
    except ValueError:
        raise WhichhopError(
            f"{place}: holds something that is no address; remove it, it is made again"
        ) from None


def read_found(path: Path) -> FoundAddresses:
    """What was kept; nothing where there is no such file, or one that cannot be used."""
    try:
        with path.open("rb") as file:
            return found_of(file.read(MOST_OCTETS + 1), str(path))
    except (OSError, WhichhopError):
        return FoundAddresses()  # it only saves time: all of it is found again


def keep_found(path: Path, found: FoundAddresses) -> None:
    """Write it anew, whole or not at all; WhichhopError when the folder takes no file."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(json.dumps({"names": found.names, "edges": found.edges}) + "\n")
        beside.replace(path)
    except OSError as why:
        raise WhichhopError(
            f"{path}: cannot be written ({why.strerror}); check the folder and the disk"
        ) from why
