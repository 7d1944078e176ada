"""The machine's own Chromium, headless, steered by playwright; pages are judged by axe-core."""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import Any, Literal

from playwright.sync_api import Browser, Page, Route, expect, sync_playwright

from support.need import need_program

# Machines that test are often busy; nothing here is a matter of speed.
expect.set_options(timeout=30_000)
AXE = (files("axe_playwright_python") / "axe.min.js").read_text()
PHONE = {"width": 360, "height": 740}
DESKTOP = {"width": 1360, "height": 900}


@contextmanager
def chromium() -> Iterator[Browser]:
    program = need_program("chromium")
    with sync_playwright() as tools:
        # Root has no sandbox of its own in Chromium, and a test machine little shared memory.
        browser = tools.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(
    browser: Browser,
    url: str,
    *,
    size: dict[str, int] = DESKTOP,
    script: bool = True,
    zone: str = "UTC",
    still: bool = False,
    clock_ns: int | None = None,
) -> Iterator[Page]:
    """A page that shows `url`. `clock_ns`: its timers stand still from then on until moved by hand.

    A new page costs the browser two processes, so one goes from address to address where nothing is asked of
    it that would outlast a document, one at a time. Who hears or answers requests opens "about:blank" first.
    """
    stillness: Literal["reduce", "no-preference"] = "reduce" if still else "no-preference"
    ordinary = script and zone == "UTC" and clock_ns is None and url != "about:blank"
    context = next(iter(browser.contexts), None) if ordinary else None
    if context is None:
        context = browser.new_context(java_script_enabled=script, timezone_id=zone, locale="en-GB")
        context.set_default_timeout(120_000)
        context.new_page()
    page, done = context.pages[0], False
    try:
        page.set_viewport_size(size)  # type: ignore[arg-type]
        page.emulate_media(color_scheme="light", reduced_motion=stillness)
        if clock_ns is not None:
            page.clock.install(time=clock_ns / 1e9 - 60)
            page.clock.pause_at(clock_ns / 1e9)
        page.goto(url)
        yield page
        page.goto("about:blank")
        done = True
    finally:
        if not (ordinary and done):  # what a failed test leaves behind is no other's
            context.close()


def strip_script(page: Page) -> None:
    """Have the page as a browser without scripts shows it, in one that still runs axe-core."""

    def answer(route: Route) -> None:
        response = route.fetch()
        shown = response.text().replace("<noscript>", "<div>").replace("</noscript>", "</div>")
        route.fulfill(response=response, body=shown.replace('<script src="/page.js" defer></script>', ""))

    page.route(lambda url: url.endswith("/"), answer)


def violations(page: Page, *rules: str) -> list[dict[str, Any]]:
    """What axe-core finds wrong: the rule, how bad, where. All its rules unless some are named."""
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(AXE)
    options: dict[str, Any] = {"resultTypes": ["violations"]}
    if rules:
        options["runOnly"] = list(rules)
    found = page.evaluate("options => axe.run(document, options)", options)["violations"]
    return [
        {
            "rule": one["id"],
            "impact": one["impact"],
            "help": one["help"],
            "at": [n["html"][:200] + " | " + n.get("failureSummary", "") for n in one["nodes"][:4]],
        }
        for one in found
    ]
