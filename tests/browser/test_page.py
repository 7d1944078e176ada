"""The page in the machine's own Chromium: what is seen, heard, typed and renewed; judged by axe-core."""

from itertools import combinations, pairwise

import pytest
from msgspec.structs import replace
from playwright.sync_api import Browser, Page, expect

from support.browser import DESKTOP, PHONE, opened, strip_script, violations
from support.bulletins import MINUTE_NS, NOW_NS, STATES, at_fault, calm, group
from support.page_server import showing
from whichhop.model.bulletin import Bulletin
from whichhop.model.note import Note

pytestmark = [pytest.mark.slow, pytest.mark.waits]
EVERY = {**STATES, "own": lambda: None}


def open_all(page: Page) -> None:
    page.locator("details").evaluate_all("all => all.forEach(details => { details.open = true; })")


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@pytest.mark.parametrize("state", EVERY)
def test_axe_finds_nothing_wrong_and_nothing_is_wider_than_the_screen(browser: Browser, state: str) -> None:
    with showing(EVERY[state]()) as shown, opened(browser, f"{shown.base}/", size=PHONE) as page:
        open_all(page)
        assert violations(page) == []
        assert fits(page)
        page.emulate_media(color_scheme="dark")
        assert violations(page, "color-contrast") == []
        page.set_viewport_size(DESKTOP)  # type: ignore[arg-type]
        assert violations(page) == []
        assert fits(page)
        page.emulate_media(color_scheme="light")
        assert violations(page, "color-contrast") == []


@pytest.mark.parametrize("width", [360, 768, 1280, 1440])
def test_long_names_fit_every_screen(browser: Browser, width: int) -> None:
    names = {"desk": "grandmothers-tablet", "attic": "upstairs-landing-node", "study": "basement-workshop"}
    links = tuple(
        replace(k, near=names.get(k.near, k.near), far=names.get(k.far, k.far)) for k in at_fault().links
    )
    bulletin = replace(at_fault(), links=links)
    with showing(bulletin) as shown, opened(browser, f"{shown.base}/", size=PHONE | {"width": width}) as page:
        assert fits(page)
        sides = page.locator(".way .stone, .way .facts").evaluate_all(
            "all => all.map(one => one.getBoundingClientRect().right)"
        )
        assert max(sides) <= width


BOXES = """() => {
  const lines = [];
  for (const one of document.querySelectorAll(".stone .name, .note, .hop h3, .hop .state, .hop dt, " +
      ".hop dd, .hop .aside, .lane > p, circle.flag, #modem p, #modem .complaints li, " +
      "#past p, .episodes p, .steps li")) {
    if (!one.checkVisibility() || one.closest("details:not([open])")) continue;
    const box = one.getBoundingClientRect();
    lines.push([one.textContent.trim().slice(0, 40), box.left, box.top, box.right, box.bottom]);
  }
  for (const card of document.querySelectorAll(".hop-fault > .facts")) {
    const box = card.getBoundingClientRect();
    lines.push(["card", box.left, box.top, box.right, box.bottom]);
  }
  return lines;
}"""


@pytest.mark.parametrize("width", [390, 768, 1280])
@pytest.mark.parametrize("state", ["at-fault", "group", "weeks"])
def test_pills_notes_and_cards_never_collide(browser: Browser, state: str, width: int) -> None:
    names = {"desk": "grandmothers-tablet", "attic": "landing"}
    found = STATES[state]()
    links = tuple(
        replace(k, near=names.get(k.near, k.near), far=names.get(k.far, k.far)) for k in found.links
    )
    agents = tuple(replace(a, name=names.get(a.name, a.name)) for a in found.agents)
    # Notes of one moment share a place on the time line; so do those of its two ends.
    notes = tuple(Note(at_ns=NOW_NS - m * MINUTE_NS, text=f"change {m}") for m in (1, 2, 3, 600, 601, 1430))
    for bulletin in (found, replace(found, links=links, agents=agents, notes=notes)):
        size = {"width": width, "height": 900}
        with showing(bulletin) as shown, opened(browser, f"{shown.base}/", size=size, still=True) as page:
            assert fits(page)
            boxes = page.evaluate(BOXES)
        assert len(boxes) > 20
        for (one, *a), (other, *b) in combinations(boxes, 2):
            wide = min(a[2], b[2]) - max(a[0], b[0])
            high = min(a[3], b[3]) - max(a[1], b[1])
            inside = "card" in (one, other) and wide >= min(a[2] - a[0], b[2] - b[0]) - 1
            # Boxes of lines that follow each other may share a pixel's fraction.
            assert inside or wide <= 1 or high <= 1, f"{one!r} {a} and {other!r} {b} at {width}"


@pytest.mark.parametrize("state", ["at-fault", "own"])
def test_without_a_script_axe_finds_nothing_wrong_and_the_reader_is_told_to_load_again(
    browser: Browser, state: str
) -> None:
    with showing(EVERY[state]()) as shown, opened(browser, "about:blank", size=PHONE) as page:
        strip_script(page)
        page.goto(f"{shown.base}/")
        expect(page.get_by_text("load it again")).to_be_visible()
        expect(page.locator(".scripted")).to_be_hidden()
        open_all(page)
        assert violations(page) == []
        assert fits(page)


def test_nothing_is_loaded_from_elsewhere_and_the_policy_is_never_broken(browser: Browser) -> None:
    complaints: list[str] = []
    asked: list[str] = []
    with showing(at_fault()) as shown, opened(browser, "about:blank") as page:
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{shown.base}/")
        page.wait_for_function("document.documentElement.classList.contains('live')")
        assert complaints == []
        assert len(asked) >= 3
        assert all(url.startswith(shown.base) for url in asked)


def link_facts(page: Page, name: str) -> str:
    return page.locator(f'[data-link="{name}"]').inner_text().replace("\u00a0", " ")


@pytest.mark.parametrize("script", [True, False])
def test_the_page_shows_the_numbers_of_the_bulletin(browser: Browser, script: bool) -> None:
    with showing(at_fault()) as shown, opened(browser, f"{shown.base}/", script=script) as page:
        expect(page.locator("#answer-title")).to_have_text(
            "The backhaul between attic and router is at fault."
        )
        facts = link_facts(page, "attic/router")
        for part in ("at fault", "98 %", "34.5 ms", "+28.4 ms", "2.5 %", "packet loss"):
            assert part in facts
        assert "no fault" in link_facts(page, "beyond")
        assert page.locator("[data-link]").count() == len(at_fault().links)
        assert page.locator(".steps ol > li").count() == 2
        rooms = page.locator("#rooms").inner_text().replace("\u00a0", " ")
        assert "at least 487 Mbit/s of 500 Mbit/s (97 %)" in rooms


def test_state_is_told_by_shape_as_well_as_by_words_and_colour(browser: Browser) -> None:
    with showing(group()) as shown, opened(browser, f"{shown.base}/") as page:
        drawn = {
            name: page.locator(f'[data-link="{name}"] .arc path').first.evaluate(
                "path => getComputedStyle(path).strokeDasharray"
            )
            for name in ("desk/attic", "router/modem")
        }
        assert drawn["router/modem"] == "none"
        assert drawn["desk/attic"] != "none"


def test_times_are_told_in_the_homes_zone_else_the_viewers_with_utc_beside_them(browser: Browser) -> None:
    # Kathmandu has been 5 h 45 min ahead of UTC since 1986 (IANA time zone data): 17:52 is 23:37 there.
    with showing(at_fault()) as shown:
        with opened(browser, f"{shown.base}/", zone="Asia/Kathmandu", clock_ns=NOW_NS) as page:
            first = page.locator("#answer .first").inner_text()
            assert "Since 23:37 (17:52 UTC)" in first
            assert page.locator(".axis text").first.text_content() in ("02:45", "05:45")
        with opened(browser, f"{shown.base}/", zone="UTC", clock_ns=NOW_NS) as page:
            assert "Since 17:52 UTC" in page.locator("#answer .first").inner_text()
    with (
        showing(replace(at_fault(), zone="Asia/Kathmandu")) as shown,
        opened(browser, f"{shown.base}/", zone="America/St_Johns", clock_ns=NOW_NS) as page,
    ):
        assert "Since 23:37 (17:52 UTC)" in page.locator("#answer .first").inner_text()
        assert "Times are in the home's zone, Asia/Kathmandu" in page.locator("footer").inner_text()


def renewed(page: Page) -> None:
    """Ten seconds pass for the page, and the answer to its question comes in."""
    with page.expect_response(lambda response: response.url.endswith("/")):
        page.clock.run_for(10_000)
    page.wait_for_timeout(150)


def test_the_page_renews_itself_keeps_its_place_and_says_only_what_is_new(browser: Browser) -> None:
    with showing(at_fault()) as shown, opened(browser, f"{shown.base}/", clock_ns=NOW_NS) as page:
        page.wait_for_function("document.documentElement.classList.contains('live')")
        summary = page.locator("#day details[id] > summary").last
        summary.focus()
        page.keyboard.press("Enter")
        kept = summary.locator("..").get_attribute("id")
        renewed(page)
        assert page.locator("#say").text_content() == ""
        newer = replace(at_fault(), links=at_fault().links[:-1], steps=("Something else.",))
        shown.bulletin = replace(newer, told=at_fault().told[:2])
        renewed(page)
        expect(page.locator(".steps ol > li")).to_have_text(["Something else."])
        assert page.locator("#say").text_content() == "", "the sentence is the same: nothing to say"
        shown.bulletin = calm()
        renewed(page)
        expect(page.locator("#say")).to_have_text("No fault found.")
        expect(page.locator("#answer")).to_have_attribute("data-mood", "no-fault")
        assert page.title() == "No fault found. Alder House"
        assert kept is not None
        assert page.locator(".steps").count() == 0


def test_an_opened_reason_stays_open_and_focused_while_the_figures_around_it_change(browser: Browser) -> None:
    with showing(at_fault()) as shown, opened(browser, f"{shown.base}/", clock_ns=NOW_NS) as page:
        page.locator("#why-now > summary").focus()
        page.keyboard.press("Enter")
        first = at_fault().told[0]
        shown.bulletin = replace(
            at_fault(),
            told=(replace(first, verdict=replace(first.verdict, probability=0.97)), *at_fault().told[1:]),
        )
        renewed(page)
        expect(page.locator("#answer .first")).to_contain_text("97")
        assert page.locator("#why-now").evaluate("details => details.open")
        assert page.evaluate("document.activeElement.parentElement.id") == "why-now"


def test_silence_of_the_agent_is_told_after_thirty_seconds_and_taken_back(browser: Browser) -> None:
    with showing(calm()) as shown, opened(browser, f"{shown.base}/", clock_ns=NOW_NS) as page:
        shown.deaf = True
        for _ in range(3):
            renewed(page)
        expect(page.locator("#stale")).to_be_hidden()
        renewed(page)
        expect(page.locator("#stale")).to_be_visible()
        expect(page.locator("#stale")).to_contain_text("No answer from this agent since 18:0")
        expect(page.locator("#say")).to_have_text("The agent does not answer; what is shown is old.")
        page.clock.resume()  # axe-core waits by timers
        assert violations(page) == []
        shown.deaf = False
        expect(page.locator("#stale")).to_be_hidden()
        expect(page.locator("#say")).to_have_text("The agent answers again.")


def test_an_agent_that_begins_to_compare_gets_the_other_page_in_order(browser: Browser) -> None:
    with showing(None) as shown, opened(browser, f"{shown.base}/", clock_ns=NOW_NS) as page:
        expect(page.locator("#own")).to_be_visible()
        shown.bulletin = at_fault()
        renewed(page)
        parts = page.locator("main > [data-part]").evaluate_all("parts => parts.map(part => part.id)")
        assert parts == ["answer", "way", "day", "rooms", "agents"]


def focusable(page: Page) -> list[str]:
    """Where the Tab key leads, in order, until it leaves the page."""
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        where = page.evaluate(
            "(() => { const e = document.activeElement; return e === document.body ? '' :"
            " `${e.tagName} ${e.textContent} ${getComputedStyle(e).outlineStyle}"
            " ${parseFloat(getComputedStyle(e).outlineWidth) >= 2}`; })()"
        )
        if not where:
            return seen
        seen.append(where)
    pytest.fail("the Tab key never leaves the page")


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_the_keyboard_reaches_everything_and_focus_is_seen(browser: Browser, size: dict[str, int]) -> None:
    with showing(at_fault()) as shown, opened(browser, f"{shown.base}/", size=size) as page:
        stops = focusable(page)
        assert stops[0].startswith("A Skip to the answer")
        assert all(stop.endswith("solid true") for stop in stops), stops
        assert sum("Why this is thought" in stop for stop in stops) == 3
        assert any("How this is known" in stop for stop in stops)
        page.locator(".skip").focus()
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"


def test_landmarks_and_headings_lead_through_the_page(browser: Browser) -> None:
    with showing(at_fault()) as shown, opened(browser, f"{shown.base}/") as page:
        assert page.get_by_role("banner").count() == 1
        assert page.get_by_role("main").count() == 1
        assert page.get_by_role("contentinfo").count() == 1
        levels = page.locator("h1, h2, h3").evaluate_all("all => all.map(h => Number(h.tagName[1]))")
        assert levels[0] == 1
        assert all(b - a <= 1 for a, b in pairwise(levels))
        expect(page.get_by_role("heading", name="attic to router: backhaul, radio")).to_be_visible()
        expect(page.get_by_role("region", name="The last day")).to_be_visible()


def test_nothing_moves_where_the_viewer_asked_for_stillness(browser: Browser) -> None:
    with showing(at_fault()) as shown:
        with opened(browser, f"{shown.base}/") as page:
            assert page.evaluate("document.getAnimations().length") > 0
        with opened(browser, f"{shown.base}/", still=True) as page:
            assert page.evaluate("document.getAnimations().length") == 0


def test_words_from_outside_never_become_script(browser: Browser) -> None:
    evil = "<img src=x onerror=window.hit=1><script>window.hit=1</script>"
    bulletin: Bulletin = replace(at_fault(), home=evil, steps=(evil,))
    with showing(bulletin) as shown, opened(browser, f"{shown.base}/", clock_ns=NOW_NS) as page:
        expect(page.locator("h1")).to_have_text(evil)
        shown.bulletin = replace(bulletin, steps=(evil, evil))
        renewed(page)
        expect(page.locator(".steps ol > li")).to_have_count(2)
        assert page.evaluate("window.hit") is None
        assert page.locator("img").count() == 0
