"""Stories, each told on every screen: the same cause, also inside its hop, probability, times, first step."""

import re
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from msgspec import Struct

from support.live import busy_state
from support.stories import FAULT_NS, START_NS, STORIES, PlayedStory, Story, played
from whichhop.app.reported.dossier import Order, assemble
from whichhop.cli.answers.screen import View, screen
from whichhop.cli.text import times_in
from whichhop.daemon.notice.book import Kind, News
from whichhop.daemon.notice.faults import follow
from whichhop.daemon.notice.words import document, reader_of
from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin
from whichhop.model.dossier import Dossier
from whichhop.model.figure_words import instant_words, probability_words, utc_of, zone_of
from whichhop.model.notices import Way
from whichhop.report.contents import Paper
from whichhop.report.html import page as paper_page
from whichhop.report.sections.plain import sendable
from whichhop.serve.page.document import bulletin_page
from whichhop.serve.page.sentence import answer
from whichhop.store.store import Store

pytestmark = pytest.mark.slow
LISBON = ZoneInfo("Europe/Lisbon")


class Told(Struct, frozen=True, kw_only=True, dict=True):
    """What everybody reads of one story, each as plain text with single blanks."""

    story: Story
    bulletin: Bulletin
    first: Verdict | None
    html: str
    page: str
    status: str
    notices: tuple[str, ...]
    dossier: Dossier
    papers: dict[Paper, str]

    @property
    def texts(self) -> dict[str, str]:
        papers = {str(paper): text for paper, text in self.papers.items()}
        return {"page": self.page, "status": self.status, "notice": " ".join(self.notices), **papers}


def plain(text: str) -> str:
    return " ".join(text.replace("\u200b", "").split())


def words_of(html: str) -> str:
    """The text of a page, a stroke between any two elements; a sealed report's data is no text."""
    body = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return plain(unescape(re.sub(r"<[^>]+>", " | ", body)))


def _notices(play: PlayedStory, bulletin: Bulletin) -> tuple[str, ...]:
    reader = reader_of(bulletin, zone_of(play.house.home))
    out = []
    for fault in follow([], bulletin, play.story.now_ns, lambda _: "one"):
        verdict = next(t.verdict for t in bulletin.told if t.verdict.elements == fault.elements)
        news = News(way=Way.MAIL, kind=Kind.OPENED, fault=fault)
        made = document(news, verdict, reader, "one", play.story.now_ns)
        out.append(plain(" ".join([made["subject"], *made["lines"]])))
    return tuple(out)


def _dossier(play: PlayedStory) -> Dossier:
    order = Order(
        house=play.house,
        start_ns=START_NS,
        end_ns=play.story.now_ns,
        made_ns=play.story.now_ns,
        zone="Europe/Lisbon",
        redact=False,
        with_chains=False,
        public_key=None,
    )
    with Store.open(play.store) as store:
        found = assemble(store, order)
    assert found is not None
    return found


def told(story: Story, folder: Path) -> Told:
    play = played(story, folder)
    times_in(play.house.home)
    bulletin = play.bulletin()
    html = bulletin_page(bulletin, live=busy_state(), now_ns=story.now_ns).decode()
    view = View(
        bulletin=bulletin, source="", answers={}, modems=[(m.node, m.headline) for m in bulletin.modems]
    )
    dossier = _dossier(play)
    return Told(
        story=story,
        bulletin=bulletin,
        first=next(iter(bulletin.ongoing), None),
        html=html,
        page=words_of(html),
        status=plain(screen(view)),
        notices=_notices(play, bulletin),
        dossier=dossier,
        papers={paper: words_of(paper_page(dossier, paper)) for paper in Paper},
    )


def _the_truth_comes_first(told: Told) -> None:
    """The truth of each story is its own script."""
    first = told.first
    assert (first is None) == (not told.story.elements)
    if first is not None:
        assert (first.cause, first.elements[0]) == (told.story.cause, told.story.elements[0])
        assert {e for v in told.bulletin.ongoing for e in v.elements} >= set(told.story.elements)
        assert abs(first.start_ns - FAULT_NS - told.story.after_s * 10**9) <= 20 * 10**9


def _one_probability_and_one_beginning(told: Told) -> None:
    for verdict in told.bulletin.ongoing:
        sure = probability_words(verdict.probability)
        assert f"{sure} sure" in told.page
        assert f"{sure} sure" in told.status
        clock = f"{utc_of(verdict.start_ns):%H:%M}"
        assert f"since {clock}" in told.status
        assert f'datetime="{utc_of(verdict.start_ns):%Y-%m-%dT%H:%M:%SZ}"' in told.html
        notice = next(n for n in told.notices if instant_words(verdict.start_ns, LISBON) in n)
        assert f"Probability of fault: {sure}." in notice
        reported = next(h for h in told.dossier.episodes if h.elements == verdict.elements)
        assert (reported.cause, reported.start_ns, reported.end_ns) == (verdict.cause, verdict.start_ns, None)
        assert probability_words(reported.probability) == sure


def _one_first_step(told: Told) -> None:
    step = told.bulletin.steps[0]
    assert step.startswith(told.story.step), step
    assert plain(step.partition(" Caution:")[0]) in told.page
    assert told.story.step in told.status
    if told.first is not None:
        sentence = answer(told.bulletin, told.story.now_ns).words
        mine = [n for n in told.notices if plain(step) in n]
        assert len(mine) == 1
        assert told.first.place or sentence in mine[0]


def _one_answer_to_whom_to_call(told: Told) -> None:
    """A letter exists where the provider is held to something, and the first sentences say no other thing."""
    sends, proven = sendable(told.dossier), told.first is not None and told.first.proven
    at_the_line = told.first is not None and told.first.cause is Cause.UPSTREAM_LINK
    assert sends == (proven and at_the_line)
    assert ("Nothing to send yet" not in told.papers[Paper.LETTER]) == sends
    calls = "Do not call the provider" not in told.papers[Paper.SUMMARY]
    assert calls == (sends or not told.story.elements)  # of levels alone: look first, then call


def _one_cause_inside(told: Told) -> None:
    """The truth is the story's own; page, notice and `status` say the first figure that speaks for it."""
    if told.story.inside is None:
        return
    assert told.first is not None
    why = told.first.why
    assert why is not None, told.first.inside
    assert why.cause is told.story.inside
    for text in (told.page, told.status, told.notices[0]):
        assert f"{why.words} ({probability_words(why.probability)}), because {why.evidence[0]}" in text
    assert why.words in " ".join(told.papers.values())


NEVER = (
    r"\b([a-z]{3,}) \1\b(?! \1|\.pdf)",  # a word twice in a row, but for an option and its file
    r"\b100 % sure|\(100 %\)",
    r"\b0 % of its (line|plan) or less",
    r"point to cannot",
    r"\bNone\b(?! was made)|\bnan\b|\{|\}",
    r"(\b[Tt]he home's own traffic)[:(] ?(the home's own traffic)",
    r"own traffic, because the home used at most [4-9]\d %",
)


def _nothing_that_nobody_would_say(told: Told, never: str) -> None:
    for name, text in told.texts.items():
        found = re.search(never, text)
        assert found is None, (name, text[max(0, found.start() - 80) : found.end() + 80])
    steps = " ".join((*told.bulletin.steps, *(w for t in told.bulletin.told for w in t.words)))
    assert re.search(never, steps) is None, steps


@pytest.mark.parametrize("name", STORIES)
def test_a_story_is_told_alike_on_every_screen(name: str, tmp_path: Path) -> None:
    found = told(STORIES[name], tmp_path)
    _the_truth_comes_first(found)
    _one_probability_and_one_beginning(found)
    _one_cause_inside(found)
    _one_first_step(found)
    _one_answer_to_whom_to_call(found)
    for never in NEVER:
        _nothing_that_nobody_would_say(found, never)
