from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from support.browser import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    # Not for the session: its driver keeps an event loop running in this thread, which later tests need free.
    with chromium() as found:
        yield found
