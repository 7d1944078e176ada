"""Which way packets were lost, across a link that sessions cross in both directions."""

import pytest
from msgspec.structs import replace

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.history import judge
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.words import explain, loss_way_words, severity_words, tail_shaped
from whichhop.model import Severity, Verdict, derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
FAULT = slice(20, 40)


def verdict_with_losses(element: str, *, upstream: int, downstream: int) -> Verdict:
    """An element loses so many of each session's ten packets a tick, by the direction of its near end."""
    table = disturb(quiet(HOME, 60), HOME, element, FAULT, lost=upstream + downstream)
    link = HOME.link(element)
    column = next(e for e in elements_of(HOME, SESSIONS) if e.name == element).column
    for i in column:
        nodes = list(SESSIONS[i].path.nodes)
        with_it = nodes.index(link.near) < nodes.index(link.far)
        table.lost_out[FAULT, i] = upstream if with_it else downstream
        table.lost_back[FAULT, i] = downstream if with_it else upstream
    (verdict,) = judge(HOME, SESSIONS, table)
    return verdict


@pytest.mark.parametrize(("upstream", "downstream"), [(3, 0), (0, 3), (2, 1)])
def test_a_finding_says_which_way_packets_were_lost(upstream: int, downstream: int) -> None:
    verdict = verdict_with_losses("attic/router", upstream=upstream, downstream=downstream)
    figures = verdict.severity
    assert figures is not None
    assert figures.way == ("attic", "router")
    total = figures.lost_there + figures.lost_back
    assert total == figures.lost
    assert figures.lost_there / total == pytest.approx(upstream / (upstream + downstream))
    words = " ".join(explain(verdict))
    assert {(3, 0): "all from attic to router", (0, 3): "all from router to attic"}.get(
        (upstream, downstream), "on the way back"
    ) in words


def test_two_lost_packets_tell_no_direction() -> None:
    assert loss_way_words(Severity(sent=100, lost=2, lost_there=2)) == ""
    some = Severity(sent=100, lost=9, loss_ratio=0.09, lost_there=6, lost_back=1)
    assert loss_way_words(some).endswith(
        "of 7 whose direction is known 6 on the way there, 1 on the way back"
    )


def test_a_tail_has_words_of_its_own() -> None:
    tail = Severity(sent=600, lost=0, added_p50_s=0.0012, added_p95_s=0.041)
    assert tail_shaped(tail)
    assert "median hardly moved (1.2 ms)" in severity_words(tail)
    assert "added to the usual round trip" not in severity_words(tail)
    whole = replace(tail, added_p50_s=0.030)
    assert not tail_shaped(whole)
    assert "30 ms added to the usual round trip" in severity_words(whole)
    assert not tail_shaped(replace(tail, added_p95_s=0.002))
    # A fifth of a radio's sleep is no small thing by itself.
    slow = replace(tail, added_p50_s=0.041, added_p95_s=0.238)
    assert severity_words(slow).startswith("41 ms added to the usual round trip (238 ms")
