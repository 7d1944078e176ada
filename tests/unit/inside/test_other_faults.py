"""Why a hop is slow is asked of its own packets: what another fault did to them on their way is left out."""

from array import array
from collections.abc import Iterable, Sequence

import numpy as np
from msgspec.structs import replace

from support.windows import quiet
from whichhop.inside.gather import InnerFacts, seen_of
from whichhop.inside.seen import place_of
from whichhop.inside.shape import Shape
from whichhop.lab.standard_home import alder_home
from whichhop.model import (
    ABSENT,
    Cause,
    Columns,
    Fate,
    LinkKind,
    Method,
    Record,
    SessionKey,
    Severity,
    Verdict,
    derive_sessions,
)

HOME = alder_home()
SESSIONS = [s for s in derive_sessions(HOME) if s.key.agent == "desk" and s.key.method is not Method.LOOKUP]
RADIO = next(k.name for k in SESSIONS[0].path.links if k.kind is LinkKind.WIRELESS)
LINE = next(k.name for k in HOME.links if k.kind is LinkKind.ACCESS)
SECONDS = 1200
TABLE = quiet(HOME, SECONDS // 10)
START_NS = TABLE.start_ns
BUSY_MS = 30.0


def records(line: bool, radio: bool = True) -> list[Record]:
    """Each packet waits BUSY_MS on the radio; a third is lost on the line in the middle ten minutes."""
    out = []
    rng = np.random.default_rng(4)
    place = {key: i for i, key in enumerate(TABLE.sessions)}
    for session in SESSIONS:
        sent = np.arange(0, SECONDS, 0.5) + rng.uniform(0, 0.4, SECONDS * 2)
        usual = float(np.median(TABLE.q50_s[:, place[session.key]]))
        trip = usual + rng.exponential(0.001, sent.size) + radio * BUSY_MS / 1e3
        over = any(k.name == LINE for k in session.path.links)
        lost = (rng.uniform(size=sent.size) < 0.33) & over & line & (sent >= 300) & (sent < 900)
        out.append(
            Record(
                session=session.key, minute=0, stamps="T1 T4",
                samples=Columns(
                    sent_ns=array("q", (START_NS + np.rint(sent * 1e9).astype(np.int64)).tobytes()),
                    fate=array("B", np.where(lost, Fate.LOST, Fate.ANSWERED).astype(np.uint8).tobytes()),
                    rtt_ns=array("q", np.where(lost, ABSENT, np.rint(trip * 1e9)).astype(np.int64).tobytes()),
                    out_ns=array("q", [ABSENT] * sent.size), queue_ns=array("q", [ABSENT] * sent.size),
                ),
            )
        )  # fmt: skip
    return out


def verdict(cause: Cause, element: str, start_s: int, end_s: int) -> Verdict:
    return Verdict(
        cause=cause, elements=(element,), probability=0.99, start_ns=START_NS + start_s * 10**9,
        end_ns=START_NS + end_s * 10**9, severity=Severity(sent=100, lost=0),
    )  # fmt: skip


ON_RADIO = verdict(Cause.WIRELESS_HOP, RADIO, 0, SECONDS)
ON_LINE = verdict(Cause.UPSTREAM_LINK, LINE, 300, 900)


def shape(line: bool, others: Sequence[Verdict], asked: Verdict = ON_RADIO) -> Shape:
    every = records(line)

    def of(keys: Sequence[SessionKey], _start_ns: int, _end_ns: int) -> Iterable[Record]:
        return [r for r in every if r.session in set(keys)]

    known = InnerFacts(home=HOME, sessions=SESSIONS, table=TABLE, readings=[], records=of)
    place = place_of(HOME, asked)
    assert place is not None
    found = seen_of([asked], [asked, *others], place, known, [])[0].shape
    assert found is not None
    return found


def test_packets_lost_on_the_line_say_nothing_about_the_radio() -> None:
    alone = shape(False, [])
    pooled, apart = shape(True, []), shape(True, [ON_LINE])
    assert alone.lost == 0.0
    assert pooled.lost > 0.05
    assert apart.lost == 0.0
    assert (apart.late, round(apart.added_p50_s, 3)) == (alone.late, round(alone.added_p50_s, 3))


def test_outside_the_other_fault_its_sessions_tell_as_before() -> None:
    short = replace(ON_LINE, start_ns=ON_LINE.end_ns or 0, end_ns=(ON_LINE.end_ns or 0) + 10**9)
    assert shape(False, [short]).packets > 0.99 * shape(False, []).packets


def test_where_every_packet_met_the_other_fault_for_most_of_the_time_all_of_them_tell() -> None:
    # One agent's sessions over the line all cross its radio: better mixed than the good minutes alone.
    whole = verdict(Cause.UPSTREAM_LINK, LINE, 240, 960)
    on_radio = replace(ON_RADIO, start_ns=ON_LINE.start_ns, end_ns=ON_LINE.end_ns)
    found = shape(True, [on_radio], whole)
    assert found.packets > 1000
    assert found.lost > 0.1
