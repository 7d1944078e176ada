"""A radio that leaves its channel in a rhythm is told at its hop; chance, the line or one train is not.

Scans 8 to 15 s apart that keep packets 150 to 400 ms: published measurements of home radios (summaries).
"""

from array import array
from collections.abc import Callable, Iterable, Sequence

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.windows.filling import Cutter
from whichhop.inside.felt import felt_of
from whichhop.inside.rhythm import pauses_of
from whichhop.lab.standard_home import alder_home
from whichhop.model import (
    ABSENT,
    Cause,
    Columns,
    Fate,
    Method,
    Record,
    Session,
    SessionKey,
    Verdict,
    derive_sessions,
)
from whichhop.model.inner_cause import Felt, FeltCause, InnerAnswer, InnerCause, Reason

Floats = NDArray[np.float64]
Wait = Callable[[Session, Floats], Floats]
HOME = alder_home()
SESSIONS = [
    s for s in derive_sessions(HOME) if s.key.method is Method.STAMP and s.key.agent in ("desk", "attic")
]
SECONDS = 3600
MINUTE_NS = 60 * 10**9


def told(waits: Wait, seed: int = 1, verdicts: Sequence[Verdict] = ()) -> list[Felt]:
    """What is felt in an hour in which each session's packets wait so long, by when they are sent."""
    rng = np.random.default_rng(seed)
    records = []
    for session in SESSIONS:
        sent = np.arange(SECONDS) + rng.uniform(0, 0.9) + rng.uniform(0, 0.1, SECONDS)
        trip = 0.003 + rng.exponential(0.001, SECONDS) + waits(session, sent)
        ns, rtt = (np.rint(x * 1e9).astype(np.int64) for x in (sent, trip))
        for minute in range(SECONDS // 60):
            here = ns // MINUTE_NS == minute
            many = int(here.sum())
            absent = array("q", [ABSENT] * many)
            records.append(
                Record(
                    session=session.key, minute=minute, stamps="T1 T2 T3 T4",
                    samples=Columns(
                        sent_ns=array("q", ns[here].tobytes()), fate=array("B", [Fate.ANSWERED] * many),
                        rtt_ns=array("q", rtt[here].tobytes()), out_ns=absent, queue_ns=absent,
                    ),
                )
            )  # fmt: skip

    def of(keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Iterable[Record]:
        wanted = set(keys)
        return [r for r in records if r.session in wanted and start_ns <= r.minute * MINUTE_NS < end_ns]

    cutter = Cutter([s.key for s in SESSIONS], start_ns=0, end_ns=SECONDS * 10**9)
    cutter.add(records)
    return [f for f in felt_of(HOME, [], cutter.table, of, verdicts) if f.cause is FeltCause.SCANS]


def over(link: str, away: Iterable[tuple[float, float]]) -> Wait:
    """Packets over a link wait to the end of each absence that they meet: begin and length, seconds."""
    spans = np.array(list(away)).reshape(-1, 2)

    def waits(session: Session, sent: Floats) -> Floats:
        out = np.zeros(sent.size)
        if any(k.name == link for k in session.path.links):
            for start, lasts in spans:
                inside = (sent >= start) & (sent < start + lasts)
                out[inside] = start + lasts - sent[inside]
        return out

    return waits


def at_a_period(every_s: float, lasts_s: float, start_s: float, end_s: float) -> list[tuple[float, float]]:
    """Away 100 ms for each channel and back for 50 ms between, at a fixed period."""
    return [
        (at + i * 0.15, 0.1)
        for at in np.arange(start_s, end_s, every_s)
        for i in range(round(lasts_s / 0.15))
    ]


def train(start_s: float, end_s: float, seed: int = 5) -> list[tuple[float, float]]:
    """Absences of 150 to 400 ms for a second or two, each 8 to 15 s after the last."""
    rng = np.random.default_rng(seed)
    out, at = [], start_s
    while at < end_s:
        out += [(at + part, float(rng.uniform(0.15, 0.4))) for part in (0.0, 0.45, 0.9)]
        at += float(rng.uniform(8, 15))
    return out


@pytest.mark.parametrize(
    "away",
    [
        at_a_period(30, 4, 0, SECONDS),
        at_a_period(30, 4, SECONDS - 420, SECONDS),
        at_a_period(120, 3, 600, SECONDS),
        train(0, SECONDS),
        train(SECONDS - 900, SECONDS),
    ],
)
def test_a_radio_that_looks_around_in_a_rhythm_is_told_at_its_hop(away: list[tuple[float, float]]) -> None:
    (found,) = told(over("desk/attic", away))
    assert found.where == "Wi-Fi between desk and attic"
    assert "background scanning on desk" in found.steps[0]
    assert "and none beside it did" in found.evidence[1]


@pytest.mark.parametrize("start_s", [300.0, 1800.0, SECONDS - 100.0])
def test_one_train_of_a_minute_and_a_half_is_no_fault(start_s: float) -> None:
    assert told(over("desk/attic", train(start_s, start_s + 90))) == []


def test_what_ended_a_quarter_of_an_hour_ago_is_over() -> None:
    assert told(over("desk/attic", train(0, SECONDS - 900))) == []


def test_a_backhaul_that_looks_around_is_told_and_what_hangs_on_it_is_not() -> None:
    (found,) = told(over("attic/router", at_a_period(60, 3, 0, SECONDS)))
    assert found.where == "Wi-Fi between attic and router"


def test_a_line_that_stutters_in_a_rhythm_is_no_radios() -> None:
    line = next(k.name for k in HOME.links if k.far == "provider-edge")
    assert told(over(line, at_a_period(30, 4, 0, SECONDS))) == []


@pytest.mark.parametrize("seed", range(3))
def test_late_packets_at_random_alone_or_in_clumps_have_no_rhythm(seed: int) -> None:
    rng = np.random.default_rng(seed)
    clumps = [(at, float(rng.exponential(1.5))) for at in np.sort(rng.uniform(0, SECONDS, 150))]

    def waits(session: Session, sent: Floats) -> Floats:
        radio = any(k.name == "desk/attic" for k in session.path.links)
        return over("desk/attic", clumps)(session, sent) + radio * (rng.random(sent.size) < 0.02) * 0.1

    assert told(waits, seed) == []


def test_pauses_by_chance_are_no_rhythm() -> None:
    rng = np.random.default_rng(7)
    for _ in range(60):
        moments = np.sort(rng.uniform(0, SECONDS, int(rng.integers(20, 600))))
        assert pauses_of(moments, 8.0) is None


def test_what_a_verdict_names_already_is_not_said_of_its_hop_again() -> None:
    away = at_a_period(30, 4, 0, SECONDS)
    why = InnerAnswer(
        where="Wi-Fi between desk and attic",
        reasons=(Reason(cause=InnerCause.SCANNING, probability=0.95, evidence=()),),
    )
    verdict = Verdict(
        cause=Cause.WIRELESS_HOP,
        elements=("desk/attic",),
        probability=0.97,
        start_ns=0,
        end_ns=None,
        inside=why,
    )
    assert told(over("desk/attic", away), verdicts=(verdict,)) == []
    other = replace(verdict, inside=replace(why, where="Wi-Fi between attic and router"))
    assert told(over("desk/attic", away), verdicts=(other,)) != []


def test_a_rare_scan_is_found_among_stray_late_packets() -> None:
    scan = over("desk/attic", at_a_period(220, 3, 0, SECONDS))
    rng = np.random.default_rng(3)
    (found,) = told(lambda session, sent: scan(session, sent) + (rng.random(sent.size) < 0.006) * 0.05)
    assert "every 3.7 min" in found.evidence[0]
