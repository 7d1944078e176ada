"""The dossier as bytes, one and only one way, and back."""

import re

import msgspec

from whichhop.errors import DataError
from whichhop.model.dossier import FORM, Dossier
from whichhop.outside import typed

MOST_OCTETS = 64 << 20
"""A report's data is some hundred kilobytes."""
AGAIN = "get the report again"


def dossier_bytes(dossier: Dossier) -> bytes:
    """JSON, its keys in the order of the fields; the same dossier gives the same bytes."""
    return msgspec.json.encode(dossier)


def read_dossier(data: bytes, place: str) -> Dossier:
    """The dossier of those bytes; DataError names the place and what is wrong."""
    form = typed(data, f"{place}: its data", dict[str, msgspec.Raw], most=MOST_OCTETS, remedy=AGAIN).get(
        "form"
    )
    if form is None or bytes(form) != str(FORM).encode():
        raise DataError(f"{place}: its data has another form than {FORM}; check it with a newer whichhop")
    found = typed(data, f"{place}: its data", Dossier, most=MOST_OCTETS, remedy=AGAIN)
    if found.public_key is not None and not re.fullmatch("[0-9a-f]{64}", found.public_key):
        raise DataError(f"{place}: the key it names is no key; {AGAIN}")
    return found
