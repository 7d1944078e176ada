"""One comparison: its span ends with what was measured, and what nobody measured is never called good."""

import random
from collections.abc import Sequence

import pytest
from msgspec.structs import replace

from support.homes import alder
from support.reported import recorded, span_of
from support.windows import disturb, quiet
from whichhop.claim.reach import reach_of
from whichhop.compare.comparison import compare_records, compare_windows, comparison_data
from whichhop.compare.words import not_measured_words, silent_words
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause, Columns, Fate, Home, LinkKind, Method, Record, Sample, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

FIRST = 29_000_000


def without_targets(home: Home) -> Home:
    """The same home before its owner named anything upstream that may be probed."""
    nodes = {n: node for n, node in home.nodes.items() if n not in home.peers}
    links = tuple(link for link in home.links if link.far in nodes)
    edge = replace(nodes["provider-edge"], address=None)
    return replace(home, nodes={**nodes, "provider-edge": edge}, links=links, peers=())


@pytest.mark.slow
@pytest.mark.parametrize("more_s", [50, 600])
@pytest.mark.parametrize("story", ["upstream-link", "backhaul"])
def test_time_after_the_last_packet_changes_nothing(story: str, more_s: int) -> None:
    """Seen once: a span asked for that ends 50 s after the last packet made a proven verdict unproven."""
    records, readings = recorded(story)
    start, _ = span_of(records)
    last = max(r.samples.sent_ns[-1] for r in records if len(r.samples))
    exact = compare_records(alder_home(), records, readings, start_ns=start, end_ns=last + 10 * NS_PER_S)
    longer = compare_records(alder_home(), records, readings, start_ns=start, end_ns=last + more_s * NS_PER_S)
    assert exact is not None
    assert longer is not None
    assert exact.verdicts, "the test must be able to fail"
    assert comparison_data(longer) == comparison_data(exact)


@pytest.mark.slow
def test_a_line_that_no_session_crosses_is_named_and_never_part_of_no_fault_found() -> None:
    """The recorded upstream fault, judged with a home file that names no target: it is out of sight."""
    records, readings = recorded("upstream-link")
    start, end = span_of(records)
    home = without_targets(alder_home())
    found = compare_records(home, records, readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.verdicts == ()
    assert found.unmeasured == ("modem/provider-edge",)
    words = not_measured_words([k for k in home.links if k.name in found.unmeasured])
    assert "the link modem to provider-edge" in words
    assert "`targets:`" in words


def test_an_agent_that_never_spoke_leaves_its_own_link_unmeasured() -> None:
    records, readings = recorded("none")
    heard = [r for r in records if "desk" not in (r.session.agent, r.session.target)]
    start, end = span_of(records)
    found = compare_records(alder_home(), heard, readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.unmeasured == ("desk/attic",)


def test_without_a_packet_there_is_no_comparison() -> None:
    records, readings = recorded("none")
    foreign = [r for r in records if r.session.method is Method.CALL]
    assert compare_records(alder_home(), foreign[:0], readings, start_ns=0, end_ns=2**60) is None


def test_what_only_a_silent_target_measures_is_neither_good_nor_bad() -> None:
    """One target past the line, which never answers: a dead line or a dead target, no packet can tell."""
    records, readings = recorded("none")
    start, end = span_of(records)

    def past(record: Record) -> bool:
        return record.session.target in ("harbour", "provider-edge")

    kept = [
        replace(r, samples=Columns.of(Sample(sent_ns=s.sent_ns, fate=Fate.LOST) for s in r.samples))
        if past(r)
        else r
        for r in records
        if r.session.target != "provider-edge"
    ]
    found = compare_records(alder_home(), kept, readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.verdicts == ()
    assert "modem/provider-edge" in found.unmeasured
    assert found.silent == ("harbour",)
    assert comparison_data(found)["silent"] == ["harbour"]


def test_a_mute_first_hop_leaves_nothing_unmeasured_where_others_answer_past_it() -> None:
    records, readings = recorded("none")
    start, end = span_of(records)
    kept = [
        replace(r, samples=Columns.of(Sample(sent_ns=s.sent_ns, fate=Fate.LOST) for s in r.samples))
        if r.session.target == "provider-edge"
        else r
        for r in records
    ]
    found = compare_records(alder_home(), kept, readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.unmeasured == ()
    assert found.silent == ()


def _one_in(records: Sequence[Record], several: int) -> list[Record]:
    return [replace(r, samples=Columns.of(list(r.samples)[::several])) for r in records]


@pytest.mark.parametrize(("ill", "causes"), [("", []), ("attic/router", [Cause.BACKHAUL])])
def test_who_asks_every_five_seconds_is_judged_by_longer_windows(ill: str, causes: list[Cause]) -> None:
    """Forty minutes, and in the last ten everything over one link 80 ms later."""
    home, rng = alder_home(), random.Random(5)
    records = []
    for session in derive_sessions(home):
        over = any(link.name == ill for link in session.path.links)
        usual_s = sum(0.0003 if k.kind is LinkKind.WIRED else 0.004 for k in session.path.links)
        for minute in range(FIRST, FIRST + 40):
            late_s = 0.08 if over and minute >= FIRST + 30 else 0.0
            samples = [
                Sample(
                    sent_ns=minute * NS_PER_MINUTE + 5 * i * NS_PER_S + rng.randrange(NS_PER_S),
                    fate=Fate.ANSWERED,
                    rtt_ns=round((usual_s + late_s + rng.expovariate(2000)) * NS_PER_S),
                )
                for i in range(12)
            ]
            records.append(Record(session=session.key, minute=minute, samples=Columns.of(samples)))
    start, end = FIRST * NS_PER_MINUTE, (FIRST + 40) * NS_PER_MINUTE
    found = compare_records(home, records, (), start_ns=start, end_ns=end)
    assert found is not None
    assert found.unmeasured == ()
    assert found.judged.table.step_ns == 30 * NS_PER_S
    assert [v.cause for v in found.verdicts] == causes
    assert all(v.start_ns == start + 30 * NS_PER_MINUTE for v in found.verdicts)


def test_who_asks_too_seldom_to_be_judged_has_measured_nothing() -> None:
    """A packet a minute: no window holds three answers, so that no fault could have been found."""
    records, readings = recorded("none")
    start, end = span_of(records)
    found = compare_records(alder_home(), _one_in(records, 60), readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.unmeasured == tuple(dict.fromkeys(k.name for k in alder_home().links))
    assert found.silent == ()
    assert found.seldom == found.unmeasured
    words = not_measured_words(
        [k for k in found.home.links if k.name in found.unmeasured], seldom=found.seldom
    )
    assert "too seldom" in words
    assert "targets" not in words


@pytest.mark.parametrize("days", [0, 3])
def test_who_is_asked_each_thirty_seconds_is_told_so_and_not_to_add_the_targets_that_are_there(
    days: int,
) -> None:
    """Twenty minutes of two probes a minute, also where a span is judged by the day."""
    home = alder_home()
    minutes = [*range(FIRST, FIRST + 20), *([FIRST + days * 1440] if days else [])]
    records = [
        Record(
            session=session.key,
            minute=minute,
            samples=Columns.of(
                Sample(
                    sent_ns=minute * NS_PER_MINUTE + 30 * i * NS_PER_S, fate=Fate.ANSWERED, rtt_ns=4_000_000
                )
                for i in range(2)
            ),
        )
        for session in derive_sessions(home)
        for minute in minutes
    ]
    start, end = FIRST * NS_PER_MINUTE, (minutes[-1] + 1) * NS_PER_MINUTE
    found = compare_records(home, records, (), start_ns=start, end_ns=end)
    assert found is not None
    assert found.verdicts == ()
    assert len(found.seldom) == len({k.name for k in home.links})
    assert comparison_data(found)["too_seldom"] == list(found.seldom)


def test_who_asks_targets_that_do_not_answer_is_not_told_to_add_targets() -> None:
    links = [k for k in alder_home().links if k.name == "modem/provider-edge"]
    words = not_measured_words(links, asked=True)
    assert "`targets:`" not in words
    assert "let a target past it answer" in words
    (one,) = silent_words(("harbour",))
    (three,) = silent_words(("harbour", "isle", "provider-edge"))
    assert "the path to it; see whether its address is right" in one
    assert three.startswith("harbour, isle and provider-edge did not answer a single packet")


def test_behind_a_line_told_dead_nobody_is_sent_to_look_for_wrong_addresses() -> None:
    home = alder("harbour:", "isle: {address: 198.51.100.9}, cape: {address: 198.51.100.10}, harbour:")
    table = disturb(quiet(home, 90), home, "modem/provider-edge", slice(0, 90), lost=10)
    found = compare_windows(home, table, ())
    assert found is not None
    assert "modem/provider-edge" in found.verdicts[0].elements
    assert found.silent == ("isle", "cape", "harbour")
    assert found.to_look_at == ()
    assert not any("address" in words for words in reach_of(found).not_measured)
    # Where nothing explains it, it is looked at.
    alone = replace(found, verdicts=())
    assert alone.to_look_at == alone.silent


def test_records_without_a_packet_to_the_homes_targets_are_no_reason_to_add_targets() -> None:
    """As where the files of one session alone are given: the home file names its peer already."""
    records, readings = recorded("none")
    inside = tuple(r for r in records if r.session.target not in ("harbour", "provider-edge"))
    start, end = span_of(inside)
    found = compare_records(alder_home(), inside, readings, start_ns=start, end_ns=end)
    assert found is not None
    assert found.unsent == ("harbour",)
    links = [k for k in found.home.links if k.name in found.unmeasured]
    words = not_measured_words(links, "alder.yaml", unsent=found.unsent)
    assert "see why no packet to harbour is on record, though alder.yaml names it" in words
    assert "`targets:" not in words
    assert any("no packet to harbour" in w for w in reach_of(found).not_measured)


def test_a_link_that_nobody_crosses_keeps_its_own_remedy_beside_one_asked_too_seldom() -> None:
    links = [k for k in alder_home().links if k.name in ("desk/attic", "modem/provider-edge")]
    words = not_measured_words(links, seldom=("desk/attic",))
    nobody, seldom = words.split("Probes", 1)
    assert "modem to provider-edge" in nobody
    assert "`targets:`" in nobody
    assert "desk to attic" in seldom
    assert "too seldom to judge" in seldom
