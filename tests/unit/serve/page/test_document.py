"""The page as HTML text, as someone without a script gets it."""

import re
from html.parser import HTMLParser

import pytest
from msgspec.structs import replace

from support.bulletins import NOW_NS, STATES, at_fault, calm, group, learning, silent, with_links
from whichhop.model.bulletin import AgentNow, Bulletin
from whichhop.model.note import Note
from whichhop.serve.live import LiveState
from whichhop.serve.page.document import bulletin_page

EVIL = "<script>alert(1)</script>\"'&"


def html(bulletin: Bulletin) -> str:
    return bulletin_page(
        bulletin, live=LiveState(home="Alder House", agent="desk", names=()), now_ns=NOW_NS
    ).decode()


class Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.tags: list[str] = []

    def handle_data(self, data: str) -> None:
        self.said.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not any(name.startswith("on") or name == "style" for name, _ in attrs), (
            "inline script or style"
        )


def words(bulletin: Bulletin) -> str:
    reader = Words()
    reader.feed(html(bulletin))
    return re.sub(r"\s+", " ", "".join(reader.said).replace("\u00a0", " "))


@pytest.mark.parametrize("state", STATES)
def test_without_a_script_every_part_is_there_and_nothing_is_inline(state: str) -> None:
    said = words(STATES[state]())
    for title in ("Path to the internet, hop by hop", "The last day", "What each room gets", "Who measures"):
        assert title in said
    assert "Without JavaScript this page does not renew itself" in said
    assert html(STATES[state]()).count("<script") == 1


def test_each_links_figures_are_those_of_the_bulletin() -> None:
    said = words(at_fault())
    for part in ("at fault", "98 %", "34.5 ms", "+28.4 ms", "2.5 %", "packet loss", "11.3 ms", "18.7 ms"):
        assert part in said


def test_rooms_are_held_against_the_plan_and_at_least_is_said() -> None:
    said = words(calm())
    assert "212 Mbit/s of 500 Mbit/s (42 %)" in said
    assert "at least 39.1 Mbit/s of 40 Mbit/s (98 %)" in said
    bare = words(replace(calm(), plan_down_bps=None, plan_up_bps=None))
    assert "names no plan" in bare
    assert "212 Mbit/s" in bare
    assert "of 500" not in bare


def test_a_group_is_said_to_be_one_and_its_box_is_marked_too() -> None:
    said = words(group())
    assert said.count("These cannot be told apart: the wireless hop between desk and attic") >= 2
    assert "perhaps this box is at fault" in said


def test_a_link_that_is_not_known_is_not_called_innocent() -> None:
    assert words(learning()).count("at fault") == 2, "in the header and the legend alone"
    assert words(learning()).count("not known") == len(learning().links) + 1, "each link, and the legend"


def test_a_calm_day_that_was_not_judged_whole_says_from_when() -> None:
    assert "No episode and no change since judging began at 18:02 UTC." in words(learning())


def test_learning_says_how_long_still_and_silence_who_is_silent() -> None:
    assert "About 8 min more until it can judge." in words(learning())
    said = words(silent())
    assert "study: never heard" in said
    assert "attic: not heard since 17:50 UTC, 13 min ago" in said
    assert "connection refused" in said


def test_marks_stand_on_the_line_and_in_the_list_with_one_number() -> None:
    notes = (Note(at_ns=NOW_NS - 10**12, text="second"), Note(at_ns=NOW_NS - 10**13, text="first"))
    said = words(replace(calm(), notes=notes))
    assert "1 Changed: first" in said
    assert "2 Changed: second" in said


def test_what_happened_before_the_last_day_has_no_note() -> None:
    old = Note(at_ns=NOW_NS - 90_000 * 10**9, text="long ago")
    assert "long ago" not in words(replace(calm(), notes=(old,)))


def test_steps_beyond_the_third_wait_behind_a_press() -> None:
    said = words(replace(calm(), steps=tuple(f"step {n}" for n in range(5))))
    assert "2 more" in said
    assert all(f"step {n}" in said for n in range(5))


def test_an_episodes_reasons_keep_their_name_when_another_begins() -> None:
    def names(bulletin: Bulletin) -> list[str]:
        found = re.findall(r'id="(why-\d+-\d+)"', html(bulletin))
        assert len(found) == len(set(found)) == len(bulletin.told)
        return found

    newer = at_fault()
    assert set(names(replace(newer, told=newer.told[1:]))) < set(names(newer))
    names(replace(newer, told=(*newer.told, newer.told[0])))


def test_everything_from_outside_is_escaped() -> None:
    base = at_fault()
    link = base.links[0]
    evil = replace(
        base,
        home=EVIL,
        steps=(EVIL,),
        notes=(Note(at_ns=NOW_NS - 10**12, text=EVIL),),
        agents=(AgentNow(name=EVIL, heard_ns=None, trouble=EVIL),),
        rooms=tuple(replace(r, node=EVIL, room=EVIL, other_end=EVIL) for r in base.rooms),
        links=(replace(link, near=EVIL, far=EVIL + "2", name=EVIL), *base.links[1:]),
        told=tuple(
            replace(t, words=(EVIL, EVIL), verdict=replace(t.verdict, elements=(EVIL,))) for t in base.told
        ),
    )
    assert "<script>alert" not in html(evil)
    reader = Words()
    reader.feed(html(evil))
    assert reader.tags.count("script") == 1


def test_a_bulletin_without_links_agents_or_episodes_is_a_page_still() -> None:
    bare = replace(calm(), since_ns=0, links=(), agents=(), told=(), notes=(), rooms=())
    said = words(bare)
    assert "No episode and no change in the last day." in said
    assert "No rate has been measured yet." in said


def test_links_that_make_a_ring_do_not_hang_the_page() -> None:
    ring = with_links(calm(), study__router={"near": "router", "far": "desk"})
    assert "router" in words(ring)


def test_a_way_of_many_hops_stands_below_each_other() -> None:
    long = tuple(
        replace(calm().links[0], name=f"n{i}/n{i + 1}", near=f"n{i}", far=f"n{i + 1}") for i in range(6)
    )
    assert 'class="way deep"' in html(replace(calm(), links=long))
    assert 'class="way deep"' not in html(calm())


def test_the_keys_that_a_report_is_held_against_stand_on_the_page() -> None:
    live = LiveState(home="Alder House", agent="desk", names=())
    live.maker, live.own_key = "AAAA-BBBB", "CCCC-DDDD"
    text = bulletin_page(calm(), live=live, now_ns=NOW_NS).decode()
    assert "AAAA-BBBB" in text
    assert "CCCC-DDDD" in text


def test_what_stood_before_measuring_is_not_said_to_have_begun_then() -> None:
    bulletin = at_fault()
    first, *rest = bulletin.told
    stood = replace(first, verdict=replace(first.verdict, standing=True))
    text = " ".join(words(replace(bulletin, told=(stood, *rest))).split())
    assert "Since before" in text
    assert "for more than 11 min" in text


def test_how_sure_an_episode_is_begins_a_sentence_and_tells_what_is_over_in_the_past() -> None:
    first, *rest = calm().told
    over = replace(first, verdict=replace(first.verdict, probability=0.995))
    said = words(replace(calm(), told=(over, *rest))).replace("\u00a0", " ")
    assert "Over 99 % sure. It was the provider's to fix" in said
