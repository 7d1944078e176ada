"""A report on more than two days says the same with what is kept of its days and without it."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.dossiers import order_of
from support.judged_once import judged_once
from support.long_store import FIRST_HOUR, fill, short_house
from whichhop.app.reported.dossier import Order, assemble
from whichhop.app.stored import by_days
from whichhop.compare.windows.tally import tally_of_days
from whichhop.model.dossier import Dossier
from whichhop.model.units import NS_PER_MINUTE
from whichhop.report.wire_form import dossier_bytes
from whichhop.store.store import Store

HOME = short_house()
HOURS = 52
START_NS = FIRST_HOUR * 60 * NS_PER_MINUTE
END_NS = START_NS + HOURS * 60 * NS_PER_MINUTE
ORDER = order_of(HOME, START_NS, END_NS, kept=True)


@pytest.fixture(scope="module", autouse=True)
def _judged_once() -> Iterator[None]:
    """By this process alone, which then knows what it judged; that two say the same is test_by_days'."""
    with judged_once(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "cpu_count", lambda: 1)
        yield


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "s.db"
    with Store.open(path) as store:
        fill(store, HOME, HOURS, [("attic/router", 1430, 1460), ("desk/attic", 3000, 3050)])
    return path


def made(path: Path, order: Order) -> Dossier:
    with Store.open(path) as store:
        found = assemble(store, order)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def first(path: Path) -> Dossier:
    return made(path, ORDER)


def test_kept_days_give_the_same_report(path: Path, first: Dossier, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(first.episodes) == 2
    assert first.episodes[0].end_ns == START_NS + 1460 * NS_PER_MINUTE
    assert sum(r.samples for r in first.sessions) == HOURS * 60 * 24 * len(first.sessions)
    assert first.charts[0].step_ns * len(first.charts[0].lines[0].middle_s) >= END_NS - START_NS
    assert dossier_bytes(made(path, ORDER)) == dossier_bytes(first)


def test_who_checks_a_report_works_everything_out_again(
    path: Path, first: Dossier, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    real = by_days.KeptDays.get
    monkeypatch.setattr(by_days.KeptDays, "get", lambda kept, *a: asked.append(kept.folder) or real(kept, *a))
    assert dossier_bytes(made(path, replace(ORDER, kept=False))) == dossier_bytes(first)
    assert Path(f"{path}.days") not in asked


def test_stand_ins_change_names_alone(path: Path, first: Dossier) -> None:
    hidden = made(path, replace(ORDER, redact=True))
    assert b"attic" not in dossier_bytes(hidden)
    assert [(e.start_ns, e.end_ns, e.cause, e.proven) for e in hidden.episodes] == [
        (e.start_ns, e.end_ns, e.cause, e.proven) for e in first.episodes
    ]
    assert sorted(r.digest for r in hidden.sessions) == sorted(r.digest for r in first.sessions)


def test_a_span_that_cuts_a_day_counts_the_samples_inside_alone(path: Path, first: Dossier) -> None:
    later = replace(ORDER, start_ns=START_NS + 90 * NS_PER_MINUTE)
    found = made(path, later)
    assert found.start_ns == later.start_ns
    assert sum(r.samples for r in found.sessions) == (HOURS * 60 - 90) * 24 * len(found.sessions)
    assert {r.digest for r in found.sessions}.isdisjoint(r.digest for r in first.sessions)


def test_the_digest_of_days_is_that_of_their_digests_in_order() -> None:
    """Worked out by hand: SHA-256 over the name of the form and each day's 32 octets (hashlib)."""
    import hashlib

    from whichhop.compare.windows.tally import Tally
    from whichhop.model import Method, SessionKey

    def of_day(samples: int, digest: bytes) -> Tally:
        return Tally(
            session=SessionKey(agent="desk", target="router", method=Method.ECHO),
            samples=samples,
            aside=1,
            duplicates=2,
            reordered=3,
            stamps=("T1 T4",),
            clock_error_ns=None,
            digest=digest.hex(),
        )

    one, none, two = of_day(5, b"a" * 32), of_day(0, b"b" * 32), of_day(7, b"c" * 32)
    whole = tally_of_days([one, none, two])
    assert whole.digest == hashlib.sha256(b"whichhop samples 2\0" + b"a" * 32 + b"c" * 32).hexdigest()
    assert (whole.samples, whole.aside, whole.duplicates, whole.reordered) == (12, 3, 6, 9)
