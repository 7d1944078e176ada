"""The evidence report's page in Chromium, judged by axe-core."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from support.browser import DESKTOP, PHONE, opened, violations
from support.dossiers import dossier
from whichhop.report.contents import Paper
from whichhop.report.html import page as report_page

pytestmark = [pytest.mark.slow, pytest.mark.waits]


def test_axe_finds_nothing_wrong_with_the_report(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(report_page(dossier()))
    with opened(browser, file.as_uri(), size=PHONE) as page:
        assert violations(page) == []
        page.emulate_media(color_scheme="dark")
        assert violations(page, "color-contrast") == []
        page.set_viewport_size(DESKTOP)  # type: ignore[arg-type]
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
@pytest.mark.parametrize("width", [320, 360, 390])
def test_a_telephone_shows_the_whole_path_with_what_is_at_fault(
    browser: Browser, tmp_path: Path, width: int, paper: Paper
) -> None:
    # WCAG 2.2, 1.4.10: at 320 CSS pixels nothing has to be moved sideways to be seen.
    file = tmp_path / "paper.html"
    file.write_text(report_page(dossier(), paper))
    with opened(browser, file.as_uri(), size={"width": width, "height": 800}) as page:
        (drawing,) = [d for d in page.locator("svg[aria-label^='Path']").all() if d.is_visible()]
        inside = "(e) => e.getBoundingClientRect().right <= window.innerWidth"
        assert all(one.evaluate(inside) for one in drawing.locator("text, rect").all())
        assert float(drawing.locator("text").first.evaluate("(e) => e.getBoundingClientRect().height")) > 10
        assert violations(page) == []
        page.set_viewport_size(DESKTOP)  # type: ignore[arg-type]
        assert len([d for d in page.locator("svg[aria-label^='Path']").all() if d.is_visible()]) == 1
