"""The evidence report's page in Chromium, judged by axe-core."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from support.browser import DESKTOP, PHONE, opened, violations
from support.dossiers import dossier
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
