"""What is told when: one notice a fault, by one agent, in no quiet hour, and nothing lost over a restart."""

from collections.abc import Iterable
from datetime import UTC

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support.bulletins import calm
from whichhop.daemon.notice.book import (
    GIVEN_UP_NS,
    MOST_AN_HOUR,
    MOST_WAITING,
    Kept,
    Kind,
    News,
    Place,
    decide,
    due,
    failed,
    put,
    sent,
)
from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin, NoticeHeard, ToldVerdict
from whichhop.model.notices import Notices, Way, Webhook
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

NOON_NS = 1_772_366_400 * NS_PER_S
"""2026-03-01 12:00 UTC."""
HOOK = Notices(webhook=Webhook(url="http://127.0.0.1/"))
NIGHTLY = Notices(webhook=Webhook(url="http://127.0.0.1/"), quiet_hours=(22 * 60, 7 * 60))
LINE = ("modem/provider-edge",)
RADIO = ("desk/attic",)
BACKHAUL = ("attic/router",)


def fault(
    cause: Cause,
    elements: tuple[str, ...],
    start_s: float,
    end_s: float | None = None,
    probability: float = 0.97,
) -> Verdict:
    return Verdict(
        cause=cause,
        elements=elements,
        probability=probability,
        start_ns=NOON_NS + round(start_s * NS_PER_S),
        end_ns=None if end_s is None else NOON_NS + round(end_s * NS_PER_S),
    )


def line(start_s: float, end_s: float | None = None) -> Verdict:
    return fault(Cause.UPSTREAM_LINK, LINE, start_s, end_s)


def bulletin(*verdicts: Verdict, heard: Iterable[NoticeHeard] = ()) -> Bulletin:
    told = tuple(ToldVerdict(verdict=v, words=()) for v in verdicts)
    return replace(calm(), told=told, notices=tuple(heard))


class Agent:
    """One agent's book, run through time. order: the home's agents."""

    def __init__(
        self, name: str = "router", order: tuple[str, ...] = ("router",), settings: Notices = HOOK
    ) -> None:
        self.kept, self.settings = Kept(), settings
        self.place = Place(
            me=name, order=order, zone=UTC, begun_ns=NOON_NS - NS_PER_MINUTE * 60, ready=settings.ways
        )

    def hear(self, at_s: float, said: Bulletin) -> list[News]:
        return decide(self.kept, said, self.settings, self.place, NOON_NS + round(at_s * NS_PER_S))

    def kinds(self, at_s: float, *verdicts: Verdict, heard: Iterable[NoticeHeard] = ()) -> list[Kind]:
        return [news.kind for news in self.hear(at_s, bulletin(*verdicts, heard=heard))]

    def restart(self) -> None:
        self.kept = msgspec.json.decode(msgspec.json.encode(self.kept), type=Kept)


def test_a_fault_is_told_once_when_it_begins_and_once_when_it_is_over_for_a_minute() -> None:
    agent = Agent()
    told = {
        t: kinds for t in range(0, 900, 10) if (kinds := agent.kinds(t, line(0, 600 if t >= 610 else None)))
    }
    assert told == {60: [Kind.OPENED], 660: [Kind.CLOSED]}


def test_a_restart_at_any_moment_neither_loses_nor_repeats_a_notice() -> None:
    agent, told = Agent(), []
    for t in range(0, 900, 10):
        told += agent.kinds(t, line(0, 600 if t >= 610 else None))
        agent.restart()
    assert told == [Kind.OPENED, Kind.CLOSED]


def test_a_verdict_that_changes_its_mind_is_an_update_and_no_second_fault() -> None:
    agent = Agent()
    radio, group = fault(Cause.WIRELESS_HOP, RADIO, 0), fault(Cause.NOT_SEPARABLE, (*RADIO, *BACKHAUL), 5)
    assert agent.kinds(70, radio) == [Kind.OPENED]
    assert agent.kinds(80, group) == []
    assert agent.kinds(400, group) == [Kind.CHANGED]
    # Evidence that moves to another element from the same moment on is the same fault.
    assert agent.kinds(800, fault(Cause.BACKHAUL, BACKHAUL, 10)) == [Kind.CHANGED]
    over = fault(Cause.BACKHAUL, BACKHAUL, 10, 900)
    assert agent.kinds(970, over) == [Kind.CLOSED]
    assert agent.kinds(980, over) == []


def test_a_line_fault_and_an_upload_on_top_of_it_are_two_faults() -> None:
    agent = Agent()
    upload = fault(Cause.OWN_TRAFFIC, ("own-traffic",), 400)
    assert agent.kinds(70, line(0)) == [Kind.OPENED]
    assert agent.kinds(470, line(0), upload) == [Kind.OPENED]
    news = agent.hear(700, bulletin(line(0), replace(upload, end_ns=NOON_NS + 600 * NS_PER_S)))
    assert [(n.kind, n.fault and n.fault.cause) for n in news] == [(Kind.CLOSED, "own-traffic")]


def test_a_fault_that_flaps_is_one_with_a_gap() -> None:
    agent = Agent()
    assert agent.kinds(70, line(0)) == [Kind.OPENED]
    assert agent.kinds(110, line(0, 100)) == []
    assert agent.kinds(140, line(0, 100), line(135)) == []
    assert agent.kinds(700, line(0, 100), line(135)) == []


def test_one_that_turns_out_to_be_pieces_is_over_when_the_last_of_them_is() -> None:
    agent = Agent()
    assert agent.kinds(70, line(0)) == [Kind.OPENED]
    pieces = (line(0, 200), line(200, 400), line(420, 600))
    news = agent.hear(670, bulletin(*pieces))
    assert [(n.kind, n.fault and n.fault.start_ns, n.fault and n.fault.end_ns) for n in news] == [
        (Kind.CLOSED, NOON_NS, NOON_NS + 600 * NS_PER_S)
    ]
    assert agent.kinds(680, *pieces) == []


def test_what_is_there_again_after_minutes_in_which_nothing_was_heard_is_two_faults() -> None:
    agent = Agent()
    assert agent.kinds(70, line(0)) == [Kind.OPENED]
    news = agent.hear(700, bulletin(line(0, 300), line(660)))
    assert [(n.kind, n.fault and n.fault.end_ns) for n in news] == [(Kind.CLOSED, NOON_NS + 300 * NS_PER_S)]
    assert agent.kinds(730, line(0, 300), line(660)) == [Kind.OPENED]
    assert agent.kinds(970, line(0, 300), line(660, 900)) == [Kind.CLOSED]


def test_a_fault_that_begins_again_after_its_end_was_told_is_told_again() -> None:
    agent = Agent()
    agent.kinds(70, line(0))
    assert agent.kinds(200, line(0, 100)) == [Kind.CLOSED]
    assert agent.kinds(1000, line(0, 100), line(900)) == [Kind.OPENED]


def test_what_is_withdrawn_is_told_as_withdrawn_and_an_untold_one_not_at_all() -> None:
    agent = Agent()
    agent.kinds(70, line(0))
    agent.kinds(80)
    assert agent.kinds(150) == [Kind.WITHDRAWN]
    other = Agent()
    other.kinds(30, line(0))
    assert other.kinds(40) + other.kinds(400) == []


def test_what_is_less_sure_or_shorter_than_asked_for_is_not_told() -> None:
    doubtful = fault(Cause.BACKHAUL, BACKHAUL, 0, probability=0.75)
    assert Agent().kinds(600, doubtful) == []
    assert Agent(settings=replace(HOOK, least_probability=0.7)).kinds(600, doubtful) == [Kind.OPENED]
    brief = Agent()
    assert brief.kinds(30, line(0)) + brief.kinds(50, line(0, 40)) + brief.kinds(200, line(0, 40)) == []
    assert Agent(settings=replace(HOOK, least_s=0)).kinds(10, line(0)) == [Kind.OPENED]


def test_what_nobody_feels_and_what_is_history_is_not_told() -> None:
    agent = Agent()
    slow = fault(Cause.RESPONDER, ("reply:router",), 0)
    busy = fault(Cause.AGENT_HOST, ("host:desk",), 0)
    assert agent.kinds(600, slow, busy, line(-7200, -3600)) == []


def test_quiet_hours_hold_back_what_is_ongoing_and_sum_up_what_came_and_went() -> None:
    hour = 3600
    agent = Agent(settings=NIGHTLY)
    came = fault(Cause.BACKHAUL, BACKHAUL, 11 * hour, 11 * hour + 600)
    assert agent.kinds(10 * hour + 70, line(10 * hour)) == []
    assert agent.kinds(11 * hour + 300, line(10 * hour), replace(came, end_ns=None)) == []
    assert agent.kinds(11 * hour + 700, line(10 * hour), came) == []
    agent.restart()
    morning = agent.hear(19 * hour, bulletin(line(10 * hour), came))
    assert [n.kind for n in morning] == [Kind.OPENED, Kind.SUMMARY]
    assert [p.elements for p in morning[1].passed] == [BACKHAUL]


def test_the_end_of_a_fault_that_was_told_waits_for_the_end_of_the_quiet_hours() -> None:
    hour = 3600
    agent = Agent(settings=NIGHTLY)
    assert agent.kinds(9.9 * hour, line(9.5 * hour)) == [Kind.OPENED]
    over = line(9.5 * hour, 12 * hour)
    assert agent.kinds(12.1 * hour, over) == []
    assert agent.kinds(18.9 * hour, over) == []
    assert agent.kinds(19 * hour, over) == [Kind.CLOSED]


ORDER = ("router", "study")


def ready(name: str, at_s: float) -> NoticeHeard:
    return NoticeHeard(
        agent=name, name="notice_ready:webhook", at_ns=NOON_NS + round(at_s * NS_PER_S), value=1.0
    )


def told(name: str, at_s: float, value: float) -> NoticeHeard:
    return NoticeHeard(
        agent=name, name=f"notice_told:webhook:{LINE[0]}", at_ns=NOON_NS + round(at_s * NS_PER_S), value=value
    )


def test_of_two_agents_that_compare_the_first_of_the_home_file_tells() -> None:
    router, study = Agent("router", ORDER), Agent("study", ORDER)
    heard = [ready("router", 60), ready("study", 60)]
    assert router.kinds(70, line(0), heard=heard) == [Kind.OPENED]
    assert study.kinds(70, line(0), heard=heard) == []
    heard = [ready("router", 300), ready("study", 300), told("router", 70, 1.0)]
    assert study.kinds(310, line(0), heard=heard) == []


def test_when_the_telling_agent_goes_off_the_next_takes_over_without_telling_twice() -> None:
    study = Agent("study", ORDER)
    last = [ready("router", 60), told("router", 70, 1.0)]
    assert study.kinds(80, line(0), heard=last) == []
    assert study.kinds(400, line(0), heard=last) == []  # told already, by the one that is off
    assert study.kinds(700, line(0, 600), heard=last) == [Kind.CLOSED]
    # What the first had no time to tell is told by the second.
    silent = Agent("study", ORDER)
    assert silent.kinds(80, line(0), heard=[ready("router", 60)]) == []
    assert silent.kinds(250, line(0), heard=[ready("router", 60)]) == [Kind.OPENED]


def test_an_agent_that_is_back_does_not_repeat_what_the_other_told_meanwhile() -> None:
    router = Agent("router", ORDER)
    assert router.kinds(70, line(0)) == [Kind.OPENED]
    for_it = NOON_NS + 70 * NS_PER_S
    put(router.kept, News(way=Way.WEBHOOK, kind=Kind.OPENED, fault=router.kept.faults[0]), b"{}", for_it)
    back = [told("study", 620, 0.0), ready("study", 620)]
    assert router.kinds(700, line(0, 600), heard=back) == []
    assert due(router.kept, Way.WEBHOOK, HOOK, NOON_NS + 700 * NS_PER_S, UTC) is None


def test_an_agent_that_has_just_started_first_hears_whether_another_tells() -> None:
    agent = Agent("router", ORDER)
    agent.place = replace(agent.place, begun_ns=NOON_NS + 60 * NS_PER_S)
    assert agent.kinds(70, line(0)) == []
    assert agent.kinds(150, line(0)) == [Kind.OPENED]


def test_a_way_whose_files_are_not_here_is_left_to_another_agent() -> None:
    agent = Agent("router", ORDER)
    agent.place = replace(agent.place, ready=())
    assert agent.kinds(70, line(0)) == []
    assert Agent("study", ORDER).kinds(70, line(0), heard=[ready("study", 60)]) == [Kind.OPENED]


def test_a_home_that_flaps_all_day_is_told_a_bounded_number_of_times_an_hour() -> None:
    agent, kinds = Agent(settings=replace(HOOK, least_s=0)), []
    for n in range(100):
        verdict = fault(Cause.BACKHAUL, (f"link{n}",), n * 30)
        kinds += agent.kinds(n * 30 + 10, verdict)
        kinds += agent.kinds(n * 30 + 20, replace(verdict, end_ns=verdict.start_ns + 15 * NS_PER_S))
    assert len(kinds) <= MOST_AN_HOUR


def opened(kept: Kept, number: int, at_ns: int = NOON_NS) -> None:
    verdict = line(number)
    known = decide(Kept(), bulletin(verdict), replace(HOOK, least_s=0), Agent().place, NOON_NS + 10**12)
    put(kept, known[0], msgspec.json.encode({"n": number}), at_ns)


def test_a_queue_has_an_end_and_keeps_its_order() -> None:
    kept = Kept()
    for n in range(MOST_WAITING + 5):
        opened(kept, n)
    assert len(kept.waiting) == MOST_WAITING
    assert kept.left_out == {Way.WEBHOOK: 5}
    first = due(kept, Way.WEBHOOK, HOOK, NOON_NS, UTC)
    assert first is not None
    assert bytes(first.document) == b'{"n":5}'
    assert sent(kept, first) == [(f"notice_told:webhook:{LINE[0]}", 1.0)]
    second = due(kept, Way.WEBHOOK, HOOK, NOON_NS, UTC)
    assert second is not None
    assert bytes(second.document) == b'{"n":6}'


@given(st.lists(st.booleans(), max_size=40))
def test_whatever_fails_pauses_only_grow_and_what_is_a_day_old_is_given_up(outcomes: list[bool]) -> None:
    kept, now, before = Kept(), NOON_NS, 0.0
    opened(kept, 0)
    one = due(kept, Way.WEBHOOK, HOOK, now, UTC)
    assert one is not None
    for _ in outcomes:
        wait_s = failed(one, now)
        assert before <= wait_s <= 3600
        assert due(kept, Way.WEBHOOK, HOOK, now + round(wait_s * NS_PER_S) - 1, UTC) is None
        now, before = now + round(wait_s * NS_PER_S), wait_s
        still = due(kept, Way.WEBHOOK, HOOK, now, UTC)
        assert (still is one) == (now - NOON_NS <= GIVEN_UP_NS)
        if still is None:
            return


def test_a_clock_set_back_by_a_year_holds_no_notice_back() -> None:
    """A box without a battery starts in any year, in the future too, until a time server sets it right."""
    kept, wrong_ns = Kept(), NOON_NS + 365 * 24 * 3600 * NS_PER_S
    opened(kept, 0, wrong_ns)
    one = due(kept, Way.WEBHOOK, HOOK, wrong_ns, UTC)
    assert one is not None
    failed(one, wrong_ns)
    assert due(kept, Way.WEBHOOK, HOOK, wrong_ns, UTC) is None
    assert due(kept, Way.WEBHOOK, HOOK, NOON_NS, UTC) is one
    # Nor do the notices of the wrong year count towards this hour's.
    agent = Agent()
    agent.kept.lately[Way.WEBHOOK] = [wrong_ns] * MOST_AN_HOUR
    assert agent.kinds(60, line(0)) == [Kind.OPENED]


@pytest.mark.parametrize("at_s", [10.5 * 3600, 18.9 * 3600])
def test_nothing_queued_is_sent_in_quiet_hours(at_s: float) -> None:
    kept = Kept()
    opened(kept, 0)
    assert due(kept, Way.WEBHOOK, NIGHTLY, NOON_NS + round(at_s * NS_PER_S), UTC) is None
