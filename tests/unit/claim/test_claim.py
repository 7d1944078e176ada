"""What may be claimed of recorded faults, and what is refused on thin evidence."""

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace

from support.homes import alder
from support.record_windows import count_in
from support.reported import judged_story
from support.windows import disturb, quiet
from whichhop.claim.claim import after_dark, chosen, claim_of, columns_for, happened, stands_apart
from whichhop.claim.span import JudgedSpan, judged_span
from whichhop.compare.comparison import compare_windows
from whichhop.model import Cause, Owner
from whichhop.model.dossier import Figure

pytestmark = pytest.mark.slow


def test_a_recorded_fault_of_the_line_is_held_against_the_provider() -> None:
    claim, about, ticks, crossing = claim_of(judged_story("upstream-link")[0])
    assert claim is not None
    assert claim.made
    assert claim.elements == ("modem/provider-edge",)
    assert claim.owner is Owner.PROVIDER
    assert ticks.any()
    assert len(about) == 1
    assert {"the link router to modem", "the home's own traffic"} <= {c.what for c in claim.cleared}
    assert len(crossing) == 8  # four agents to the edge and to the peer


@pytest.mark.parametrize("story", ["backhaul", "wireless-hop"])
def test_a_recorded_fault_of_the_home_is_never_held_against_the_provider(story: str) -> None:
    claim, _, _, _ = claim_of(judged_story(story)[0])
    assert claim is not None
    assert not claim.made
    assert claim.owner is Owner.HOME


def test_a_healthy_recording_gives_no_claim() -> None:
    span, _ = judged_story("none")
    claim, about, ticks, crossing = claim_of(span)
    assert claim is None
    assert (about, crossing) == ((), ())
    assert not ticks.any()
    assert happened(span, about, crossing) == ()


def test_without_byte_counters_nothing_is_claimed_and_they_are_asked_for() -> None:
    claim, _, _, _ = claim_of(judged_story("upstream-link", counters=False)[0])
    assert claim is not None
    assert not claim.made
    assert any("own traffic" in text for text in (*claim.missing, *claim.would_change))


@pytest.mark.parametrize(("ticks", "made"), [(20, True), (4, False)])
def test_a_dead_line_is_claimed_without_byte_counters_as_compare_says_it_is_proven(
    ticks: int, made: bool
) -> None:
    """Seen: `compare` called an outage of 90 s the provider's, `evidence` asked for byte counters first."""
    home = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
    table = disturb(quiet(home, 60), home, "modem/provider-edge", slice(20, 20 + ticks), lost=10)
    found = compare_windows(home, table, ())
    assert found is not None
    assert [v.proven for v in found.verdicts] == [made]
    claim, _, _, _ = claim_of(judged_span(found, ()))
    assert claim is not None
    assert claim.made is made
    assert ("own traffic is not known" in claim.missing) is not made


def test_an_unproven_verdict_is_never_made_a_claim() -> None:
    span, _ = judged_story("upstream-link")
    doubted = tuple(replace(v, proven=False, missing=("a second target",)) for v in span.verdicts)
    claim, _, _, _ = claim_of(replace(span, verdicts=doubted))
    assert claim is not None
    assert not claim.made
    assert "a second target" in claim.missing


def test_proven_episodes_of_the_provider_come_before_longer_ones_of_the_home() -> None:
    span, _ = judged_story("upstream-link")
    (line,) = span.verdicts
    longer = replace(line, cause=Cause.BACKHAUL, elements=("attic/router",), start_ns=span.table.start_ns)
    assert chosen(replace(span, verdicts=(longer, line))) == (line,)


def test_a_group_that_holds_the_line_is_reported_on_as_not_proven_and_before_the_homes_own() -> None:
    span, _ = judged_story("upstream-link")
    proven = next(v for v in span.verdicts if v.cause is Cause.UPSTREAM_LINK)
    place = "the access line, its modem and coax or the WAN side of router"
    group = replace(
        proven,
        cause=Cause.NOT_SEPARABLE,
        elements=(*proven.elements, "route:router"),
        proven=False,
        missing=("a vantage point that tells it from the way through the box router",),
        place=place,
    )
    longer = replace(proven, cause=Cause.WIRELESS_HOP, elements=("desk/attic",), start_ns=span.table.start_ns)
    claim, about, _, _ = claim_of(replace(span, verdicts=(longer, group)))
    assert about == (group,)
    assert claim is not None
    assert not claim.made
    assert claim.where == place
    assert group.missing[0] in claim.missing
    assert claim.sentence.startswith("The access line, its modem and coax or the WAN side of router (")
    own = replace(group, elements=("own-traffic", *group.elements))
    assert chosen(replace(span, verdicts=(longer, own))) == (longer,)


@pytest.mark.parametrize(
    ("elements", "owner"),
    [
        (("desk/attic", "node:attic"), Owner.HOME),
        (("desk/attic", "own-traffic"), Owner.NOBODY),
        (("modem/provider-edge", "router/modem"), Owner.NOBODY),
        (("destination:harbour", "beyond"), Owner.NOBODY),
    ],
)
def test_what_cannot_be_told_apart_is_the_homes_where_all_of_it_is(
    elements: tuple[str, ...], owner: Owner
) -> None:
    span, _ = judged_story("upstream-link")
    group = replace(
        span.verdicts[0], cause=Cause.NOT_SEPARABLE, elements=elements, proven=False, missing=(), place=""
    )
    claim, *_ = claim_of(replace(span, verdicts=(group,)))
    assert claim is not None
    assert claim.owner is owner


def figure(name: str, low: float | None, high: float | None) -> Figure:
    return Figure(name=name, words="", unit="ratio", value=low, low=low, high=high, count=1)


NONE = figure("none", None, None)
BIG = figure("line-added", 0.02, 0.05)
QUIET = {
    "line-loss": figure("line-loss", 0.0, 0.01),
    "beside-loss": figure("beside-loss", 0.0, 0.01),
    "quiet-loss": figure("quiet-loss", 0.0, 0.01),
    "line-added": figure("line-added", 0.0, 0.001),
    "beside-added": figure("beside-added", 0.0, 0.001),
}


@pytest.mark.parametrize(
    ("changes", "apart"),
    [
        ({}, False),
        ({"line-loss": figure("line-loss", 0.02, 0.05)}, True),
        ({"line-loss": figure("line-loss", 0.02, 0.05), "beside-loss": figure("b", 0.0, 0.03)}, False),
        ({"line-loss": figure("line-loss", 0.02, 0.05), "beside-loss": figure("b", None, None)}, False),
        ({"line-added": figure("line-added", 0.02, 0.05)}, True),
        ({"line-added": figure("line-added", None, None)}, False),
        ({"line-added": figure("line-added", 0.02, 0.05), "beside-added": figure("b", None, None)}, False),
        ({"line-added": figure("line-added", 0.0005, 0.0008), "beside-added": figure("b", 0.0, 0.0)}, False),
        # Of what is ongoing since before measuring began there is no quiet time.
        ({"line-loss": figure("line-loss", 0.02, 0.05), "quiet-loss": NONE}, True),
        ({"line-loss": figure("line-loss", 0.005, 0.05), "quiet-loss": NONE}, False),
        ({"line-added": figure("line-added", 0.02, 0.05), "beside-added": NONE, "quiet-loss": NONE}, True),
        ({**dict.fromkeys(("beside-loss", "beside-added", "quiet-loss"), NONE), "line-added": BIG}, False),
    ],
)
def test_figures_stand_apart_only_when_the_intervals_do(changes: dict[str, Figure], apart: bool) -> None:
    assert stands_apart({**QUIET, **changes}) is apart


def test_nothing_is_claimed_of_a_line_whose_loss_the_home_shares() -> None:
    span, _ = judged_story("upstream-link")
    same = replace(span.table, lost=span.table.sent // 4, q50_s=span.table.q50_s * 0 + 0.01)
    claim, _, _, _ = claim_of(replace(span, table=same))
    assert claim is not None
    assert not claim.made
    assert any("stand clear" in m for m in claim.missing)


def with_radio_loss(*, home_alone: bool) -> tuple[JudgedSpan, JudgedSpan]:
    """The recorded fault of the line with a second one: a quarter of all over the desk's radio lost besides.

    home_alone: whether other agents than the desk look over the line. Returns the span before and after.
    """
    span, _ = judged_story("upstream-link")
    radio = [i for i, s in enumerate(span.sessions) if any(k.name == "desk/attic" for k in s.path.links)]
    if home_alone:
        others = [i for i in columns_for(span, span.verdicts[0])[0] if i not in radio]
        mute = span.speaks.copy()
        mute[:, others] = False
        span = replace(span, speaks=mute, worked_out={})
    (line,) = span.verdicts
    lost = span.table.lost.copy()
    during = span.ticks_of([line])
    more = (span.table.sent - lost) // 4
    lost[np.ix_(during, radio)] += more[np.ix_(during, radio)]
    fault = replace(line, cause=Cause.WIRELESS_HOP, elements=("desk/attic",), proven=False)
    both = replace(span, table=replace(span.table, lost=lost), verdicts=(line, fault), worked_out={})
    return span, both


def test_loss_of_a_radio_at_the_same_moments_is_not_put_on_the_line() -> None:
    """Counted here again over the agents whose packets do not cross the radio."""
    before, both = with_radio_loss(home_alone=False)
    claim, _, ticks, crossing = claim_of(both)
    assert claim is not None
    assert claim.made
    wired = [i for i in crossing if all(k.name != "desk/attic" for k in both.sessions[i].path.links)]
    assert 0 < len(wired) < len(crossing)
    heard = before.speaks[ticks][:, wired]
    sent = before.table.sent[ticks][:, wired][heard].sum()
    lost = before.table.lost[ticks][:, wired][heard].sum()
    (loss,) = [f for f in claim.figures if f.name == "line-loss"]
    assert (loss.value, loss.count) == (pytest.approx(lost / sent), sent)
    assert "included" not in loss.words
    (told,) = [h for h in happened(both, both.verdicts[:1], crossing) if h.claimed]
    assert told.loss_ratio == loss.value


def test_where_only_the_radios_agent_looks_over_the_line_its_figures_say_so() -> None:
    _, both = with_radio_loss(home_alone=True)
    claim, *_ = claim_of(both)
    assert claim is not None
    (loss,) = [f for f in claim.figures if f.name == "line-loss"]
    assert loss.value
    assert loss.words.endswith("(that over the link desk to attic included)")


@pytest.mark.parametrize(
    ("dark", "after"),
    [((), False), (range(10, 15), False), (range(10, 17), True), (range(14, 20), True), (range(20), True)],
)
def test_an_episode_after_a_time_without_any_agent_is_known(dark: Sequence[int], after: bool) -> None:
    span, _ = judged_story("upstream-link")
    table = quiet(alder(), 60)
    table.sent[list(dark)] = 0
    begins = replace(span.verdicts[0], start_ns=table.at_ns(20), end_ns=table.at_ns(30))
    assert after_dark(replace(span, table=table), begins) is after
    late = replace(begins, start_ns=table.at_ns(55), end_ns=None)
    assert not after_dark(replace(span, table=table), late)


def test_what_follows_a_power_cut_is_not_held_against_the_provider(monkeypatch: pytest.MonkeyPatch) -> None:
    # Seen: a home whose power was cut for five minutes; the modem trained anew when it came back.
    monkeypatch.setattr("whichhop.claim.claim.after_dark", lambda *_: True)
    claim, *_ = claim_of(judged_story("upstream-link")[0])
    assert claim is not None
    assert not claim.made
    assert any("power cut" in m for m in claim.missing)


def test_an_empty_span_gives_an_empty_table() -> None:
    table, tallies = count_in((), (), start_ns=0, end_ns=60 * 10**9)
    assert (table.ticks, tallies) == (6, ())


def test_a_target_that_never_answers_is_no_part_of_a_claims_loss() -> None:
    """A peer that drops probes lost 3 of 9 sessions whole: 4.5 % of a line were told as 36 %."""
    span, _ = judged_story("upstream-link")
    claim, about, _, crossing = claim_of(span)
    assert claim is not None
    mute = [i for i in crossing if span.sessions[i].key.target == "harbour"]
    assert 0 < len(mute) < len(crossing)
    table = replace(
        span.table, lost=span.table.lost.copy(), q50_s=span.table.q50_s.copy(), q80_s=span.table.q80_s.copy()
    )
    table.lost[:, mute] = table.sent[:, mute]
    table.q50_s[:, mute] = table.q80_s[:, mute] = np.nan
    deaf = replace(span, table=table, worked_out={})
    again, told, _, crossed = claim_of(deaf)
    assert again is not None
    assert (told, crossed) == (about, crossing)
    answered = [i for i in crossing if i not in mute]
    ticks = span.ticks_of(about)
    heard = span.speaks[ticks][:, answered]
    sent = int(np.where(heard, span.table.sent[ticks][:, answered], 0).sum())
    lost = int(np.where(heard, span.table.lost[ticks][:, answered], 0).sum())
    for name in ("line-loss", "quiet-loss"):
        figure = next(f for f in again.figures if f.name == name)
        assert figure.value is not None
        assert figure.value < 0.5
        if name == "line-loss":
            assert (figure.count, figure.value) == (sent, lost / sent)
    assert happened(deaf, told, crossed)[0].loss_ratio == lost / sent
    # Where nobody was answered from the first packet to the last, all of it is the fault's.
    table.lost[:, list(crossing)] = table.sent[:, list(crossing)]
    dead, _, _, _ = claim_of(replace(deaf, worked_out={}))
    assert dead is not None
    assert next(f for f in dead.figures if f.name == "line-loss").value == 1.0
