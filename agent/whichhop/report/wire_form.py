"""The dossier as bytes, one and only one way, and back."""

import re

import msgspec

from whichhop.errors import DataError
from whichhop.model.dossier import FORM, Dossier


def dossier_bytes(dossier: Dossier) -> bytes:
    """JSON, its keys in the order of the fields; the same dossier gives the same bytes."""
    return msgspec.json.encode(dossier)


def read_dossier(data: bytes, place: str) -> Dossier:
    """The dossier of those bytes; DataError names the place and what is wrong."""
    try:
        form = msgspec.json.decode(data, type=dict[str, msgspec.Raw]).get("form")
        if form is None or msgspec.json.decode(form) != FORM:
            raise DataError(f"{place}: its data has another form than {FORM}; check it with a newer whichhop")
        found = msgspec.json.decode(data, type=Dossier)
    except msgspec.MsgspecError as trouble:
        raise DataError(f"{place}: its data cannot be read ({trouble}); get the report again") from None
    if found.public_key is not None and not re.fullmatch("[0-9a-f]{64}", found.public_key):
        raise DataError(f"{place}: the key it names is no key; get the report again")
    return found
