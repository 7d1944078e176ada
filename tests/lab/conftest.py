"""What several lab tests share."""

from collections.abc import Iterator

import pytest

from support.namespaces import Path4, four_nodes


@pytest.fixture
def path() -> Iterator[Path4]:
    with four_nodes() as made:
        yield made
