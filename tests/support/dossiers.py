"""The dossier of a recorded fault of the line, made once."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from support.reported import recorded, span_of
from whichhop.app.reported.dossier import Order, assemble
from whichhop.config.check import House
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home
from whichhop.model.cable_run import Run
from whichhop.model.dossier import Dossier
from whichhop.store.store import Store


def order_of(
    home: Home,
    start_ns: int,
    end_ns: int,
    *,
    run: Run | None = None,
    redact: bool = False,
    with_chains: bool = False,
    kept: bool = False,
) -> Order:
    """A report on a span, made at its end, unsigned."""
    return Order(
        house=House(home=home, run=run, boxes=()),
        start_ns=start_ns,
        end_ns=end_ns,
        made_ns=end_ns,
        zone="Europe/Lisbon",
        redact=redact,
        with_chains=with_chains,
        public_key=None,
        kept=kept,
    )


@cache
def dossier(story: str = "upstream-link") -> Dossier:
    records, readings = recorded(story)
    start, end = span_of(records)
    order = order_of(alder_home(), start, end, with_chains=True)
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "s.db", origin=lambda: bytes(16)) as store:
        store.append_all(records, readings)
        found = assemble(store, order)
    assert found is not None
    return found
