"""The home now on one screen of 24 lines of 80 characters, whatever happens."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from support.bulletins import SLOW_NAMES
from whichhop.app.looks.metric_text import LastRate
from whichhop.cli.answers.compare_live import state_words
from whichhop.cli.answers.screen import HEIGHT, WIDTH, View, screen
from whichhop.model import Cause, Level, LinkKind, Verdict
from whichhop.model.bulletin import AgentNow, Bulletin, HomeState, LinkNow, LinkState, ToldVerdict, Topic
from whichhop.model.figure_words import TOO_LITTLE_YET
from whichhop.model.note import Note
from whichhop.serve.page.sentence import answer

NOW = 1_772_388_000 * 10**9
MINUTE = 60 * 10**9


def link(name: str, state: LinkState = LinkState.NO_FAULT, **figures: float | None) -> LinkNow:
    near, _, far = name.partition("/")
    return LinkNow(
        name=name,
        near=near,
        far=far,
        kind=LinkKind.WIRED,
        medium=None,
        state=state,
        probability=0.0,
        **figures,
    )  # type: ignore[arg-type]


def told(cause: Cause, where: str, start: int, end: int | None, probability: float = 0.995) -> ToldVerdict:
    verdict = Verdict(
        cause=cause, elements=(where,), probability=probability, start_ns=start, end_ns=end, proven=True
    )
    return ToldVerdict(verdict=verdict, words=())


CALM = Bulletin(
    home="Alder House",
    at_ns=NOW,
    since_ns=NOW - 24 * 60 * MINUTE,
    learning_s=0.0,
    agents=(AgentNow(name="desk", heard_ns=NOW),),
    links=(link("desk/attic", rtt_s=0.0021), link("attic/router", rtt_s=0.004)),
    told=(),
    plan_down_bps=100e6,
    plan_up_bps=20e6,
)


def view(bulletin: Bulletin = CALM, **more: object) -> View:
    return View(bulletin=bulletin, source="as router says", answers={"desk": "", "attic": ""}, **more)  # type: ignore[arg-type]


def test_a_calm_home_says_so_first() -> None:
    lines = screen(view()).splitlines()
    assert lines[0].startswith("Alder House, 2026-03-01")
    assert lines[2] == "Now       No fault found: nothing that was measured exceeds its own quiet"
    assert "Agents    desk, attic answer" in lines
    assert lines[-1] == "(as router says)"


def test_the_fault_its_surety_and_its_begin_come_first_and_its_link_leads() -> None:
    bulletin = replace(
        CALM,
        told=(told(Cause.BACKHAUL, "attic/router", NOW - 11 * MINUTE, None),),
        links=(*CALM.links, link("study/router", LinkState.AT_FAULT, added_s=0.014, loss_ratio=0.021)),
        steps=("move the attic node nearer to the router",),
    )
    lines = screen(view(bulletin)).splitlines()
    assert lines[2].startswith("Now       The backhaul is at fault: attic/router, over 99 % sure, since ")
    first = next(line for line in lines if line.startswith("Links"))
    assert first.startswith("Links     study/router  at fault")
    assert first.endswith("14.0 ms over usual, 2.1 % packet loss")
    assert "Next      move the attic node nearer to the router" in lines


def test_each_of_several_faults_is_told_whole_and_takes_the_links_room() -> None:
    many = (*CALM.links, *(link(f"room-{n}/router") for n in range(12)))
    now = (
        told(Cause.BACKHAUL, "attic/router", NOW - 11 * MINUTE, None),
        told(Cause.UPSTREAM_LINK, "modem/provider-edge", NOW - 5 * MINUTE, None),
    )
    lines = screen(view(replace(CALM, told=now, links=many))).splitlines()
    links, lately = (
        next(i for i, w in enumerate(lines) if w.startswith(part)) for part in ("Links", "Lately")
    )
    said = " ".join(" ".join(lines[2:links]).split())
    assert "The backhaul is at fault: attic/router" in said
    assert "The access line is at fault: modem/provider-edge" in said
    assert said.count("since") == 2
    assert "..." not in said
    assert lately - links == 6, "where there is room, no link makes way"


def test_while_something_lasts_there_is_always_something_to_do() -> None:
    lasting = told(Cause.BACKHAUL, "attic/router", NOW - 11 * MINUTE, None)
    text = screen(view(replace(CALM, told=(lasting,))))
    assert "Next      It is the home's to fix. The reasons: whichhop compare HOME" in text
    assert "Next      nothing to do" in screen(view())


def test_the_last_days_episodes_are_counted_and_added_up() -> None:
    past = [
        told(
            Cause.UPSTREAM_LINK,
            "modem/provider-edge",
            NOW - h * 60 * MINUTE,
            NOW - h * 60 * MINUTE + 14 * MINUTE,
        )
        for h in (3, 5)
    ]
    text = screen(view(replace(CALM, told=tuple(past))))
    assert "Lately    2 episodes, 28 min of 1 d judged" in text
    assert text.count("upstream-link: modem/provider-edge") == 2


def test_what_was_changed_in_the_last_day_stands_beside_the_episodes() -> None:
    notes = (
        Note(at_ns=NOW - 90 * MINUTE, text="moved the attic node"),
        Note(at_ns=NOW - 3000 * MINUTE, text="long ago"),
    )
    text = screen(view(replace(CALM, notes=notes)))
    assert "noted: moved the attic node" in text
    assert "long ago" not in text


def test_rates_stand_against_the_plan_and_the_budget_is_told() -> None:
    rates = (LastRate(agent="desk", other_end="harbour", down_bps=83e6, up_bps=18e6, at_least=True),)
    text = screen(view(rates=rates, budget_mb=(1500.0, 2000.0), modems=(("modem", "fine: 8 down"),)))
    assert "Rates     desk with harbour: 83 of 100 Mbit/s down, 18 of 20 Mbit/s up or more" in text
    assert "Budget    1500 of 2000 MB left for today's transfers" in text
    assert "Modem     fine: 8 down" in text


def test_before_anything_is_learned_no_verdict_is_pretended() -> None:
    text = screen(view(replace(CALM, learning_s=420.0)))
    assert "Still learning what is usual; the first verdict can come in 420 s." in text
    assert "No fault" not in text


def test_with_no_witness_nothing_is_called_well() -> None:
    dumb = tuple(replace(k, state=LinkState.UNKNOWN) for k in CALM.links)
    text = screen(view(replace(CALM, links=dumb)))
    assert "Not determined now: every agent is busy, asleep or not heard" in text
    assert "No fault" not in text


def test_a_home_is_well_only_as_far_as_its_links_have_a_witness() -> None:
    desk, attic = CALM.links
    text = screen(view(replace(CALM, links=(desk, replace(attic, state=LinkState.UNKNOWN)))))
    assert "Now       No fault found on the links that are measured; not measured now:" in text
    assert "attic/router." in text.splitlines()[3]


def test_what_is_only_suspected_is_not_called_well() -> None:
    desk, attic = CALM.links
    text = screen(view(replace(CALM, links=(desk, replace(attic, state=LinkState.SUSPECTED)))))
    assert "Now       Something may be starting, which is not yet sure: attic/router." in text
    assert "No fault" not in text


NAMES = st.text(st.characters(categories=("Ll", "Nd"), include_characters="-/ "), min_size=1, max_size=90)
VERDICTS = st.builds(
    told,
    cause=st.sampled_from(Cause),
    where=NAMES,
    start=st.integers(NOW - 1500 * MINUTE, NOW),
    end=st.none() | st.integers(NOW - 60 * MINUTE, NOW),
    probability=st.floats(0.5, 1),
)
LINKS = st.builds(
    link,
    NAMES,
    st.sampled_from(LinkState),
    rtt_s=st.none() | st.floats(0, 3),
    added_s=st.none() | st.floats(-1, 3),
    loss_ratio=st.none() | st.floats(0, 1),
)


@settings(max_examples=50)
@given(
    st.lists(LINKS, max_size=20),
    st.lists(VERDICTS, max_size=12),
    st.dictionaries(NAMES, st.just("") | NAMES, max_size=10),
    st.lists(st.tuples(NAMES, NAMES), max_size=4),
    st.lists(NAMES, max_size=5),
)
def test_it_never_grows_past_one_screen(
    links: list[LinkNow],
    verdicts: list[ToldVerdict],
    answers: dict[str, str],
    modems: list[tuple[str, str]],
    steps: list[str],
) -> None:
    bulletin = replace(CALM, links=tuple(links), told=tuple(verdicts), steps=tuple(steps))
    rates = tuple(LastRate(agent=name, other_end=trouble, down_bps=5e6) for name, trouble in modems)
    text = screen(
        View(bulletin=bulletin, source="x" * 200, answers=answers, rates=rates, modems=tuple(modems))
    )
    lines = text.splitlines()
    assert len(lines) <= HEIGHT
    assert max(map(len, lines)) <= WIDTH
    # what is lasting is never crowded out
    assert lines[2].startswith("Now  ")


def test_what_does_not_fit_is_counted() -> None:
    many = tuple(link(f"room-{n}/router") for n in range(20))
    text = screen(view(replace(CALM, links=many)))
    assert "and 15 more links" in text


@pytest.mark.parametrize("trouble", ["no answer within 3 s; is the agent running?"])
def test_an_agent_that_does_not_answer_is_named_with_the_reason(trouble: str) -> None:
    text = screen(View(bulletin=CALM, source="x", answers={"desk": "", "study": trouble}))
    assert "desk answers" in text
    assert f"study does not answer: {trouble}" in text


@pytest.mark.parametrize(
    "trouble",
    [
        "refused by attic (another key): copy the home's key file to desk and restart the agent there",
        "http://192.0.2.20:8620: 401 Unauthorized: a bearer token of this home is needed",
    ],
)
def test_what_only_the_comparer_met_is_told_with_the_agents_name(trouble: str) -> None:
    met = replace(CALM, agents=(AgentNow(name="desk", heard_ns=NOW, trouble=trouble),))
    text = " ".join(screen(view(met)).split())
    assert f"desk: {trouble}"[:60] in text


def test_what_is_felt_though_no_hop_is_slow_is_told_with_what_users_notice() -> None:
    text = " ".join(screen(view(replace(CALM, felt=(SLOW_NAMES,)))).split())
    assert "No hop is slow, but Resolver house: name service answers slowly (95 %)." in text
    assert "What users notice: pages take a moment" in text
    ongoing = (told(Cause.BACKHAUL, "attic/router", NOW - 11 * MINUTE, None),)
    both = " ".join(screen(view(replace(CALM, told=ongoing, felt=(SLOW_NAMES,)))).split())
    assert (
        "Felt besides, though no hop is slow by it: Resolver house: name service answers slowly (95 %)."
        in both
    )


def test_steps_are_told_whole_where_there_is_room_and_cautions_are_never_cut_short() -> None:
    steps = ("Move the node into the open, away from metal and water; should bring 10 dB more signal.",
             "Wire it (effort: some hours). Caution: Mind the mains. Local codes decide.") * 2  # fmt: skip
    text = " ".join(screen(view(replace(CALM, steps=steps))).split())
    assert text.count("should bring 10 dB more signal.") == 2
    assert text.count("Wire it (effort: some hours). Mind its cautions: whichhop advise HOME.") == 2


QUIET_AGENT = AgentNow(name="study", heard_ns=NOW - 10 * MINUTE)
LEVEL = Level(
    elements=("desk/attic",),
    level_s=0.04,
    low_s=0.03,
    high_s=0.05,
    round_trip_s=0.05,
    usual_high_s=0.01,
    usual_low_s=0.001,
)
TOPICS: dict[Topic, tuple[Bulletin, HomeState]] = {
    Topic.UNHEARD: (replace(CALM, agents=(QUIET_AGENT,)), HomeState.NOT_DETERMINED),
    Topic.VERDICT: (
        replace(CALM, levels_s=9.0, told=(told(Cause.BACKHAUL, "attic/router", NOW - MINUTE, None),)),
        HomeState.FAULT,
    ),
    Topic.LEARNING: (replace(CALM, learning_s=30.0), HomeState.LEARNING),
    Topic.BLIND: (replace(CALM, links=(link("desk/attic", LinkState.UNKNOWN),)), HomeState.NOT_DETERMINED),
    Topic.STARTING: (replace(CALM, links=(link("desk/attic", LinkState.SUSPECTED),)), HomeState.NO_FAULT),
    Topic.SILENT: (replace(CALM, agents=(*CALM.agents, QUIET_AGENT)), HomeState.NO_FAULT),
    Topic.UNMEASURED: (
        replace(CALM, links=(*CALM.links, link("a/b", LinkState.UNKNOWN))),
        HomeState.NO_FAULT,
    ),
    Topic.WAITING: (replace(CALM, levels_s=90.0), HomeState.LEARNING),
    Topic.UNUSUAL: (
        replace(CALM, links=(replace(link("desk/attic"), level=LEVEL),)),
        HomeState.NO_FAULT,
    ),
    Topic.FELT: (replace(CALM, felt=(SLOW_NAMES,)), HomeState.NO_FAULT),
    Topic.NO_FAULT: (CALM, HomeState.NO_FAULT),
}


@pytest.mark.parametrize("topic", TOPICS)
def test_page_status_follow_and_metrics_speak_of_the_same_thing(topic: Topic) -> None:
    """Each once had its own ladder: --follow said "no fault found" while the page waited for levels, saw a
    link suspected, or told what is felt."""
    bulletin, state = TOPICS[topic]
    assert bulletin.topic is topic
    assert bulletin.state is state
    page = answer(bulletin, NOW)
    texts = page.words, " ".join(screen(view(bulletin)).split("Links")[0].split()), state_words(bulletin)
    alike = {
        Topic.UNHEARD: "o agent is heard, so nothing is determined",
        Topic.LEARNING: "earning what is usual",
        Topic.BLIND: "ot determined now",
        Topic.STARTING: "omething may be starting",
        Topic.WAITING: TOO_LITTLE_YET[1:-1],
        Topic.FELT: "o hop is slow",
    }
    for text in texts:
        assert ("o fault found" in text) == (topic not in alike and topic is not Topic.VERDICT), text
        assert alike.get(topic, "") in text
    if topic is Topic.UNMEASURED:
        mute = replace(bulletin, unanswered=("harbour",))
        told_too = " ".join(answer(mute, NOW).more), screen(view(mute)), state_words(mute)
        assert all("harbour did not answer a single packet" in " ".join(t.split()) for t in told_too)
    if topic in (Topic.SILENT, Topic.UNMEASURED):
        # In the first minutes of a home that is not heard in whole, nothing is free of faults either.
        early = replace(bulletin, levels_s=90.0)
        assert early.topic is Topic.WAITING
        if topic is Topic.UNMEASURED:
            told = (
                " ".join(answer(early, NOW).more),
                " ".join(screen(view(early)).split()),
                state_words(early),
            )
            assert all("ot measured now: " in text for text in told)
    if topic is Topic.SILENT:
        assert all("study" in text for text in texts)
