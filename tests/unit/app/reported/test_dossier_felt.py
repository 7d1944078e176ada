"""What is felt though no hop is slow, and what was not measured, reach the report as they reach compare."""

from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.dossiers import order_of
from support.reported import recorded, span_of
from whichhop.app.reported.dossier import assemble
from whichhop.app.stored.collect import Opened
from whichhop.app.stored.store_windows import compared
from whichhop.inside.felt import PASSES, SWALLOWED
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home, Reading, Record
from whichhop.model.dossier import Dossier
from whichhop.report.contents import Paper
from whichhop.report.html import page
from whichhop.store.store import Store

pytestmark = pytest.mark.slow


def made_of(
    path: Path, home: Home, records: Sequence[Record], readings: Sequence[Reading], *, redact: bool = False
) -> tuple[Dossier, tuple[str, ...]]:
    """The dossier, and the lines of what `compare` says is felt."""
    start, end = span_of(tuple(records))
    with Store.open(path / f"{redact}.db", origin=lambda: bytes(16)) as store:
        store.append_all(records, readings)
        made = assemble(store, order_of(home, start, end, redact=redact))
        found = compared(Opened(store=store, path=path), home, start_ns=start, end_ns=end)
    assert made is not None
    assert found is not None
    return made, tuple(f.line for f in found.felt)


@pytest.mark.parametrize("redact", [False, True])
def test_sizes_that_vanish_are_in_the_dossier(tmp_path: Path, redact: bool) -> None:
    records, readings = recorded("none")
    _, end = span_of(records)
    looks = [
        Reading(at_ns=end - 10**9 * i, agent=agent, name=f"{name}:harbour", value=value)
        for i in (1, 4000)
        for agent in ("desk", "tablet")
        for name, value in ((SWALLOWED, 1500.0), (PASSES, 1472.0))
    ]
    made, said = made_of(tmp_path, alder_home(), records, [*readings, *looks], redact=redact)
    assert [f.line for f in made.felt] == list(said)
    assert "1500 octets" in made.felt[0].evidence[0]
    if redact:
        assert "desk" not in page(made, Paper.SUMMARY)


def test_a_home_without_a_target_is_not_called_free_of_faults(tmp_path: Path) -> None:
    home = alder_home()
    records, readings = recorded("none")
    inside = tuple(r for r in records if r.session.target not in (*home.peers, "provider-edge"))
    made, _ = made_of(tmp_path, replace(home, peers=()), inside, readings)
    assert "modem/provider-edge" in made.reach.unmeasured
    said = page(made, Paper.SUMMARY)
    assert "Not measured, so neither good nor bad is known of it" in said
    assert "No fault found</" not in said
