"""Refusals are counted from the samples themselves, and the sentence names the agent and the remedy."""

import pytest

from support.record_windows import table_of
from whichhop.app.live.refusals import refusal_words, refusals_in
from whichhop.model import Columns, Fate, Method, Record, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

MINUTE = 29_000_000
START = MINUTE * NS_PER_MINUTE


def record(agent: str, target: str, fates: list[Fate]) -> Record:
    samples = [
        Sample(sent_ns=START + n * NS_PER_S, fate=fate, rtt_ns=1_000_000 if fate is Fate.ANSWERED else None)
        for n, fate in enumerate(fates)
    ]
    session = SessionKey(agent=agent, target=target, method=Method.STAMP)
    return Record(session=session, minute=MINUTE, samples=Columns.of(samples))


def words(*records: Record) -> dict[str, str]:
    return dict(refusal_words(refusals_in(records, START, START + NS_PER_MINUTE)))


def test_refusals_are_counted_by_agent_target_and_reason_within_the_span() -> None:
    mixed = record("attic", "desk", [Fate.ANSWERED, Fate.REFUSED_KEY, Fate.LOST, Fate.REFUSED_KEY])
    found = refusals_in([mixed], START, START + NS_PER_MINUTE)
    assert [(r.agent, r.target, r.fate, r.packets) for r in found] == [("attic", "desk", Fate.REFUSED_KEY, 2)]
    (late,) = refusals_in([mixed], START + 2 * NS_PER_S, START + NS_PER_MINUTE)
    assert late.packets == 1
    assert refusals_in([record("attic", "desk", [Fate.LOST, Fate.BUSY])], 0, 2**62) == ()


def test_who_is_at_odds_with_several_has_the_wrong_key() -> None:
    key = [Fate.REFUSED_KEY] * 3
    told = words(record("attic", "desk", key), record("loft", "desk", key))
    assert "key file to desk and" in told["attic"]
    told = words(record("attic", "desk", key), record("attic", "loft", key))
    assert "key file to attic and" in told["attic"]
    told = words(record("attic", "desk", key))
    assert "copy the same key file to attic and desk" in told["attic"]


@pytest.mark.parametrize("fate", [Fate.REFUSED_KEY, Fate.REFUSED_ADDRESS, Fate.REFUSED])
def test_each_reason_names_both_agents_in_one_line(fate: Fate) -> None:
    (told,) = words(record("attic", "desk", [fate])).values()
    assert "refused by desk" in told
    assert "attic" in told
    assert "\n" not in told


def test_a_refusing_target_neither_loses_packets_nor_makes_its_asker_unfit_to_judge() -> None:
    # of an agent with more than a share of packets set aside a whole tick is not judged
    table = table_of([record("attic", "desk", [Fate.REFUSED_KEY] * 20 + [Fate.ANSWERED] * 20)])
    assert (table.sent.sum(), table.lost.sum(), table.aside.sum()) == (20, 0, 0)
