"""What tests of single rooms share."""

from collections.abc import Iterator

import pytest

from support.weighed_once import weighed_once


@pytest.fixture(scope="session", autouse=True)
def _weighed_once() -> Iterator[None]:
    """Whoever patches a constant of `compare/standing` must not use this: call `odds_of` itself there."""
    with weighed_once():
        yield
