"""What tests of the comparer share."""

from collections.abc import Iterator

import pytest

from support.weighed_once import weighed_once


@pytest.fixture(scope="session", autouse=True)
def _weighed_once() -> Iterator[None]:
    with weighed_once():
        yield
