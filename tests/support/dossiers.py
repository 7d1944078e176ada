"""The dossier of a recorded fault of the line, made once."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from support.reported import recorded, span_of
from whichhop.app.reported.dossier import Order, assemble
from whichhop.config.check import House
from whichhop.lab.standard_home import alder_home
from whichhop.model.dossier import Dossier
from whichhop.store.store import Store


@cache
def dossier(story: str = "upstream-link") -> Dossier:
    records, readings = recorded(story)
    start, end = span_of(records)
    order = Order(
        house=House(home=alder_home(), run=None, boxes=()),
        start_ns=start,
        end_ns=end,
        made_ns=end,
        zone="Europe/Lisbon",
        redact=False,
        with_chains=True,
        public_key=None,
    )
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "s.db", origin=lambda: bytes(16)) as store:
        store.append_all(records, readings)
        found = assemble(store, order)
    assert found is not None
    return found
