"""Why the hop is slow stands in a report's data, follows from the records, and is shown by every paper."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from msgspec.structs import replace

from support.dossiers import order_of
from support.reported import recorded, span_of
from whichhop.app.reported.dossier import assemble
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause
from whichhop.model.dossier import Dossier
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.model.inner_cause import InnerCause
from whichhop.report.checks import checks
from whichhop.report.contents import Paper
from whichhop.report.html import page
from whichhop.report.wire_form import dossier_bytes, read_dossier
from whichhop.store.store import Store

pytestmark = pytest.mark.slow


@cache
def busy_evening(redact: bool = False) -> Dossier:
    """The recorded Wi-Fi fault; its agent also read a channel that others held 85 % of the time."""
    records, readings = recorded("wireless-hop")
    start, end = span_of(records)
    home = alder_home()
    facts = [
        HopFacts(agent="desk", other="attic", link="desk/attic", at_ns=at, radio_busy_share=0.85,
                 radio_signal_dbm=-55.0)
        for at in range(start, end, 10 * 10**9)
    ]  # fmt: skip
    order = order_of(home, start, end, redact=redact)
    with TemporaryDirectory() as folder, Store.open(Path(folder) / "s.db") as store:
        store.append_all(records, [*readings, *(r for f in facts for r in readings_of(f))])
        found = assemble(store, order)
    assert found is not None
    return found


def test_the_named_cause_is_in_the_data_and_comes_back_from_it() -> None:
    made = busy_evening()
    assert made.claim is not None
    assert made.claim.cause is Cause.WIRELESS_HOP
    assert made.claim.inside is not None
    named = made.claim.inside.named
    assert named is not None
    assert named.cause is InnerCause.BUSY_CHANNEL
    assert any(h.why is not None and h.why.cause is InnerCause.BUSY_CHANNEL for h in made.episodes)
    assert "another channel" in made.claim.steps[0]
    assert read_dossier(dossier_bytes(made), "here") == made


def test_every_paper_that_speaks_of_the_hop_says_why_and_the_summary_what_to_do() -> None:
    made = busy_evening()
    for paper in (Paper.REPORT, Paper.SUMMARY):
        assert "busy channel" in page(made, paper), paper
    assert "another channel" in page(made, Paper.SUMMARY)
    assert "85 %" in page(made, Paper.REPORT).replace("\u00a0", " ")


def test_a_cause_changed_or_left_out_by_the_maker_is_found() -> None:
    made = busy_evening()
    assert made.claim is not None
    assert [c.name for c in checks(made, made) if not c.holds] == []
    other = replace(made, claim=replace(made.claim, inside=None))
    assert [c.name for c in checks(other, made) if not c.holds] == ["claim inside"]
    other = replace(made, claim=replace(made.claim, steps=made.claim.steps[1:]))
    assert [c.name for c in checks(other, made) if not c.holds] == ["claim steps"]


def test_a_report_of_a_version_that_did_not_look_into_the_hop_still_holds() -> None:
    made = busy_evening()
    assert made.claim is not None
    old = replace(
        made,
        software="0.0.1",
        claim=replace(made.claim, inside=None, steps=()),
        episodes=tuple(replace(h, why=None) for h in made.episodes),
    )
    assert [c.name for c in checks(old, made) if not c.holds] == []


def test_stand_ins_hold_for_the_cause_too() -> None:
    text = dossier_bytes(busy_evening(redact=True)).decode()
    assert "busy-channel" in text
    assert "desk" not in text
    assert "attic" not in text
